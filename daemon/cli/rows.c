#include "cli/rows.h"

#include "cli/client.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PAGE 2000

static const char *const METHOD[] = {"markers", "sightings", "spans", "samples", "dives"};

/* -- from the daemon, a page after the other -- */

static json_t *page_params(const struct rows_want *want, json_int_t after)
{
    json_t *params = json_object();
    if (want->kind == ROWJSON_DIVES) {
        json_object_set_new(params, "limit", json_integer(10000));
        return params;
    }
    if (want->dive != NULL)
        json_object_set_new(params, "dive", json_string(want->dive));
    json_object_set_new(params, "after", json_integer(after));
    json_object_set_new(params, "limit",
                        json_integer(want->last > 0 && want->last < PAGE ? want->last : PAGE));
    if (want->last > 0 && want->last < PAGE)
        json_object_set_new(params, "newest", json_true());
    return params;
}

static json_t *from_daemon(struct client *client, const struct rows_want *want, char dive[DIVE_ID_SIZE],
                           char *why)
{
    json_t *rows = json_array();
    json_int_t after = 0;
    bool more = true;
    while (more) {
        json_t *answer = client_call(client, METHOD[want->kind], page_params(want, after), why);
        if (answer == NULL) {
            json_decref(rows);
            return NULL;
        }
        const char *id = json_string_value(json_object_get(answer, "dive"));
        if (dive != NULL)
            snprintf(dive, DIVE_ID_SIZE, "%s", id != NULL ? id : "");
        json_t *page = json_object_get(answer, METHOD[want->kind]);
        json_array_extend(rows, page);
        const json_t *last = json_array_get(page, json_array_size(page) - 1);
        after = json_integer_value(json_object_get(last, "number"));
        more = json_is_true(json_object_get(answer, "more")) && last != NULL && want->kind != ROWJSON_DIVES &&
               (want->last == 0 || want->last >= PAGE);
        json_decref(answer);
    }
    return rows;
}

/* -- from the database -- */

static json_t *from_database(const char *path, const struct rows_want *want, char dive[DIVE_ID_SIZE],
                             char *why)
{
    struct store_reader *reader;
    struct store_error error;
    if (store_reader_open(&reader, path, &error) != STORE_OK) {
        snprintf(why, CLIENT_WHY_SIZE, "%s", error.text);
        return NULL;
    }
    struct rowjson_query query = {
        .kind = want->kind, .dive = want->dive, .limit = want->last, .newest = want->last > 0};
    char *text = rowjson_answer(reader, &query, why, CLIENT_WHY_SIZE);
    store_reader_close(reader);
    if (text == NULL)
        return NULL;
    json_error_t wrong;
    json_t *answer = json_loads(text, 0, &wrong);
    free(text);
    json_t *rows = json_incref(json_object_get(answer, METHOD[want->kind]));
    const char *id = json_string_value(json_object_get(answer, "dive"));
    if (dive != NULL)
        snprintf(dive, DIVE_ID_SIZE, "%s", id != NULL ? id : "");
    json_decref(answer);
    if (rows == NULL)
        snprintf(why, CLIENT_WHY_SIZE, "%s: the answer does not read: %s", path, wrong.text);
    return rows;
}

/* More than were asked for are cut off at the front: the newest are wanted. */
static json_t *cut(json_t *rows, int64_t last)
{
    while (rows != NULL && last > 0 && json_array_size(rows) > (size_t)last)
        json_array_remove(rows, 0);
    return rows;
}

json_t *rows_get(const struct options *options, const struct rows_want *want, char dive[DIVE_ID_SIZE])
{
    struct target target;
    char why[CLIENT_WHY_SIZE] = "";
    if (target_find(options, &target) != CLI_DONE)
        return NULL;
    json_t *rows = NULL;
    struct client *client = target.db_only ? NULL : client_open(&target, why);
    if (client != NULL) {
        rows = from_daemon(client, want, dive, why);
        client_close(client);
    } else if (target.db[0] != '\0' && access(target.db, F_OK) == 0) {
        if (!target.db_only)
            fprintf(stderr, "no daemon answers; this is what %s has\n", target.db);
        rows = from_database(target.db, want, dive, why);
    } else if (target.db_only) {
        snprintf(why, sizeof why, "%.500s: there is no such database; check the name", target.db);
    }
    if (rows == NULL)
        cli_fail(options->verb, "%s", why);
    return cut(rows, want->last);
}

bool rows_want_read(const struct options *options, struct rows_want *want)
{
    long long last = 0;
    if (!options_int(options, "last", 1, 1000000000, &last))
        return false;
    want->last = last;
    want->dive = options_value(options, "dive");
    return true;
}
