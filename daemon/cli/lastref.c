#include "cli/lastref.h"

#include "cli/rows.h"
#include "cli/show.h"

#include <string.h>

bool lastref_put(const struct options *options, json_t *params)
{
    struct rows_want want = {.kind = ROWJSON_SIGHTINGS, .dive = options_value(options, "dive"), .last = 1};
    const char *given = options->argument[0];
    if (strcmp(given, "last") != 0) {
        json_object_set_new(params, "ref", json_string(given));
        return true;
    }
    json_t *rows = rows_get(options, &want, NULL);
    const char *id = show_text(json_array_get(rows, 0), "id");
    bool found = id[0] != '\0';
    if (found)
        json_object_set_new(params, "ref", json_string(id));
    else if (rows != NULL)
        cli_fail(options->verb, "there is no sighting yet in this dive; name one such as S31");
    json_decref(rows);
    return found;
}
