#include "bellrope/version.h"
#include "cli/options.h"
#include "cli/playback.h"
#include "cli/verbs.h"

#include <inttypes.h>
#include <time.h>

static void print_summary(const struct options *options, const struct playback *done, const char *path,
                          double wall_s)
{
    const struct tape_damage *damage = &done->damage;
    double tape_s = (double)done->taken_ns / 1e9;
    if (options->json) {
        printf("{\"records\":%" PRIu64 ",\"runs\":%" PRIu64 ",\"entries\":%" PRIu64 ",\"markers\":%" PRIu64
               ",\"tape_s\":%.3f,\"took_s\":%.3f,\"damaged_places\":%" PRIu64 ",\"torn_bytes\":%" PRIu64
               ",\"problems\":%" PRIu64 "}\n",
               done->records, done->runs, done->entries, done->markers, tape_s, wall_s, damage->places,
               damage->torn_bytes, done->problems);
        return;
    }
    printf("%" PRIu64 " records of %" PRIu64 " run%s, %.1f s of tape in %.2f s (%.0f times real time)\n",
           done->records, done->runs, done->runs == 1 ? "" : "s", tape_s, wall_s,
           wall_s > 0 ? tape_s / wall_s : 0);
    printf("%" PRIu64 " entries, %" PRIu64 " markers, in %s\n", done->entries, done->markers, path);
    if (damage->places > 0)
        printf("%" PRIu64 " damaged places on the tape, %" PRIu64 " bytes, the first at %" PRId64 "\n",
               damage->places, damage->bytes, damage->first_offset);
    if (damage->torn_bytes > 0)
        printf("the tape ends in the middle of a record (%" PRIu64 " bytes)\n", damage->torn_bytes);
    if (done->problems > 0)
        printf("%" PRIu64 " records made no sense and were passed over\n", done->problems);
}

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static int run(const struct options *options)
{
    struct playback playback;
    const char *path = options_value(options, "o");
    if (path == NULL)
        return cli_misuse(options->verb, "-o DB says which database to make");
    double start_s = now_s();
    int done = playback_run(options->verb, options->argument[0], path, &playback);
    if (done == CLI_DONE && playback.program[0] != '\0')
        fprintf(stderr,
                "%s: recorded by version %s, and this is %s: the record may differ from the live one; "
                "version %s makes the same\n",
                options->argument[0], playback.program, BELLROPE_VERSION, playback.program);
    if (done == CLI_DONE)
        print_summary(options, &playback, path, now_s() - start_s);
    return done;
}

static const struct cli_option OPTIONS[] = {{"o", "DB", "the database to make; must not be there yet"}, {0}};

const struct cli_verb verb_replay = {
    .name = "replay",
    .arguments = "TAPE -o DB",
    .summary = "Runs a tape through the daemon's own engine at full speed and makes its database again",
    .details = "The same tape gives the same record. Damaged places on the tape are skipped and told, and so "
               "is a tape of "
               "another\nversion.",
    .examples = "  bellrope replay dive.tape -o again.db\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .prints = true,
    .run = run,
};
