#include "export/export.h"

#include "cli/dataset.h"
#include "cli/target.h"
#include "cli/verbs.h"
#include "io/utctext.h"

#include <string.h>

#define REEL_MOST 8 /* that many columns has a cut list for it */

static int misuse_format(const struct cli_verb *verb, const char *name)
{
    char known[256] = "";
    const struct export_format *format;
    for (size_t i = 0; (format = export_format_at(i)) != NULL; i++) {
        size_t len = strlen(known);
        snprintf(known + len, sizeof known - len, " %s", format->name);
    }
    return cli_misuse(verb, "'%s' is no format; there are:%s", name, known);
}

/* An option that a format has no use for is refused: passed over, it would not be missed until the file is looked at. */
static int check_fit(const struct options *options, const char *format)
{
    static const struct {
        const char *option, *formats;
    } fits[] = {{"table", " csv "},  {"as", " overlay "},
                {"reel", " edl "},   {"dataset", " dwca "},
                {"media", " dwca "}, {"video-start", " webvtt srt overlay chapters matroska-chapters "}};
    char name[64];
    snprintf(name, sizeof name, " %s ", format);
    for (size_t i = 0; i < sizeof fits / sizeof fits[0]; i++)
        if (options_flag(options, fits[i].option) && strstr(fits[i].formats, name) == NULL)
            return cli_misuse(options->verb, "--%s says nothing to %s; it goes with%.*s", fits[i].option,
                              format, (int)strlen(fits[i].formats) - 1, fits[i].formats);
    const char *reel = options_value(options, "reel");
    if (reel != NULL && (reel[0] == '\0' || strlen(reel) > REEL_MOST))
        return cli_misuse(options->verb, "--reel takes 1 to %d characters, not '%s'", REEL_MOST, reel);
    return CLI_DONE;
}

static int write_it(const struct options *options, const struct export_format *format,
                    const struct export_options *how)
{
    struct store_reader *reader;
    char why[EXPORT_WHY_SIZE];
    if (target_reader(options, &reader) != CLI_DONE)
        return CLI_FAILED;
    int result = export_write(format, reader, how, options_value(options, "o"), why);
    store_reader_close(reader);
    return result == 0 ? CLI_DONE : cli_fail(options->verb, "%s", why);
}

static int run(const struct options *options)
{
    const char *start = options_value(options, "video-start");
    const char *as = options_value(options, "as");
    const char *file = options_value(options, "dataset");
    struct export_dataset dataset = {0};
    struct export_options how = {.dive = options_value(options, "dive"),
                                 .table = options_value(options, "table"),
                                 .reel = options_value(options, "reel"),
                                 .media_index = options_value(options, "media"),
                                 .dataset = file != NULL ? &dataset : NULL};
    const struct export_format *format = export_format_find(options->argument[0]);
    if (format == NULL)
        return misuse_format(options->verb, options->argument[0]);
    int done = check_fit(options, format->name);
    if (done != CLI_DONE)
        return done;
    if (options_value(options, "o") == NULL)
        return cli_misuse(options->verb, "-o PATH says where to write; - is standard output");
    if (as != NULL && strcmp(as, "srt") != 0 && strcmp(as, "webvtt") != 0)
        return cli_misuse(options->verb, "--as takes srt or webvtt, not '%s'", as);
    how.as_srt = as != NULL && strcmp(as, "srt") == 0;
    how.has_video_utc = start != NULL && utctext_parse(start, &how.video_utc);
    if (start != NULL && !how.has_video_utc)
        how.video_timecode = start;
    if (!cli_may_replace(options->verb, options_value(options, "o")) ||
        (file != NULL && !dataset_read(options->verb, file, &dataset)))
        return CLI_FAILED;
    return write_it(options, format, &how);
}

static const struct cli_option OPTIONS[] = {
    {"o", "PATH", "where to write; - is standard output"},
    {"dive", "ID", "that dive; without it the open one, else the latest"},
    {"table", "NAME", "csv: markers (default), sightings, spans or samples"},
    {"video-start", "UTC|TC",
     "captions and chapters: what the video's first frame has; default the dive's begin"},
    {"as", "STYLE", "overlay: webvtt (default) or srt"},
    {"reel", "NAME", "edl: the source's name, up to 8 characters; default AX"},
    {"dataset", "FILE", "dwca: title, licence, institution ... from the [dataset] section of an INI file"},
    {"media", "FILE", "dwca: the index.json of the clips, for associatedMedia"},
    {0}};

const struct cli_verb verb_export = {
    .name = "export",
    .arguments = "FORMAT -o PATH [options]",
    .summary = "Writes a dive in an open format, whole or not at all",
    .details = "Reads the database itself; a daemon may be writing to it. Struck records are marked as "
               "struck, or left out where\n"
               "the format has no place to say so.",
    .examples = "  formats: csv json geojson gpx kml webvtt srt overlay chapters matroska-chapters edl dwca\n"
                "  bellrope export csv -o markers.csv\n"
                "  bellrope export json --dive D007 --db dive.db -o D007.json\n"
                "  bellrope export webvtt --video-start 05:00:00:00 -o camera1.vtt\n"
                "  bellrope export edl --reel CAM1 -o D007.edl\n"
                "  bellrope export dwca --dataset cruise.ini -o D007.zip\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .needs = CLI_NEEDS_RECORD,
    .run = run,
};
