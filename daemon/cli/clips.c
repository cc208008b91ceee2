#include "export/clips.h"

#include "cli/progress.h"
#include "cli/table.h"
#include "cli/target.h"
#include "cli/verbs.h"

#include <string.h>

static void on_progress(void *ctx, const struct clips_progress *now)
{
    progress_show(ctx, now->done, now->total, now->skipped, now->what);
}

static const char *text_of(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text != NULL ? text : "";
}

static long long int_of(const json_t *object, const char *name)
{
    return (long long)json_integer_value(json_object_get(object, name));
}

static const struct table_column COLUMNS[] = {{.title = "clip", .shrinks = true},
                                              {.title = "shows", .shrinks = true},
                                              {.title = "from"},
                                              {.title = "frames", .right = true},
                                              {.title = "cut"},
                                              {.title = "earlier", .right = true},
                                              {.title = "later", .right = true},
                                              {.title = "why encoded", .shrinks = true, .spare = true}};

static void print_clips(const json_t *clips)
{
    struct table *table = table_new(COLUMNS, sizeof COLUMNS / sizeof COLUMNS[0]);
    size_t i;
    json_t *clip;
    if (table == NULL)
        return;
    json_array_foreach(clips, i, clip)
    {
        const char *file = text_of(clip, "file"), *slash = strrchr(file, '/');
        const char *label = text_of(clip, "timecode");
        table_cell(table, slash != NULL ? slash + 1 : file);
        table_cell(table, text_of(clip, "title"));
        table_cell(table, label[0] != '\0' ? label : text_of(clip, "utc"));
        table_cellf(table, "%lld", int_of(clip, "frames"));
        table_cell(table, text_of(clip, "method"));
        table_cellf(table, "%lld", int_of(clip, "extra_before"));
        table_cellf(table, "%lld", int_of(clip, "extra_after"));
        table_cell(table, text_of(clip, "why_encoded"));
    }
    table_print(table, TABLE_WIDTH, stdout);
    table_free(table);
}

/* "earlier" and "later" of the table, added up. */
static void print_cost(const json_t *clips)
{
    long long copies = 0, extra = 0, wanted = 0;
    size_t i;
    json_t *clip;
    json_array_foreach(clips, i, clip)
    {
        if (strcmp(text_of(clip, "method"), "copy") != 0)
            continue;
        copies++;
        extra += int_of(clip, "extra_before") + int_of(clip, "extra_after");
        wanted += int_of(clip, "wanted_frames");
    }
    if (copies > 0)
        printf("Copied without encoding: %lld. Key frames cost %lld frames more than the %lld wanted; "
               "--exact has "
               "none more.\n",
               copies, extra, wanted);
}

static void print_rest(const json_t *index, const char *folder)
{
    size_t i;
    json_t *entry;
    json_array_foreach(json_object_get(index, "videos"), i, entry)
    {
        const char *label = text_of(entry, "timecode");
        printf("%s from %s, %lld frames at %s, placed by %s\n", text_of(entry, "file"),
               label[0] != '\0' ? label : text_of(entry, "utc"), int_of(entry, "frames"),
               text_of(entry, "rate"), text_of(entry, "placed_by"));
        if (text_of(entry, "note")[0] != '\0')
            printf("  %s\n", text_of(entry, "note"));
    }
    json_array_foreach(json_object_get(index, "gaps"), i, entry)
    {
        const char *sighting = text_of(entry, "sighting");
        printf("No video shows %s from %s to %s (%.1f s)\n", sighting[0] != '\0' ? sighting : "the dive",
               text_of(entry, "from_utc"), text_of(entry, "to_utc"),
               json_real_value(json_object_get(entry, "seconds")));
    }
    printf("%zu clips and %zu stills in %s/; index.html shows them\n",
           json_array_size(json_object_get(index, "clips")),
           json_array_size(json_object_get(index, "stills")), folder);
}

static int say_failures(const struct cli_verb *verb, const json_t *index)
{
    static const char *const lists[] = {"left_out", "failed"};
    int result = CLI_DONE;
    for (size_t list = 0; list < 2; list++) {
        size_t i;
        json_t *entry;
        json_array_foreach(json_object_get(index, lists[list]), i, entry)
        {
            result = cli_fail(verb, "%s: %s", text_of(entry, "file"), text_of(entry, "why"));
        }
    }
    return result;
}

static int make(const struct options *options, const struct clips_options *how)
{
    struct store_reader *reader;
    struct progress progress;
    char why[CLIPS_WHY_SIZE];
    if (target_reader(options, &reader) != CLI_DONE)
        return CLI_FAILED;
    struct clips_options watched = *how;
    progress_begin(&progress);
    watched.on_progress = on_progress;
    watched.ctx = &progress;
    json_t *index = clips_make(reader, options->argument, options->argument_count, &watched, why);
    progress_end(&progress);
    store_reader_close(reader);
    if (index == NULL)
        return cli_fail(options->verb, "%s", why);
    if (options->json) {
        json_dumpf(index, stdout, JSON_COMPACT | JSON_REAL_PRECISION(9));
        fputc('\n', stdout);
    } else {
        print_clips(json_object_get(index, "clips"));
        print_cost(json_object_get(index, "clips"));
        print_rest(index, how->folder);
    }
    int result = say_failures(options->verb, index);
    json_decref(index);
    return result;
}

static bool duration(const struct options *options, const char *name, int64_t *out)
{
    const char *text = options_value(options, name);
    long long ns;
    if (text == NULL)
        return true;
    if (!options_duration(text, &ns) || ns < 0 || ns > INT64_C(3600) * 1000000000) {
        cli_misuse(options->verb, "--%s takes seconds up to an hour, such as 5 or 2.5, not '%s'", name, text);
        return false;
    }
    *out = ns;
    return true;
}

static int run(const struct options *options)
{
    struct clips_options how = {.folder = options_value(options, "o"),
                                .dive = options_value(options, "dive"),
                                .video_start = options_value(options, "video-start"),
                                .burn_in = options_flag(options, "burn-in"),
                                .lead_ns = -1,
                                .tail_ns = CLIPS_TAIL_NS};
    how.exact = how.burn_in || options_flag(options, "exact");
    if (how.folder == NULL)
        return cli_misuse(options->verb, "-o DIR says where to put the clips");
    if (how.video_start != NULL && options->argument_count > 1)
        return cli_misuse(options->verb,
                          "--video-start speaks of one video; cut the others in a run of their own");
    if (!duration(options, "lead-s", &how.lead_ns) || !duration(options, "tail-s", &how.tail_ns))
        return CLI_USAGE;
    return make(options, &how);
}

static const struct cli_option OPTIONS[] = {
    {"o", "DIR", "the folder to make; a finished part of it is kept when run again"},
    {"dive", "ID", "that dive; without it the open one, else the latest"},
    {"exact", NULL, "encode again, so that each clip has its own frames and no more"},
    {"burn-in", NULL, "exact, with UTC, depth, heading, temperature and sighting in the picture"},
    {"lead-s", "S", "begin so long before the first press; default the key's own lead, else 5 s"},
    {"tail-s", "S", "go on so long after the sighting's end; default 5 s"},
    {"video-start", "TC", "what the video's first frame has, where its file says nothing or wrong"},
    {0}};

const struct cli_verb verb_clips = {
    .name = "clips",
    .arguments = "VIDEO... -o DIR [options]",
    .summary = "Cuts sightings and good views out of video files, with stills, captions and a page",
    .details =
        "Videos are matched by their start timecode, or, where a file has none, by its creation time. They "
        "are "
        "only read.\nNeeds ffmpeg. Interrupted work goes on where it was when the command is given again.",
    .examples = "  bellrope clips CAM1/*.MOV CAM2/*.MXF --dive D007 -o D007-clips\n"
                "  bellrope clips dive.mp4 --exact --lead-s 8 --tail-s 3 -o clips\n"
                "  bellrope clips dive.mp4 --burn-in -o shown\n",
    .options = OPTIONS,
    .least = 1,
    .most = OPTIONS_ARGUMENTS_MAX,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
