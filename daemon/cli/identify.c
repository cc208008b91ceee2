#include "cli/ask.h"
#include "cli/lastref.h"
#include "cli/verbs.h"

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

static int run(const struct options *options)
{
    json_t *params = params_of(options);
    if (!lastref_put(options, params)) {
        json_decref(params);
        return CLI_FAILED;
    }
    return ask_command(options, "identify", params, "identified");
}

static const struct cli_option OPTIONS[] = {
    {"qualifier", "Q", "open nomenclature: cf., aff., indet., sp., stet., inc. ..."},
    {"rank", "RANK", "species, genus, family ..."},
    {"name-id", "ID", "identifier of the name in a checklist"},
    {"by", "WHO", "who says so"},
    {"why", "TEXT", "on what ground"},
    {"dive", "ID", "that dive, ended perhaps; without it the open one, else the latest"},
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
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
