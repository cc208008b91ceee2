#include "cli/ask.h"
#include "cli/verbs.h"

static int run(const struct options *options)
{
    const char *who = options_value(options, "who");
    if (who == NULL)
        return cli_misuse(options->verb, "--who says who sits there; --who '' says that nobody does");
    json_t *params = json_object();
    ask_put(params, "seat", options->argument[0]);
    ask_put(params, "who", who);
    return ask_command(options, "seat", params, who[0] != '\0' ? "on watch at" : "nobody at");
}

static const struct cli_option OPTIONS[] = {{"who", "NAME", "who is on watch there; '' for nobody"}, {0}};

const struct cli_verb verb_seat = {
    .name = "seat",
    .arguments = "SEAT --who NAME",
    .summary = "Says who is on watch at a seat; markers from there carry the name",
    .examples = "  bellrope seat science --who 'R. Ode'\n"
                "  bellrope seat nav --who ''\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .needs = CLI_NEEDS_DAEMON,
    .prints = true,
    .run = run,
};
