/* keyplan_check: what can only be said of a key plan when all of it is there. Each check looks at one thing and says how to put it right. */
#include "core/keyplan_name.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define DEFAULT_SUBJECT_LEAD_MS 5000

struct findings {
    struct keyplan_error *errors;
    size_t max, count;
};

static void find_fault(struct findings *findings, const struct key_def *def, const char *name,
                       const char *format, ...)
{
    va_list arguments;
    size_t place = findings->count++;
    if (place >= findings->max)
        return;
    struct keyplan_error *error = &findings->errors[place];
    *error = (struct keyplan_error){0};
    if (def != NULL) {
        error->line = def->line;
        snprintf(error->section, sizeof error->section, "%s %s",
                 def->gesture == KEY_GESTURE_CHORD ? "keys" : "key", def->name);
        snprintf(error->name, sizeof error->name, "%s%s", def->gesture == KEY_GESTURE_HOLD ? "hold." : "",
                 name);
    }
    va_start(arguments, format);
    vsnprintf(error->text, sizeof error->text, format, arguments);
    va_end(arguments);
}

static bool has_start(enum key_kind kind)
{
    return kind == KEY_KIND_SUBJECT || kind == KEY_KIND_SPAN || kind == KEY_KIND_TRANSECT;
}

static bool needs_subject(enum key_kind kind)
{
    return kind == KEY_KIND_DETAIL || kind == KEY_KIND_RELATION || kind == KEY_KIND_AGAIN ||
           kind == KEY_KIND_DONE;
}

/* What a key is called when the plan does not say; NULL: it must say. */
static const char *default_label(const struct key_def *def)
{
    static const char *const phase_labels[DIVE_PHASES] = {NULL, "In water", "On bottom", "Off bottom",
                                                          "On deck"};
    switch (def->kind) {
    case KEY_KIND_PHASE:
        return phase_labels[def->phase];
    case KEY_KIND_AGAIN:
        return "Again";
    case KEY_KIND_DONE:
        return "Done";
    case KEY_KIND_STRIKE:
        return "Strike";
    case KEY_KIND_TRANSECT:
        return "Transect";
    case KEY_KIND_SAMPLE:
        return "Sample";
    case KEY_KIND_WAYPOINT:
        return "Waypoint";
    case KEY_KIND_NOTE:
        return "Note";
    default:
        return NULL;
    }
}

/* Two keys that say the same are a slip of the pen; with these kinds the label is what tells them apart. */
static bool label_tells_apart(enum key_kind kind)
{
    return kind != KEY_KIND_SAMPLE && kind != KEY_KIND_DONE && kind != KEY_KIND_STRIKE &&
           kind != KEY_KIND_AGAIN;
}

static void place_key(struct keyplan *plan, struct key_def *def, struct findings *findings)
{
    char first[KEY_SIZE];
    size_t length = strcspn(def->name, "+");
    memcpy(first, def->name, length);
    first[length] = '\0';
    const char *second = def->name[length] == '+' ? def->name + length + 1 : first;
    if (!keyplan_key_index(first, plan->rows, plan->columns, &def->key) ||
        !keyplan_key_index(second, plan->rows, plan->columns, &def->with))
        find_fault(findings, def, "",
                   "the pad of this plan has %d rows and %d columns; [plan] rows and columns change that",
                   plan->rows, plan->columns);
}

static void check_label(struct key_def *def, struct findings *findings)
{
    if (def->label[0] != '\0')
        return;
    const char *label = default_label(def);
    if (label == NULL)
        find_fault(findings, def, "label", "a %s needs a label: what the key says", key_kind_name(def->kind));
    else
        snprintf(def->label, sizeof def->label, "%s", label);
}

static void check_attributes(const struct keyplan *plan, struct key_def *def, struct findings *findings)
{
    const char *kind = key_kind_name(def->kind);
    if (def->kind == KEY_KIND_PHASE && def->phase == DIVE_PHASE_NONE)
        find_fault(findings, def, "phase",
                   "a phase key says which: in water, on bottom, off bottom, on deck");
    if (def->kind != KEY_KIND_PHASE && def->phase != DIVE_PHASE_NONE)
        find_fault(findings, def, "phase", "belongs to kind = phase, not to %s", kind);
    if (def->kind != KEY_KIND_SAMPLE && (def->container[0] != '\0' || def->gear[0] != '\0'))
        find_fault(findings, def, def->container[0] != '\0' ? "container" : "gear",
                   "belongs to kind = sample, not to %s", kind);
    if (def->container[0] != '\0' && keyplan_find_container(plan, def->container) == NULL)
        find_fault(findings, def, "container", "there is no section [container %s]; add one", def->container);
    if (def->lead_ms == KEYPLAN_LEAD_UNSAID)
        def->lead_ms = def->kind == KEY_KIND_SUBJECT ? DEFAULT_SUBJECT_LEAD_MS : 0;
    else if (!has_start(def->kind))
        find_fault(findings, def, "lead_s", "belongs to what has a start: subject, span, transect; not to %s",
                   kind);
}

static void check_doubles(const struct keyplan *plan, uint16_t which, struct findings *findings)
{
    const struct key_def *def = &plan->def[which];
    for (uint16_t i = 0; i < which; i++) {
        const struct key_def *other = &plan->def[i];
        if (other->kind != def->kind || !label_tells_apart(def->kind) ||
            strcmp(other->label, def->label) != 0)
            continue;
        find_fault(
            findings, def, "label",
            "'%s' is the %s of key %s on line %u already; give one of them another label or leave it out",
            def->label, key_kind_name(def->kind), other->name, other->line);
        return;
    }
}

static bool has_subject(const struct keyplan *plan)
{
    for (uint16_t i = 0; i < plan->def_count; i++)
        if (plan->def[i].kind == KEY_KIND_SUBJECT)
            return true;
    return plan->subjects_elsewhere;
}

static void check_key(struct keyplan *plan, uint16_t which, struct findings *findings)
{
    struct key_def *def = &plan->def[which];
    place_key(plan, def, findings);
    if (def->kind == KEY_KIND_NONE) {
        find_fault(findings, def, "kind", "the key has no kind; add kind = subject (or detail, done ...)");
        return;
    }
    check_attributes(plan, def, findings);
    check_label(def, findings);
    if (def->label[0] != '\0')
        check_doubles(plan, which, findings);
    if (needs_subject(def->kind) && !has_subject(plan))
        find_fault(findings, def, "kind",
                   "%s: this plan has no subject, so there is nothing to %s; add a subject key, or subjects "
                   "= elsewhere in [plan]",
                   key_kind_name(def->kind), def->kind == KEY_KIND_RELATION ? "tie" : "add to or close");
}

size_t keyplan_finish(struct keyplan *plan, struct keyplan_error *errors, size_t max)
{
    struct findings findings = {.errors = errors, .max = max};
    if (plan->rows * plan->columns > KEYPLAN_KEYS_MAX)
        find_fault(&findings, NULL, "",
                   "%d rows of %d columns are more than %d keys; make [plan] rows or columns smaller",
                   plan->rows, plan->columns, KEYPLAN_KEYS_MAX);
    if (plan->def_count == 0)
        find_fault(&findings, NULL, "",
                   "the plan has no key; add a section such as [key A1] with kind and label");
    for (uint16_t i = 0; i < plan->def_count; i++)
        check_key(plan, i, &findings);
    for (uint16_t i = 0; i < plan->container_count; i++)
        if (plan->container[i].label[0] == '\0')
            memcpy(plan->container[i].label, plan->container[i].name, CONTAINER_SIZE);
    return findings.count;
}
