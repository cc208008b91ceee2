#include "cli/ask.h"
#include "cli/show.h"
#include "cli/verbs.h"

#include <string.h>

/* `last` is the newest sighting here: only sightings and samples carry names. */
static json_t *target_ref(struct client *client, const char *given, char *why)
{
    if (strcmp(given, "last") != 0)
        return json_string(given);
    json_t *answer = client_call(client, "sightings", json_pack("{s:i, s:b}", "limit", 1, "newest", 1), why);
    const char *id = show_text(json_array_get(json_object_get(answer, "sightings"), 0), "id");
    json_t *ref = id[0] != '\0' ? json_string(id) : NULL;
    if (answer != NULL && ref == NULL)
        snprintf(why, CLIENT_WHY_SIZE, "there is no sighting yet in this dive");
    json_decref(answer);
    return ref;
}

static json_t *params_of(const struct options *options)
{
    json_t *params = json_object();
    ask_put(params, "name", options->argument[1]);
    ask_put(params, "qualifier", options_value(options, "qualifier"));
    ask_put(params, "rank", options_value(options, "rank"));
    ask_put(params, "name_id", options_value(options, "name-id"));
    ask_put(params, "by", options_value(options, "by"));
    ask_put(params, "why", options_value(options, "why"));
    return params;
}

static int run(const struct cli_verb *verb, int argc, char **argv)
{
    struct options options;
    struct target target;
    char why[CLIENT_WHY_SIZE];
    int wrong = options_read(&options, verb, argc, argv);
    if (wrong != CLI_DONE)
        return wrong == OPTIONS_HELPED ? CLI_DONE : wrong;
    json_t *params = params_of(&options);
    if (strcmp(options.argument[0], "last") == 0) {
        struct client *client = ask_open(&options, &target);
        json_t *ref = client != NULL ? target_ref(client, options.argument[0], why) : NULL;
        client_close(client);
        if (ref == NULL) {
            json_decref(params);
            return client == NULL ? CLI_FAILED : cli_fail(verb, "%s", why);
        }
        json_object_set_new(params, "ref", ref);
    } else {
        ask_put(params, "ref", options.argument[0]);
    }
    return ask_command(&options, "identify", params, "identified");
}

static const struct cli_option OPTIONS[] = {
    {"qualifier", "Q", "open nomenclature: cf., aff., indet., sp., stet., inc. ..."},
    {"rank", "RANK", "species, genus, family ..."},
    {"name-id", "ID", "identifier of the name in a checklist"},
    {"by", "WHO", "who says so"},
    {"why", "TEXT", "on what ground"},
    {0}};

const struct cli_verb verb_identify = {
    .name = "identify",
    .arguments = "REF NAME [options]",
    .summary = "Says what a sighting or sample is; earlier names stay in its history",
    .details = "REF is S31, A4, D007-S031, or `last` for the newest sighting.",
    .examples = "  bellrope identify last Actiniaria --rank order\n"
                "  bellrope identify S31 'Gadus morhua' --qualifier cf. --by 'R. Ode' --why 'fin rays'\n",
    .options = OPTIONS,
    .least = 2,
    .most = 2,
    .needs = CLI_NEEDS_DAEMON,
    .prints = true,
    .run = run,
};
