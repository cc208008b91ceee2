#include "cli/divestate.h"

#include "cli/show.h"

#include <stdio.h>
#include <string.h>

static void add(char *out, const char *before, const char *text, size_t len)
{
    size_t used = strlen(out);
    snprintf(out + used, DIVESTATE_SIZE - used, "%s%.*s", before, (int)len, text);
}

void divestate(const json_t *lines, char out[DIVESTATE_SIZE])
{
    const json_t *line;
    size_t i;
    out[0] = '\0';
    json_array_foreach(lines, i, line)
    {
        const char *what = show_text(line, "what"), *text = show_text(line, "text");
        if (strcmp(what, "dive") == 0 && strchr(text, ';') != NULL && strstr(text, "no dive is open") == NULL)
            add(out, "", text, strcspn(text, ";"));
    }
    if (out[0] == '\0')
        return;
    json_array_foreach(lines, i, line)
    {
        const char *what = show_text(line, "what"), *text = show_text(line, "text");
        if (strncmp(what, "seat ", 5) == 0)
            add(out, " | ", text, strlen(text));
    }
}
