#include "cli/ask.h"
#include "cli/verbs.h"

static int run(const struct options *options)
{
    json_t *params = json_object();
    ask_put(params, "key", options->argument[0]);
    ask_put(params, "seat", options_value(options, "seat"));
    ask_put(params, "note", options_value(options, "note"));
    ask_put(params, "target", options_value(options, "target"));
    ask_put(params, "by", options_value(options, "by"));
    int wrong = ask_put_instant(options, params);
    if (wrong != CLI_DONE) {
        json_decref(params);
        return wrong;
    }
    return ask_command(options, "press", params, "kept");
}

static const struct cli_option OPTIONS[] = {
    {"seat", "SEAT", "whose key plan the key is in; without it the first that has it"},
    {"note", "TEXT", "a note on the marker"},
    {"target", "REF", "the earlier sighting that an `again` key returns to"},
    {"ago", "TIME", "the moment was that long ago: 20s, 2m30s"},
    {"at", "WHEN", "the moment was at this UTC or timecode"},
    {"by", "WHO", "who enters it"},
    {"dive", "ID", "that dive, ended perhaps; without it the open one, else the latest"},
    {0}};

const struct cli_verb verb_press = {
    .name = "press",
    .arguments = "KEY [options]",
    .summary = "Presses a soft key: the same path as a key on a pad",
    .details = "The moment is when the command reaches the daemon. With --ago or --at it is a late entry, "
               "and says so\n"
               "for ever: it is never mistaken for a key-down. Answers when the marker is on disk.",
    .examples = "  bellrope press A1\n"
                "  bellrope press A1 --seat science --note 'two, small'\n"
                "  bellrope press B2 --ago 20s\n"
                "  bellrope press B2 --at 05:06:07:02\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
