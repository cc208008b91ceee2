#include "cli/ask.h"

#include "cli/offline.h"
#include "io/utctext.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct client *ask_open(const struct options *options, struct target *target)
{
    char why[CLIENT_WHY_SIZE];
    if (target_find(options, target) != CLI_DONE)
        return NULL;
    struct client *client = client_open(target, why);
    if (client == NULL)
        cli_fail(options->verb, "%s", why);
    return client;
}

void ask_print_json(const json_t *json)
{
    char *text = json_dumps(json, JSON_COMPACT | JSON_ENCODE_ANY | JSON_REAL_PRECISION(15));
    if (text != NULL)
        puts(text);
    free(text);
}

static void print_done(const struct options *options, const json_t *result, const char *word)
{
    const char *ref = json_string_value(json_object_get(result, "ref"));
    const char *note = json_string_value(json_object_get(result, "note"));
    const json_t *seq = json_object_get(result, "seq");
    if (options->json) {
        ask_print_json(result);
        return;
    }
    printf("%s%s%s", word, ref != NULL ? " " : "", ref != NULL ? ref : "");
    if (json_is_integer(seq))
        printf(" (seq %" JSON_INTEGER_FORMAT ")", json_integer_value(seq));
    printf("%s%s\n", note != NULL ? ": " : "", note != NULL ? note : "");
}

/* Said on board or not at all: when a dive begins and ends, and who is on watch from now on. */
static bool is_at_sea(const char *method)
{
    return strncmp(method, "dive.", 5) == 0 || strcmp(method, "seat") == 0;
}

json_t *ask_call(const struct options *options, const struct target *target, const char *method,
                 json_t *params, char why[CLIENT_WHY_SIZE])
{
    if (target->db_only && !is_at_sea(method))
        return offline_call(target, method, params, why);
    struct client *client = NULL;
    if (target->db_only)
        snprintf(why, CLIENT_WHY_SIZE, "this needs a daemon; leave --db out");
    else
        client = client_open(target, why);
    if (client != NULL) {
        json_t *result = client_call(client, method, params, why);
        client_close(client);
        return result;
    }
    if (is_at_sea(method) || options->verb->needs != CLI_NEEDS_RECORD || target->db[0] == '\0' ||
        access(target->db, F_OK) != 0) {
        json_decref(params);
        return NULL;
    }
    json_t *result = offline_call(target, method, params, why);
    if (result != NULL)
        fprintf(stderr, "no daemon answers; entered into %s itself\n", target->db);
    return result;
}

int ask_command(const struct options *options, const char *method, json_t *params, const char *word)
{
    struct target target;
    char why[CLIENT_WHY_SIZE];
    ask_put(params, "dive", options_value(options, "dive"));
    if (target_find(options, &target) != CLI_DONE) {
        json_decref(params);
        return CLI_FAILED;
    }
    json_t *result = ask_call(options, &target, method, params, why);
    if (result == NULL)
        return cli_fail(options->verb, "%s", why);
    print_done(options, result, word);
    json_decref(result);
    return CLI_DONE;
}

void ask_put(json_t *params, const char *name, const char *value)
{
    if (value != NULL)
        json_object_set_new(params, name, json_string(value));
}

int ask_put_instant(const struct options *options, json_t *params)
{
    const char *ago = options_value(options, "ago"), *at = options_value(options, "at");
    long long ago_ns;
    utc_ns utc;
    if (ago != NULL && at != NULL)
        return cli_misuse(options->verb, "--ago and --at exclude each other");
    if (ago != NULL) {
        if (!options_duration(ago, &ago_ns))
            return cli_misuse(options->verb, "--ago '%s': give a time such as 20s, 2m30s or 1h", ago);
        json_object_set_new(params, "ago_s", json_real((double)ago_ns / 1e9));
    }
    if (at != NULL && utctext_parse(at, &utc))
        ask_put(params, "at_utc", at);
    else if (at != NULL && strlen(at) <= 11)
        ask_put(params, "at_timecode", at);
    else if (at != NULL)
        return cli_misuse(
            options->verb,
            "--at '%s': give a UTC such as 2031-03-04T05:06:07.089Z or a timecode such as 05:06:07:02", at);
    return CLI_DONE;
}
