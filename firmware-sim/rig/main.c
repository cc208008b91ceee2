/* bellrope-rig: the simulated ship, vehicle, recorder and pads. docs/rig.md is the manual. */
#include "compare.h"
#include "live.h"
#include "taped.h"

#include <errno.h>
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static const char USAGE[] =
    "usage: bellrope-rig --script FILE [--dir DIR] [--truth FILE] [--udp HOST:PORT] [--seed N] [--quiet] "
    "[--stay]\n"
    "       bellrope-rig --random N --pads NAME[,NAME] --for TIME [the same options]\n"
    "       bellrope-rig --script FILE --config FILE --tape FILE [--truth FILE] [--hours H]\n"
    "       bellrope-rig --compare DATABASE TRUTH [--json] [--table] [--by-pad]\n"
    "\n"
    "Plays a ship, a vehicle, a recorder and keypads with the real firmware, as the script says.\n"
    "  --script FILE     what to do; docs/rig.md explains it\n"
    "  --dir DIR         where pad-NAME (pseudo-terminals), EEPROMs and the recorder's fifo go; default: .\n"
    "  --truth FILE      what really happened, one JSON object a line\n"
    "  --udp HOST:PORT   where feeds go: ship to PORT, acoustic, vehicle, ctd to the three after it\n"
    "  --seed N          another run of chance than the script's\n"
    "  --random N        N presses at random instants, beside what the script says\n"
    "  --pads NAME,...   on these pads; where no script declares them they get the defaults\n"
    "  --for TIME        spread over so long\n"
    "  --quiet           no lines about what happens\n"
    "  --stay            go on after the script until SIGTERM\n"
    "  --tape FILE       not live: as fast as it goes, against the daemon's engine; every input onto this "
    "tape\n"
    "  --config FILE     the daemon's configuration for it\n"
    "  --hours H         go on with telemetry until so long has passed\n"
    "  --compare         a daemon's record against the truth: lost, doubled, outside their bound\n"
    "  --json, --table, --by-pad   as JSON; with a line a press; with a line a pad\n"
    "Exit: 0 every press kept (the comparison found nothing wrong), 1 not, 2 it could not run.\n";

struct options {
    const char *script, *udp, *seed, *random, *pads, *span;
    struct compare_options compare;
    struct taped_options taped;
    const char *hours;
    struct live_options live;
};

/* Where statements come from. */
struct origin {
    const char *name;
};

static void on_problem(void *ctx, int line, const char *text)
{
    const struct origin *origin = ctx;
    fprintf(stderr, "%s:%d: %s\n", origin->name, line, text);
}

static char *read_file(const char *path, size_t *len)
{
    FILE *file = strcmp(path, "-") == 0 ? stdin : fopen(path, "re");
    char *text = NULL;
    size_t room = 0;
    *len = 0;
    if (!file)
        return NULL;
    for (;;) {
        if (*len == room) {
            room = room ? 2 * room : 65536;
            char *bigger = realloc(text, room);
            if (!bigger)
                break;
            text = bigger;
        }
        size_t n = fread(text + *len, 1, room - *len, file);
        if (n == 0)
            break;
        *len += n;
    }
    if (file != stdin)
        (void)fclose(file);
    return text;
}

/* Statements made of options, read like those of a script. */
static size_t add_statement(struct script *script, const char *option, const char *text)
{
    struct origin origin = {option};
    return script_parse(script, text, strlen(text), on_problem, &origin);
}

static size_t add_random(struct script *script, const struct options *options)
{
    char text[256];
    char list[256];
    size_t problems = 0;
    char *rest = NULL;
    snprintf(list, sizeof list, "%s", options->pads ? options->pads : "");
    for (char *name = strtok_r(list, ",", &rest); name; name = strtok_r(NULL, ",", &rest))
        if (script_pad_find(script, name) < 0) {
            snprintf(text, sizeof text, "pad %s serial %s", name, name);
            problems += add_statement(script, "--pads", text);
        }
    snprintf(text, sizeof text, "at 0.5 random %s pads %s for %s", options->random,
             options->pads ? options->pads : "", options->span ? options->span : "60");
    return problems + add_statement(script, "--random", text);
}

static size_t add_udp(struct script *script, const char *udp)
{
    const char *colon = strrchr(udp, ':');
    long port = colon ? strtol(colon + 1, NULL, 10) : 0;
    if (!colon || port < 1 || port > 65535 - SCRIPT_FEEDS ||
        (size_t)(colon - udp) >= sizeof script->feed[0].host) {
        fprintf(stderr, "--udp: '%s' is no HOST:PORT with room for %d ports\n", udp, SCRIPT_FEEDS);
        return 1;
    }
    for (int i = 0; i < SCRIPT_FEEDS; i++) {
        snprintf(script->feed[i].host, sizeof script->feed[i].host, "%.*s", (int)(colon - udp), udp);
        script->feed[i].port = (uint16_t)(port + i);
    }
    return 0;
}

static size_t add_seed(struct script *script, const char *seed)
{
    char *end = NULL;
    script->seed = strtoull(seed, &end, 0);
    if (end != seed && *end == '\0' && seed[0] != '-')
        return 0;
    fprintf(stderr, "--seed: '%s' is not a whole number\n", seed);
    return 1;
}

static size_t add_hours(struct options *options)
{
    char *end = NULL;
    double hours = strtod(options->hours, &end);
    if (end != options->hours && *end == '\0' && hours >= 0 && hours <= 1000) {
        options->taped.length_ns = (int64_t)(hours * 3.6e12);
        return 0;
    }
    fprintf(stderr, "--hours: '%s' is not a number from 0 to 1000\n", options->hours);
    return 1;
}

static size_t read_script(struct script *script, struct options *options)
{
    size_t problems = 0;
    script_init(script);
    if (options->script) {
        size_t len = 0;
        char *text = read_file(options->script, &len);
        if (!text) {
            fprintf(stderr, "bellrope-rig: %s: %s\n", options->script, strerror(errno));
            return 1;
        }
        struct origin origin = {options->script};
        problems += script_parse(script, text, len, on_problem, &origin);
        free(text);
    }
    if (options->random)
        problems += add_random(script, options);
    if (options->udp)
        problems += add_udp(script, options->udp);
    if (options->seed)
        problems += add_seed(script, options->seed);
    if (options->hours)
        problems += add_hours(options);
    return problems;
}

static bool read_options(int argc, char **argv, struct options *options)
{
    static const struct option names[] = {{"script", required_argument, NULL, 's'},
                                          {"dir", required_argument, NULL, 'd'},
                                          {"truth", required_argument, NULL, 't'},
                                          {"udp", required_argument, NULL, 'u'},
                                          {"seed", required_argument, NULL, 'S'},
                                          {"random", required_argument, NULL, 'r'},
                                          {"pads", required_argument, NULL, 'p'},
                                          {"for", required_argument, NULL, 'f'},
                                          {"quiet", no_argument, NULL, 'q'},
                                          {"stay", no_argument, NULL, 'y'},
                                          {"tape", required_argument, NULL, 'a'},
                                          {"config", required_argument, NULL, 'C'},
                                          {"hours", required_argument, NULL, 'H'},
                                          {"compare", required_argument, NULL, 'c'},
                                          {"json", no_argument, NULL, 'j'},
                                          {"table", no_argument, NULL, 'T'},
                                          {"by-pad", no_argument, NULL, 'b'},
                                          {"help", no_argument, NULL, 'h'},
                                          {NULL, 0, NULL, 0}};
    const char **text[128] = {
        ['s'] = &options->script,     ['d'] = &options->live.folder,  ['t'] = &options->live.truth,
        ['u'] = &options->udp,        ['S'] = &options->seed,         ['r'] = &options->random,
        ['p'] = &options->pads,       ['f'] = &options->span,         ['c'] = &options->compare.database,
        ['a'] = &options->taped.tape, ['C'] = &options->taped.config, ['H'] = &options->hours};
    for (int c = 0; (c = getopt_long(argc, argv, "", names, NULL)) != -1;) {
        if (c == 'q')
            options->live.quiet = true;
        else if (c == 'y')
            options->live.stay = true;
        else if (c == 'j')
            options->compare.json = true;
        else if (c == 'b')
            options->compare.pads = true;
        else if (c == 'T')
            options->compare.table = true;
        else if (c == 'h' || c == '?')
            return false;
        else
            *text[c] = optarg;
    }
    if (options->compare.database) {
        options->compare.truth = optind + 1 == argc ? argv[optind] : NULL;
        return options->compare.truth != NULL;
    }
    if (!options->taped.tape != !options->taped.config)
        return false;
    return optind == argc && (options->script || options->random);
}

static int run(const struct script *script, struct options *options)
{
    if (!options->taped.tape)
        return live_run(script, &options->live);
    options->taped.truth = options->live.truth;
    return taped_run(script, &options->taped);
}

int main(int argc, char **argv)
{
    struct options options = {.live = {.folder = "."}};
    struct script script;
    if (argc == 2 && strcmp(argv[1], "--help") == 0) {
        fputs(USAGE, stdout);
        return 0;
    }
    if (!read_options(argc, argv, &options)) {
        fputs(USAGE, stderr);
        return 2;
    }
    if (options.compare.database)
        return compare_run(&options.compare);
    size_t problems = read_script(&script, &options);
    int result = problems == 0 ? run(&script, &options) : 2;
    script_free(&script);
    return result;
}
