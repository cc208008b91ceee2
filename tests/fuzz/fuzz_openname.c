/* Any text as a name: no crash, parts within their fields, and what comes out goes in again unchanged. */
#include "core/openname.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static char text[1024];
    char strict[OPENNAME_NAME_SIZE];
    struct openname first, again;
    const char *why;
    size_t length = size < sizeof text - 1 ? size : sizeof text - 1;
    memcpy(text, data, length);
    text[length] = '\0';
    if (!openname_parse(text, &first, &why)) {
        if (why[0] == '\0')
            abort();
        return 0;
    }
    openname_strict_name(&first, strict);
    if (first.name[0] == '\0' || strict[0] == '\0')
        abort();
    /* What stands in brackets is the person's own and may hold anything, signs too. */
    if (strchr(text, '[') != NULL)
        return 0;
    /* A text at the limits may be over them once its signs stand apart. */
    if (openname_qualify(first.name, first.qualifier, &again, &why) &&
        strcmp(again.qualifier, first.qualifier) != 0)
        abort();
    return 0;
}
