#include "cli/ask.h"
#include "cli/verbs.h"

#include "io/utctext.h"

static int run(const struct options *options)
{
    utc_ns utc;
    const char *at = options_value(options, "at");
    if (at == NULL || !utctext_parse(at, &utc))
        return cli_misuse(options->verb, "--at UTC says when it was, such as 2031-03-04T05:06:07.089Z");
    json_t *params = json_object();
    ask_put(params, "ref", options->argument[0]);
    ask_put(params, "at_utc", at);
    ask_put(params, "why", options_value(options, "why"));
    ask_put(params, "by", options_value(options, "by"));
    return ask_command(options, "retime", params, "retimed");
}

static const struct cli_option OPTIONS[] = {
    {"at", "UTC", "when it was"},
    {"why", "TEXT", "the reason"},
    {"by", "WHO", "who says so"},
    {"dive", "ID", "that dive, ended perhaps; without it the open one, else the latest"},
    {0}};

const struct cli_verb verb_retime = {
    .name = "retime",
    .arguments = "REF --at UTC [options]",
    .summary = "Gives a marker another instant; the time of its press stays beside it",
    .details =
        "REF is M112, D007-M0112, or `last` for the newest marker. The dive is put in order again; who says\n"
        "so and why stand in a remark. `bellrope log REF` shows both times.",
    .examples = "  bellrope retime M112 --at 2031-03-04T05:06:07Z --why 'seen on the video' --by 'R. Ode'\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
