#include "cli/ask.h"
#include "cli/show.h"
#include "cli/verbs.h"

#include <string.h>

/* "-" beside a well line, "!" beside a sick one: the meaning does not hang on the colour. */
static void print_line(const json_t *line, bool colours)
{
    bool sick = json_is_true(json_object_get(line, "sick"));
    printf("%s%s %-16s %s%s\n", sick && colours ? "\033[1;31m" : "", sick ? "!" : "-",
           show_text(line, "what"), show_text(line, "text"), sick && colours ? "\033[0m" : "");
}

static int run(const struct options *options)
{
    struct target target;
    char why[CLIENT_WHY_SIZE];
    struct client *client = ask_open(options, &target);
    if (client == NULL)
        return CLI_FAILED;
    json_t *result = client_call(client, "status", NULL, why);
    client_close(client);
    if (result == NULL)
        return cli_fail(options->verb, "%s", why);
    if (options->json) {
        ask_print_json(result);
    } else {
        const json_t *line;
        size_t i;
        json_array_foreach(json_object_get(result, "lines"), i, line) print_line(line, cli_colours(stdout));
    }
    json_decref(result);
    return CLI_DONE;
}

const struct cli_verb verb_status = {
    .name = "status",
    .arguments = "",
    .summary = "Shows clocks, pads, feeds, timecode, disk and dive, one line each, the sick ones first",
    .details = "A line that begins with ! needs somebody's attention.",
    .examples = "  bellrope status\n"
                "  bellrope status --json | jq '.lines[] | select(.sick)'\n",
    .needs = CLI_NEEDS_DAEMON,
    .prints = true,
    .run = run,
};
