/* What the tests of scripts share: a text read as a script, and what is told of it in `problems`, "LINE: TEXT" a line. */
#ifndef TESTS_RIG_SCRIPT_TEXT_H
#define TESTS_RIG_SCRIPT_TEXT_H

#include <stdio.h>
#include <string.h>

#include "script.h"

static char problems[4096];

static void note(void *ctx, int line, const char *text)
{
    size_t n = strlen(problems);
    (void)ctx;
    snprintf(problems + n, sizeof problems - n, "%d: %s\n", line, text);
}

static size_t read_text(struct script *script, const char *text)
{
    problems[0] = 0;
    script_init(script);
    return script_parse(script, text, strlen(text), note, NULL);
}

#endif
