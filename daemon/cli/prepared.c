#include "cli/prepared.h"

#include "core/entry.h"
#include "io/ini_text.h"

#include <stdlib.h>
#include <string.h>

struct prepared {
    const char *path;
    json_t *dive, *seats;
    int problems;
};

static void print_problem(void *ctx, const struct ini_problem *problem)
{
    char text[512];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    fprintf(stderr, "%s\n", text);
}

static const struct ini_text_report REPORT = {print_problem, NULL};

static void wrong(struct prepared *prepared, int line, const char *section, const char *key, const char *text)
{
    struct ini_problem problem = {prepared->path, line, section, key, text};
    prepared->problems++;
    print_problem(NULL, &problem);
}

static void take_dive(struct prepared *prepared, int line, const char *key, const char *value)
{
    static const char *const texts[] = {"id", "vehicle", "ship", "site"};
    if (json_object_get(prepared->dive, key) != NULL) {
        wrong(prepared, line, "dive", key, "given twice");
        return;
    }
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        if (strcmp(key, texts[i]) != 0)
            continue;
        if (value[0] == '\0' || strlen(value) >= (i == 0 ? DIVE_ID_SIZE : LABEL_SIZE))
            wrong(prepared, line, "dive", key,
                  "is empty or too long; accepted: 1 to 31 bytes for an id, 1 to 47 else");
        else
            json_object_set_new(prepared->dive, key, json_string(value));
        return;
    }
    char *end;
    double minutes = strtod(value, &end);
    if (strcmp(key, "planned_bottom_min") != 0)
        wrong(prepared, line, "dive", key,
              "no such key; accepted in [dive]: id, vehicle, ship, site, planned_bottom_min");
    else if (end == value || *end != '\0' || !(minutes >= 1 && minutes <= 10080))
        wrong(prepared, line, "dive", key, "is no such time; accepted: minutes from 1 to 10080");
    else
        json_object_set_new(prepared->dive, key, json_real(minutes));
}

static void take_seat(struct prepared *prepared, int line, const char *key, const char *value)
{
    if (strlen(key) >= SEAT_SIZE || strlen(value) >= WHO_SIZE)
        wrong(prepared, line, "seats", key,
              "is too long; accepted: a seat of up to 15 bytes, a name of up to 47");
    else
        json_array_append_new(prepared->seats, json_pack("{s:s, s:s}", "seat", key, "who", value));
}

static void on_line(void *ctx, int line, const char *section, const char *key, const char *value)
{
    struct prepared *prepared = ctx;
    bool dive = strcmp(section, "dive") == 0, seats = strcmp(section, "seats") == 0;
    if (key == NULL && !dive && !seats)
        wrong(prepared, line, section, "", "no such section; accepted: [dive], [seats]");
    else if (key != NULL && dive)
        take_dive(prepared, line, key, value);
    else if (key != NULL && seats)
        take_seat(prepared, line, key, value);
}

int prepared_read(const struct cli_verb *verb, const char *path, json_t *dive, json_t *seats)
{
    struct prepared prepared = {.path = path, .dive = dive, .seats = seats};
    char *text = NULL;
    size_t len = 0;
    int failure = ini_text_load(path, &text, &len);
    if (failure != 0)
        return cli_fail(verb, "%s cannot be read: %s", path, strerror(-failure));
    prepared.problems += ini_text_parse(path, text, len, on_line, &prepared, &REPORT);
    free(text);
    if (prepared.problems > 0)
        return cli_fail(verb, "%s: %d problem%s; see above. Nothing was begun", path, prepared.problems,
                        prepared.problems == 1 ? "" : "s");
    return CLI_DONE;
}
