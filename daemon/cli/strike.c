#include "cli/ask.h"
#include "cli/verbs.h"

static int run(const struct options *options)
{
    bool undo = options_flag(options, "undo");
    json_t *params = json_object();
    ask_put(params, "ref", options->argument[0]);
    ask_put(params, "why", options_value(options, "why"));
    ask_put(params, "by", options_value(options, "by"));
    if (undo)
        json_object_set_new(params, "undo", json_true());
    return ask_command(options, "strike", params, undo ? "restored" : "struck");
}

static const struct cli_option OPTIONS[] = {
    {"why", "TEXT", "the reason"},
    {"by", "WHO", "who says so"},
    {"undo", NULL, "it was no slip after all: the record stands again"},
    {"dive", "ID", "that dive, ended perhaps; without it the open one, else the latest"},
    {0}};

const struct cli_verb verb_strike = {
    .name = "strike",
    .arguments = "REF [options]",
    .summary = "Strikes a record that was a slip; nothing is ever deleted",
    .details = "REF is M112, S31, A4, T2, D007-M0112, or `last` for the newest marker. What hung on the "
               "record is put in\n"
               "order again. A struck record is exported as struck, never as valid.",
    .examples = "  bellrope strike last\n"
                "  bellrope strike M112 --why 'wrong key'\n"
                "  bellrope strike M112 --undo\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
