#include "core/keyplan.h"

#include "core/keyplan_name.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

static const char *const kind_names[KEY_KINDS] = {"",       "subject", "detail",   "relation", "again",
                                                  "done",   "strike",  "span",     "transect", "phase",
                                                  "sample", "gear",    "waypoint", "note",     "badge"};
static const char *const phase_names[DIVE_PHASES] = {"", "in water", "on bottom", "off bottom", "on deck"};
static const char *const gesture_names[] = {"tap", "hold", "chord"};

const char *key_kind_name(enum key_kind kind)
{
    return (unsigned)kind < KEY_KINDS ? kind_names[kind] : "";
}

const char *key_gesture_name(enum key_gesture gesture)
{
    return (unsigned)gesture <= KEY_GESTURE_CHORD ? gesture_names[gesture] : "";
}

const char *dive_phase_name(enum dive_phase phase)
{
    return (unsigned)phase < DIVE_PHASES ? phase_names[phase] : "";
}

static size_t find_name(const char *const *names, size_t count, const char *name)
{
    size_t i = 0;
    while (i < count && strcmp(names[i], name) != 0)
        i++;
    return i;
}

enum key_kind key_kind_find(const char *name)
{
    size_t kind = find_name(kind_names, KEY_KINDS, name);
    return kind < KEY_KINDS ? (enum key_kind)kind : KEY_KIND_NONE;
}

enum dive_phase dive_phase_find(const char *name)
{
    size_t phase = find_name(phase_names, DIVE_PHASES, name);
    return phase < DIVE_PHASES ? (enum dive_phase)phase : DIVE_PHASE_NONE;
}

void keyplan_error_text(const struct keyplan_error *error, const char *file, char *out, size_t size)
{
    char line[16] = "", section[64] = "", name[32] = "";
    if (error->line != 0)
        snprintf(line, sizeof line, ":%u", error->line);
    if (error->section[0] != '\0')
        snprintf(section, sizeof section, " [%s]", error->section);
    if (error->name[0] != '\0')
        snprintf(name, sizeof name, " %s:", error->name);
    snprintf(out, size, "%s%s:%s%s %s", file, line, section, name, error->text);
}

const struct key_def *keyplan_find(const struct keyplan *plan, uint8_t key, enum key_gesture gesture,
                                   uint8_t with)
{
    uint8_t low = gesture == KEY_GESTURE_CHORD && with < key ? with : key;
    uint8_t high = gesture == KEY_GESTURE_CHORD && with > key ? with : key;
    for (uint16_t i = 0; i < plan->def_count; i++) {
        const struct key_def *def = &plan->def[i];
        if (def->gesture == gesture && def->key == low && (gesture != KEY_GESTURE_CHORD || def->with == high))
            return def;
    }
    return NULL;
}

static bool same_letters(const char *a, const char *b)
{
    while (*a != '\0' && tolower((unsigned char)*a) == tolower((unsigned char)*b)) {
        a++;
        b++;
    }
    return *a == '\0' && *b == '\0';
}

/* The name of a key that a person typed, in the plan's spelling, and its gesture; false: it names no key. */
static bool key_said(const char *name, char *key, enum key_gesture *gesture)
{
    unsigned row, column;
    if (keyplan_name_chord(name, key)) {
        *gesture = KEY_GESTURE_CHORD;
        return true;
    }
    const char *after = keyplan_name_read(name, &row, &column);
    if (after == NULL)
        return false;
    snprintf(key, KEY_SIZE, "%c%u", (char)('A' + row), column + 1);
    if (same_letters(after, " hold") || same_letters(after, ".hold"))
        *gesture = KEY_GESTURE_HOLD;
    else if (*after != '\0')
        return false;
    return true;
}

const struct key_def *keyplan_find_name(const struct keyplan *plan, const char *name,
                                        enum key_gesture gesture)
{
    char key[KEY_SIZE];
    if (key_said(name, key, &gesture)) {
        uint16_t at = keyplan_name_def(plan, key, gesture);
        if (at < plan->def_count)
            return &plan->def[at];
    }
    for (uint16_t i = 0; i < plan->def_count; i++)
        if (same_letters(plan->def[i].label, name))
            return &plan->def[i];
    return NULL;
}

const struct key_container *keyplan_find_container(const struct keyplan *plan, const char *name)
{
    for (uint16_t i = 0; i < plan->container_count; i++)
        if (strcmp(plan->container[i].name, name) == 0)
            return &plan->container[i];
    return NULL;
}
