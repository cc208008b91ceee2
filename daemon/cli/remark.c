#include "cli/ask.h"
#include "cli/verbs.h"

static int run(const struct options *options)
{
    json_t *params = json_object();
    ask_put(params, "ref", options->argument[0]);
    ask_put(params, "text", options->argument[1]);
    ask_put(params, "by", options_value(options, "by"));
    return ask_command(options, "remark", params, "remarked on");
}

static const struct cli_option OPTIONS[] = {
    {"by", "WHO", "who says so"},
    {"dive", "ID", "that dive, ended perhaps; without it the open one, else the latest"},
    {0}};

const struct cli_verb verb_remark = {
    .name = "remark",
    .arguments = "REF TEXT [options]",
    .summary = "Adds a remark to a record",
    .details = "REF is M112, S31, A4, T2, D007-M0112, or `last` for the newest marker.",
    .examples = "  bellrope remark last 'was closer than it looks'\n"
                "  bellrope remark S31 'same animal as S28' --by 'R. Ode'\n",
    .options = OPTIONS,
    .least = 2,
    .most = 2,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
