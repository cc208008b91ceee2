#include "cli/ask.h"
#include "cli/verbs.h"

static int run(const struct options *options)
{
    const char *frame = options_value(options, "frame");
    json_t *params = json_object();
    ask_put(params, "pad", options_value(options, "pad"));
    ask_put(params, "frame", frame);
    return ask_command(options, "clap", params, frame != NULL ? "measured at" : "lamp lit");
}

static const struct cli_option OPTIONS[] = {
    {"pad", "NAME", "whose lamp flashes; without it the first pad that is linked"},
    {"frame", "TIMECODE", "the first recorded frame that shows the lamp lit"},
    {0}};

const struct cli_verb verb_clap = {
    .name = "clap",
    .arguments = "[options]",
    .summary = "Measures how far recorded timecode is from the timecode heard, as a clapper does",
    .details = "First `bellrope clap` with a pad's lamp in view of the camera: it flashes. Then read the "
               "timecode of the first\n"
               "recorded frame that shows it lit, and give it with --frame.",
    .examples = "  bellrope clap\n"
                "  bellrope clap --frame 05:06:07:02\n",
    .options = OPTIONS,
    .needs = CLI_NEEDS_DAEMON,
    .prints = true,
    .run = run,
};
