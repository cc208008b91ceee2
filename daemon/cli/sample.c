#include "cli/ask.h"
#include "cli/verbs.h"

static int run(const struct options *options)
{
    if (options_value(options, "container") == NULL)
        return cli_misuse(options->verb, "--container says what the sample went into; it is needed");
    json_t *params = json_object();
    ask_put(params, "container", options_value(options, "container"));
    ask_put(params, "note", options_value(options, "note"));
    ask_put(params, "seat", options_value(options, "seat"));
    ask_put(params, "by", options_value(options, "by"));
    int wrong = ask_put_instant(options, params);
    if (wrong != CLI_DONE) {
        json_decref(params);
        return wrong;
    }
    return ask_command(options, "sample", params, "kept");
}

static const struct cli_option OPTIONS[] = {
    {"container", "NAME", "what it went into"},
    {"note", "TEXT", "a note on the sample"},
    {"seat", "SEAT", "who takes it; without it the navigator's"},
    {"ago", "TIME", "taken that long ago: 20s, 2m30s"},
    {"at", "WHEN", "taken at this UTC or timecode"},
    {"by", "WHO", "who enters it"},
    {"dive", "ID", "that dive, ended perhaps; without it the open one, else the latest"},
    {0}};

const struct cli_verb verb_sample = {
    .name = "sample",
    .arguments = "--container NAME [options]",
    .summary = "Takes a sample now, with a number, a place and a container",
    .details = "A container that is full refuses; the answer says so, and the marker stays.",
    .examples = "  bellrope sample --container 'box 3'\n"
                "  bellrope sample --container core-2 --note 'top 10 cm lost'\n",
    .options = OPTIONS,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
