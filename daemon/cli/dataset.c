#include "cli/dataset.h"

#include "io/ini_text.h"

#include <stdlib.h>
#include <string.h>

struct dataset_reading {
    const struct cli_verb *verb;
    const char *file;
    struct export_dataset *out;
    int problems;
};

static void tell(struct dataset_reading *reading, int line, const char *section, const char *key,
                 const char *text)
{
    struct ini_problem problem = {reading->file, line, section, key, text};
    char sentence[1024];
    ini_problem_text(&problem, sentence, sizeof sentence);
    cli_fail(reading->verb, "%s", sentence);
    reading->problems++;
}

static void on_problem(void *ctx, const struct ini_problem *problem)
{
    struct dataset_reading *reading = ctx;
    tell(reading, problem->line, problem->section, problem->key, problem->text);
}

struct text_key {
    const char *key;
    size_t offset, size;
};
#define TEXT_KEY(name)                                                                                       \
    {                                                                                                        \
#name, offsetof(struct export_dataset, name), sizeof((struct export_dataset *)NULL)->name            \
    }
static const struct text_key TEXTS[] = {TEXT_KEY(title),
                                        TEXT_KEY(abstract),
                                        TEXT_KEY(institution_code),
                                        TEXT_KEY(collection_code),
                                        TEXT_KEY(dataset_id),
                                        TEXT_KEY(license),
                                        TEXT_KEY(rights_holder),
                                        TEXT_KEY(creator),
                                        TEXT_KEY(organization),
                                        TEXT_KEY(email),
                                        TEXT_KEY(id_prefix),
                                        TEXT_KEY(media_base),
                                        TEXT_KEY(sampling_protocol),
                                        TEXT_KEY(basis)};

static void take_strict(struct dataset_reading *reading, int line, const char *section, const char *value)
{
    if (strcmp(value, "yes") == 0 || strcmp(value, "no") == 0)
        reading->out->strict_names = strcmp(value, "yes") == 0;
    else
        tell(reading, line, section, "strict_names", "takes yes or no");
}

static void on_key(void *ctx, int line, const char *section, const char *key, const char *value)
{
    struct dataset_reading *reading = ctx;
    char *text = (char *)reading->out;
    if (strcmp(section, "dataset") != 0) {
        if (key == NULL)
            tell(reading, line, section, "", "is not known here; accepted: [dataset]");
        return;
    }
    if (key == NULL)
        return;
    if (strcmp(key, "strict_names") == 0) {
        take_strict(reading, line, section, value);
        return;
    }
    for (size_t i = 0; i < sizeof TEXTS / sizeof TEXTS[0]; i++) {
        if (strcmp(TEXTS[i].key, key) != 0)
            continue;
        if (strlen(value) >= TEXTS[i].size)
            tell(reading, line, section, key, "is too long");
        snprintf(text + TEXTS[i].offset, TEXTS[i].size, "%s", value);
        return;
    }
    tell(reading, line, section, key,
         "is not known; accepted: title, abstract, institution_code, collection_code, dataset_id, license, "
         "rights_holder, "
         "creator, organization, email, id_prefix, media_base, sampling_protocol, basis, strict_names");
}

bool dataset_read(const struct cli_verb *verb, const char *path, struct export_dataset *out)
{
    struct dataset_reading reading = {.verb = verb, .file = path, .out = out};
    struct ini_text_report report = {on_problem, &reading};
    char *text;
    size_t len;
    *out = (struct export_dataset){0};
    int error = ini_text_load(path, &text, &len);
    if (error != 0) {
        cli_fail(verb, "%s: cannot be read: %s; it is an INI file with a [dataset] section", path,
                 strerror(-error));
        return false;
    }
    int wrong = ini_text_parse(path, text, len, on_key, &reading, &report);
    free(text);
    return wrong == 0 && reading.problems == 0;
}
