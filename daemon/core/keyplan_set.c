/* keyplan_set: one line of a key plan at a time, each value checked by itself; what needs the whole plan is in keyplan_check. */
#include "core/keyplan.h"

#include "core/keyplan_name.h"
#include "core/keyterm.h"

#include <ctype.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum attribute { ATTR_KIND, ATTR_LABEL, ATTR_TERM, ATTR_LEAD, ATTR_PHASE, ATTR_CONTAINER, ATTR_GEAR, ATTRS };
static const char *const attribute_names[ATTRS] = {"kind",  "label",     "term", "lead_s",
                                                   "phase", "container", "gear"};

enum plan_attribute { PLAN_TITLE, PLAN_ROWS, PLAN_COLUMNS, PLAN_HOLD, PLAN_CHORD, PLAN_SUBJECTS, PLAN_ATTRS };
static const char *const plan_names[PLAN_ATTRS] = {"title",   "rows",     "columns",
                                                   "hold_ms", "chord_ms", "subjects"};

enum container_attribute { BOX_LABEL, BOX_CAPACITY, BOX_ATTRS };
static const char *const container_names[BOX_ATTRS] = {"label", "capacity"};

/* Where a name is in a list; `count` where it is not. */
static size_t find_name(const char *const *names, size_t count, const char *name)
{
    size_t i = 0;
    while (i < count && strcmp(names[i], name) != 0)
        i++;
    return i;
}

void keyplan_begin(struct keyplan *plan)
{
    *plan = (struct keyplan){.rows = 4, .columns = 4, .hold_ms = 600, .chord_ms = 120};
}

static bool refuse(struct keyplan_error *error, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(error->text, sizeof error->text, format, arguments);
    va_end(arguments);
    return false;
}

static void list_names(char *out, size_t size, const char *const *names, size_t count)
{
    size_t used = 0;
    out[0] = '\0';
    for (size_t i = 0; i < count && used < size; i++) {
        int wrote = snprintf(out + used, size - used, "%s%s", used == 0 ? "" : ", ", names[i]);
        used += wrote > 0 ? (size_t)wrote : 0;
    }
}

static bool refuse_name(struct keyplan_error *error, const char *what, const char *name,
                        const char *const *names, size_t count)
{
    char accepted[200];
    list_names(accepted, sizeof accepted, names, count);
    return refuse(error, "%s '%.40s' is not known; accepted: %s", what, name, accepted);
}

/* Bytes in the UTF-8 character at `text`; 0: ill-formed, or a control character. RFC 3629, without its rarer overlong cases. */
static size_t character_bytes(const unsigned char *text)
{
    size_t bytes = text[0] < 0x80 ? 1 : text[0] >= 0xf0 ? 4 : text[0] >= 0xe0 ? 3 : 2;
    if (text[0] < 0x20 || text[0] == 0x7f || (text[0] >= 0x80 && text[0] < 0xc2) || text[0] > 0xf4)
        return 0;
    for (size_t i = 1; i < bytes; i++)
        if ((text[i] & 0xc0) != 0x80)
            return 0;
    return bytes;
}

static bool set_text(char *out, size_t size, const char *value, struct keyplan_error *error)
{
    size_t length = 0;
    while (value[length] != '\0') {
        size_t bytes = character_bytes((const unsigned char *)value + length);
        if (bytes == 0)
            return refuse(error, "holds a control character or ill-formed UTF-8; accepted: plain text");
        length += bytes;
    }
    if (length == 0 || length >= size)
        return refuse(error, "accepted: 1 to %zu bytes of text", size - 1);
    memset(out, 0, size);
    memcpy(out, value, length);
    return true;
}

static bool set_identifier(char *out, size_t size, const char *value, struct keyplan_error *error)
{
    size_t length = strlen(value);
    bool sound = length > 0 && length < size;
    for (size_t i = 0; i < length && sound; i++)
        sound = isalnum((unsigned char)value[i]) || strchr("_.-", value[i]) != NULL;
    if (!sound)
        return refuse(error, "'%.40s' is no name; accepted: 1 to %zu of letters, digits, _ . -", value,
                      size - 1);
    memset(out, 0, size);
    memcpy(out, value, length + 1);
    return true;
}

static bool set_number(uint16_t *out, const char *value, unsigned least, unsigned most,
                       struct keyplan_error *error)
{
    size_t digits = strspn(value, "0123456789");
    unsigned number = 0;
    for (size_t i = 0; i < digits && i < 6; i++)
        number = number * 10 + (unsigned)(value[i] - '0');
    if (digits == 0 || digits > 5 || value[digits] != '\0' || number < least || number > most)
        return refuse(error, "'%.40s' is refused; accepted: a whole number, %u to %u", value, least, most);
    *out = (uint16_t)number;
    return true;
}

/* Seconds with up to three decimals, as milliseconds. */
static bool set_lead(uint32_t *lead_ms, const char *value, struct keyplan_error *error)
{
    size_t whole = strspn(value, "0123456789");
    const char *point = value + whole;
    size_t decimals = *point == '.' ? strspn(point + 1, "0123456789") : 0;
    bool sound = whole >= 1 && whole <= 2 && decimals <= 3 &&
                 (*point == '\0' || (decimals > 0 && point[decimals + 1] == '\0'));
    uint32_t ms = 0;
    for (size_t i = 0; i < whole && sound; i++)
        ms = ms * 10 + (uint32_t)(value[i] - '0');
    for (size_t i = 0; i < 3 && sound; i++)
        ms = ms * 10 + (i < decimals ? (uint32_t)(point[1 + i] - '0') : 0);
    if (!sound || ms > 60000)
        return refuse(error, "'%.40s' is refused; accepted: seconds from 0 to 60, as 5 or 2.5", value);
    *lead_ms = ms;
    return true;
}

/* False: this name had its value already. */
static bool first_time(uint32_t *lines, size_t attribute, uint32_t line, struct keyplan_error *error)
{
    if (lines[attribute] != 0)
        return refuse(error, "was given on line %u already; leave one of the two out", lines[attribute]);
    lines[attribute] = line;
    return true;
}

static bool set_plan(struct keyplan *plan, const char *name, const char *value, uint32_t line,
                     struct keyplan_error *error)
{
    uint16_t number = 0;
    size_t attribute = find_name(plan_names, PLAN_ATTRS, name);
    if (attribute == PLAN_ATTRS)
        return refuse_name(error, "name", name, plan_names, PLAN_ATTRS);
    if (!first_time(plan->build.plan_line, attribute, line, error))
        return false;
    switch ((enum plan_attribute)attribute) {
    case PLAN_TITLE:
        return set_text(plan->title, sizeof plan->title, value, error);
    case PLAN_ROWS:
        if (set_number(&number, value, 1, KEYPLAN_ROWS_MAX, error))
            plan->rows = (uint8_t)number;
        return number != 0;
    case PLAN_COLUMNS:
        if (set_number(&number, value, 1, KEYPLAN_COLUMNS_MAX, error))
            plan->columns = (uint8_t)number;
        return number != 0;
    case PLAN_HOLD:
        return set_number(&plan->hold_ms, value, 200, 5000, error);
    case PLAN_CHORD:
        return set_number(&plan->chord_ms, value, 20, 500, error);
    case PLAN_SUBJECTS:
        plan->subjects_elsewhere = strcmp(value, "elsewhere") == 0;
        if (!plan->subjects_elsewhere && strcmp(value, "here") != 0)
            return refuse(error, "'%.40s' is refused; accepted: here, elsewhere", value);
        return true;
    case PLAN_ATTRS:
    default:
        return false;
    }
}

static bool set_container(struct keyplan *plan, const char *which, const char *name, const char *value,
                          uint32_t line, struct keyplan_error *error)
{
    struct key_container wanted = {.line = line};
    size_t attribute = find_name(container_names, BOX_ATTRS, name);
    if (!set_identifier(wanted.name, sizeof wanted.name, which, error))
        return false;
    if (attribute == BOX_ATTRS)
        return refuse_name(error, "name", name, container_names, BOX_ATTRS);
    uint16_t i = 0;
    while (i < plan->container_count && strcmp(plan->container[i].name, wanted.name) != 0)
        i++;
    if (i == KEYPLAN_CONTAINERS_MAX)
        return refuse(error, "more than %d containers; leave some out", KEYPLAN_CONTAINERS_MAX);
    if (i == plan->container_count)
        plan->container[plan->container_count++] = wanted;
    if (!first_time(plan->build.container_line[i], attribute, line, error))
        return false;
    if (attribute == BOX_LABEL)
        return set_text(plan->container[i].label, LABEL_SIZE, value, error);
    return set_number(&plan->container[i].capacity, value, 1, 9999, error);
}

static bool set_kind(struct key_def *def, const char *value, struct keyplan_error *error)
{
    def->kind = key_kind_find(value);
    if (def->kind != KEY_KIND_NONE)
        return true;
    const char *names[KEY_KINDS - 1];
    for (int kind = 1; kind < KEY_KINDS; kind++)
        names[kind - 1] = key_kind_name((enum key_kind)kind);
    return refuse_name(error, "kind", value, names, KEY_KINDS - 1);
}

static bool set_phase(struct key_def *def, const char *value, struct keyplan_error *error)
{
    def->phase = dive_phase_find(value);
    if (def->phase != DIVE_PHASE_NONE)
        return true;
    const char *names[DIVE_PHASES - 1];
    for (int phase = 1; phase < DIVE_PHASES; phase++)
        names[phase - 1] = dive_phase_name((enum dive_phase)phase);
    return refuse_name(error, "phase", value, names, DIVE_PHASES - 1);
}

static bool set_term(struct key_def *def, const char *value, struct keyplan_error *error)
{
    return set_text(def->term, sizeof def->term, value, error) &&
           keyterm_check(value, error->text, sizeof error->text);
}

static bool set_attribute(struct key_def *def, enum attribute attribute, const char *value,
                          struct keyplan_error *error)
{
    switch (attribute) {
    case ATTR_KIND:
        return set_kind(def, value, error);
    case ATTR_LABEL:
        return set_text(def->label, sizeof def->label, value, error);
    case ATTR_TERM:
        return set_term(def, value, error);
    case ATTR_LEAD:
        return set_lead(&def->lead_ms, value, error);
    case ATTR_PHASE:
        return set_phase(def, value, error);
    case ATTR_CONTAINER:
        return set_identifier(def->container, sizeof def->container, value, error);
    case ATTR_GEAR:
        return set_text(def->gear, sizeof def->gear, value, error);
    case ATTRS:
    default:
        return false;
    }
}

static bool set_key(struct keyplan *plan, const char *key, enum key_gesture gesture, const char *name,
                    const char *value, uint32_t line, struct keyplan_error *error)
{
    size_t attribute = find_name(attribute_names, ATTRS, name);
    if (attribute == ATTRS)
        return refuse_name(error, "name", name, attribute_names, ATTRS);
    uint16_t i = keyplan_name_def(plan, key, gesture);
    if (i == KEYPLAN_DEFS_MAX)
        return refuse(error, "more than %d meanings in one plan; leave some out", KEYPLAN_DEFS_MAX);
    if (i == plan->def_count) {
        plan->def[i] = (struct key_def){.gesture = gesture, .line = line, .lead_ms = KEYPLAN_LEAD_UNSAID};
        snprintf(plan->def[i].name, KEY_SIZE, "%s", key);
        plan->def_count++;
    }
    if (!first_time(plan->build.key_line[i], attribute, line, error))
        return false;
    return set_attribute(&plan->def[i], (enum attribute)attribute, value, error);
}

/* A section that was left cannot be entered again: the key would be there twice. */
static bool enter_section(struct keyplan *plan, const char *section, const char *key,
                          struct keyplan_error *error)
{
    if (strcmp(plan->build.last_section, section) == 0)
        return true;
    snprintf(plan->build.last_section, sizeof plan->build.last_section, "%s", section);
    for (uint16_t i = 0; i < plan->def_count; i++)
        if (strcmp(plan->def[i].name, key) == 0)
            return refuse(error, "key %s is there twice: line %u has it already; join the two sections", key,
                          plan->def[i].line);
    return true;
}

static bool set_single_key(struct keyplan *plan, const char *section, const char *text, const char *name,
                           const char *value, uint32_t line, struct keyplan_error *error)
{
    unsigned row, column;
    char key[KEY_SIZE];
    const char *after = keyplan_name_read(text, &row, &column);
    if (after == NULL || *after != '\0')
        return refuse(error,
                      "'%.20s' is no key; accepted: a row letter A to P and a column number 1 to 16, as A1",
                      text);
    snprintf(key, sizeof key, "%c%u", (char)('A' + row), column + 1);
    if (!enter_section(plan, section, key, error))
        return false;
    if (strncmp(name, "hold.", 5) == 0)
        return set_key(plan, key, KEY_GESTURE_HOLD, name + 5, value, line, error);
    return set_key(plan, key, KEY_GESTURE_TAP, name, value, line, error);
}

bool keyplan_set(struct keyplan *plan, const char *section, const char *name, const char *value,
                 uint32_t line, struct keyplan_error *error)
{
    char chord[KEY_SIZE];
    *error = (struct keyplan_error){.line = line};
    snprintf(error->section, sizeof error->section, "%s", section);
    snprintf(error->name, sizeof error->name, "%s", name);
    if (strcmp(section, "plan") == 0)
        return set_plan(plan, name, value, line, error);
    if (strncmp(section, "container ", 10) == 0)
        return set_container(plan, section + 10, name, value, line, error);
    if (strncmp(section, "key ", 4) == 0)
        return set_single_key(plan, section, section + 4, name, value, line, error);
    if (strncmp(section, "keys ", 5) != 0)
        return refuse(error,
                      "section is not known; accepted: [plan], [key A1], [keys A1+B1], [container NAME]");
    if (!keyplan_name_chord(section + 5, chord))
        return refuse(error, "'%.20s' are no two keys; accepted: two different keys, as A1+B1", section + 5);
    return enter_section(plan, section, chord, error) &&
           set_key(plan, chord, KEY_GESTURE_CHORD, name, value, line, error);
}
