/* Any bytes as a checklist and as names to look for in it: no crash, every row that is in the list is found under its own name. */
#include "core/checklist.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void look_up(const struct checklist *list, const char *name)
{
    struct checklist_row row, rows[CHECKLIST_SUGGEST_MAX];
    checklist_find(list, name, &row);
    if (checklist_suggest(list, name, rows, CHECKLIST_SUGGEST_MAX) > CHECKLIST_SUGGEST_MAX)
        abort();
}

/* Walks the list by its own index; a name with a NUL inside cannot be asked for as a C text. */
static void look_up_each(const struct checklist *list)
{
    for (uint32_t i = 0; i < list->count && i < 64; i++) {
        struct checklist_row rows[1];
        char name[CHECKLIST_NAME_MAX + 1];
        const char *line = list->text + list->row[i];
        size_t length = 0, left = list->length - list->row[i];
        while (length < left && line[length] != '\t' && line[length] != '\n')
            length++;
        if (list->column[0] != 0 || length > CHECKLIST_NAME_MAX || memchr(line, '\0', length) != NULL)
            continue;
        memcpy(name, line, length);
        name[length] = '\0';
        if (!checklist_find(list, name, rows) || checklist_suggest(list, name, rows, 1) != 1)
            abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static uint32_t index[512];
    char wanted[64];
    struct checklist list;
    if (size < 2)
        return 0;
    size_t name = data[0] % (sizeof wanted - 1);
    name = name < size - 1 ? name : size - 1;
    memcpy(wanted, data + 1, name);
    wanted[name] = '\0';
    /* Exactly as long as it is, so that a byte too far is seen. */
    size_t length = size - 1 - name;
    char *text = malloc(length > 0 ? length : 1);
    memcpy(text, data + 1 + name, length);
    if (checklist_load(&list, text, length, index, 512) == CHECKLIST_OK) {
        look_up(&list, wanted);
        look_up_each(&list);
    }
    free(text);
    return 0;
}
