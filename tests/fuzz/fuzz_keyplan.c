/*
 * Any lines as a key plan, through the setters: "[section]" or "name = value". No crash; whatever is accepted can be found again, and every text
 * in it is terminated and within its field.
 */
#include "core/keyplan.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void check(const struct keyplan *plan)
{
    char name[KEY_SIZE];
    for (uint16_t i = 0; i < plan->def_count; i++) {
        const struct key_def *def = &plan->def[i];
        if (keyplan_find(plan, def->key, def->gesture, def->with) != def)
            abort();
        if (def->gesture == KEY_GESTURE_TAP &&
            (!keyplan_key_name(def->key, plan->rows, plan->columns, name) || strcmp(name, def->name) != 0))
            abort();
        if (keyplan_find_name(plan, def->name, def->gesture) != def || def->label[0] == '\0' ||
            def->lead_ms > 60000 || key_kind_name(def->kind)[0] == '\0')
            abort();
        if (def->container[0] != '\0' && keyplan_find_container(plan, def->container) == NULL)
            abort();
    }
}

static bool set_line(struct keyplan *plan, char *section, char *line, uint32_t number)
{
    struct keyplan_error error;
    char text[600];
    size_t length = strlen(line);
    char *equals = strchr(line, '=');
    if (line[0] == '[' && length > 1) {
        line[length - 1] = '\0';
        strcpy(section, line + 1);
        return true;
    }
    if (equals == NULL)
        return true;
    *equals = '\0';
    if (keyplan_set(plan, section, line, equals + 1, number, &error))
        return true;
    keyplan_error_text(&error, "fuzz.plan", text, sizeof text);
    if (error.text[0] == '\0')
        abort();
    return false;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct keyplan plan;
    static char section[4096], line[4096];
    struct keyplan_error errors[3];
    uint32_t number = 0;
    bool sound = true;
    section[0] = '\0';
    keyplan_begin(&plan);
    for (size_t at = 0; at < size;) {
        const uint8_t *end = memchr(data + at, '\n', size - at);
        size_t length = end == NULL ? size - at : (size_t)(end - (data + at));
        size_t kept = length < sizeof line - 1 ? length : sizeof line - 1;
        memcpy(line, data + at, kept);
        line[kept] = '\0';
        sound = set_line(&plan, section, line, ++number) && sound;
        at += length + 1;
    }
    if (keyplan_finish(&plan, errors, 3) == 0 && sound)
        check(&plan);
    return 0;
}
