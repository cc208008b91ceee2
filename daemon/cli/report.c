#include "export/report.h"

#include "cli/target.h"
#include "cli/verbs.h"

#include <errno.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* ---- the way from the page to the stills ---- */

/* The folder that a file lies in, absolute. False: there is none. */
static bool folder_of(const char *file, char out[PATH_MAX])
{
    char copy[PATH_MAX];
    snprintf(copy, sizeof copy, "%s", file);
    char *slash = strrchr(copy, '/');
    if (slash != NULL)
        slash[slash == copy ? 1 : 0] = '\0';
    return realpath(slash != NULL ? copy : ".", out) != NULL;
}

static void end_with_slash(char folder[PATH_MAX])
{
    size_t length = strlen(folder);
    if (folder[length - 1] != '/' && length + 1 < PATH_MAX)
        memcpy(folder + length, "/", 2);
}

/* "../clips/" for a page in /dives/out and stills in /dives/clips. Falls back on the folder as it was given. */
static void link_from(const char *page, const char *folder, char *out, size_t size)
{
    char from[PATH_MAX], to[PATH_MAX];
    size_t common = 0, length = 0;
    snprintf(out, size, "%s/", folder);
    if (strcmp(page, "-") == 0 || !folder_of(page, from) || realpath(folder, to) == NULL)
        return;
    end_with_slash(from);
    end_with_slash(to);
    for (size_t i = 0; from[i] != '\0' && from[i] == to[i]; i++)
        common = from[i] == '/' ? i + 1 : common;
    for (const char *rest = from + common; *rest != '\0' && length + 3 < size; rest++)
        if (*rest == '/')
            length += (size_t)snprintf(out + length, size - length, "../");
    snprintf(out + length, size - length, "%s", to + common);
}

/* ---- the verb ---- */

static bool read_width(const struct options *options, double *width_m)
{
    const char *text = options_value(options, "view-width-m");
    char *end = NULL;
    if (text == NULL)
        return true;
    *width_m = strtod(text, &end);
    return end != text && *end == '\0' && *width_m > 0 && *width_m <= 1000;
}

static bool has_index(const char *folder)
{
    char path[PATH_MAX];
    snprintf(path, sizeof path, "%s/index.json", folder);
    return access(path, R_OK) == 0;
}

static int write_it(const struct options *options, const struct report_options *how, const char *path)
{
    struct store_reader *reader;
    char why[EXPORT_WHY_SIZE];
    if (target_reader(options, &reader) != CLI_DONE)
        return CLI_FAILED;
    const struct export_options dive = {.dive = options_value(options, "dive"), .report = how};
    int result = export_write(&export_report, reader, &dive, path, why);
    store_reader_close(reader);
    return result == 0 ? CLI_DONE : cli_fail(options->verb, "%s", why);
}

static int run(const struct options *options)
{
    char link[PATH_MAX];
    const char *path = options_value(options, "o");
    struct report_options how = {.for_shore = options_flag(options, "for-shore"),
                                 .clips = options_value(options, "clips")};
    if (path == NULL)
        return cli_misuse(options->verb, "-o FILE.html says where to write; - is standard output");
    if (!read_width(options, &how.view_width_m))
        return cli_misuse(options->verb, "'%s' is no width in metres, such as 2.5",
                          options_value(options, "view-width-m"));
    if (!cli_may_replace(options->verb, path))
        return CLI_FAILED;
    if (how.clips != NULL && !has_index(how.clips))
        return cli_fail(options->verb, "%s/index.json: %s; `bellrope clips -o %s` makes it", how.clips,
                        strerror(errno), how.clips);
    if (how.clips != NULL) {
        link_from(path, how.clips, link, sizeof link);
        how.link = link;
    }
    return write_it(options, &how, path);
}

static const struct cli_option OPTIONS[] = {
    {"o", "FILE.html", "where to write; - is standard output"},
    {"dive", "ID", "that dive; without it the open one, else the latest"},
    {"for-shore", NULL,
     "only the sightings that shore is asked about, with their frames; stills within the page"},
    {"clips", "DIR", "stills named in DIR/index.json, as `bellrope clips` leaves them"},
    {"view-width-m", "W", "width of the field of view, for areas"},
    {0}};

const struct cli_verb verb_report = {
    .name = "report",
    .arguments = "-o FILE.html [options]",
    .summary = "Writes a dive as one page to read: map, curves, sightings, samples, effort, data quality",
    .details =
        "The page needs nothing else: no network, no script; only stills named with --clips lie beside it. "
        "The same record\n"
        "gives the same page. Struck records are listed as struck and counted nowhere. docs/report.md says "
        "how each figure\n"
        "is worked out.",
    .examples = "  bellrope report --dive D007 -o D007.html\n"
                "  bellrope report --clips D007-clips --view-width-m 2.5 -o D007.html\n"
                "  bellrope report --for-shore --clips D007-clips -o D007-questions.html\n",
    .options = OPTIONS,
    .needs = CLI_NEEDS_RECORD,
    .run = run,
};
