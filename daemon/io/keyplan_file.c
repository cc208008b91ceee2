#include "io/keyplan_file.h"

#include <stdio.h>
#include <string.h>

/* Problems of the plan as a whole that are told one by one. */
enum { ERRORS_MAX = 32 };

struct reading {
    struct keyplan *plan;
    const char *file;
    const struct ini_text_report *report;
    int problems;
};

static void pass_on(struct reading *reading, const struct keyplan_error *error)
{
    reading->problems++;
    struct ini_problem problem = {reading->file, (int)error->line, error->section, error->name, error->text};
    reading->report->fn(reading->report->ctx, &problem);
}

static void on_key(void *ctx, int line, const char *section, const char *key, const char *value)
{
    struct reading *reading = ctx;
    struct keyplan_error error;
    if (key == NULL)
        return;
    if (!keyplan_set(reading->plan, section, key, value, (uint32_t)line, &error))
        pass_on(reading, &error);
}

int keyplan_file_parse(struct keyplan *out, const char *file, const char *text, size_t len,
                       const struct ini_text_report *report)
{
    struct reading reading = {.plan = out, .file = file, .report = report};
    struct keyplan_error errors[ERRORS_MAX];
    keyplan_begin(out);
    int unread = ini_text_parse(file, text, len, on_key, &reading, report);
    size_t found = keyplan_finish(out, errors, ERRORS_MAX);
    for (size_t i = 0; i < found && i < ERRORS_MAX; i++)
        pass_on(&reading, &errors[i]);
    return unread + reading.problems;
}

int keyplan_file_load(struct keyplan *out, const char *path, char **text, size_t *len,
                      const struct ini_text_report *report)
{
    int result = ini_text_load(path, text, len);
    if (result == 0)
        return keyplan_file_parse(out, path, *text, *len, report);
    char why[160];
    snprintf(why, sizeof why, "cannot be read: %s; accepted: a key plan file of at most %d bytes",
             strerror(-result), INI_TEXT_BYTES_MAX);
    struct ini_problem problem = {path, 0, "", "", why};
    report->fn(report->ctx, &problem);
    return 1;
}
