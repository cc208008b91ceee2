/* The page: its frame, its order, and what is gathered before the first byte. */
#include "export/report.h"

#include "bellrope/version.h"
#include "export/html.h"
#include "export/report_part.h"
#include "export/report_walk.h"

#include <stdlib.h>
#include <string.h>

struct part {
    const char *id, *name;
    int (*write)(struct report *report);
};

static const struct part WHOLE[] = {
    {"numbers", "In numbers", report_numbers},   {"map", "Map", report_map},
    {"time", "Over time", report_plots},         {"sightings", "Sightings", report_sightings},
    {"samples", "Samples", report_samples},      {"effort", "Effort and counts", report_effort},
    {"quality", "Data quality", report_quality}, {"struck", "Struck records", report_struck}};
static const struct part SHORE[] = {{"asked", "What we ask", report_shore}};

static void put_title(struct report *report)
{
    FILE *out = report->out;
    const char *dive = report->job->dive;
    fputs(report->options->for_shore ? "Questions from " : "", out);
    if (dive[0] != '\0') {
        fputs(report->options->for_shore ? "dive " : "Dive ", out);
        html_text(out, dive);
    } else {
        fputs("markers made without a dive", out);
    }
}

static void put_head(struct report *report)
{
    FILE *out = report->out;
    fputs("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
          "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
          "<meta name=\"color-scheme\" content=\"light dark\">\n"
          "<meta name=\"generator\" content=\"bellrope " BELLROPE_VERSION "\">\n<title>",
          out);
    put_title(report);
    fputs("</title>\n<style>\n", out);
    report_style(out);
    fputs("</style>\n</head>\n<body>\n<a class=\"skip\" href=\"#content\">Skip to the content</a>\n", out);
}

static void put_where(struct report *report)
{
    FILE *out = report->out;
    const struct query_dive *row = report->job->row;
    const char *facts[] = {row->dive.site, row->dive.vehicle, row->dive.ship};
    static const char *const names[] = {"Site", "Vehicle", "Ship"};
    fputs("<p class=\"facts\">", out);
    for (size_t i = 0; i < 3; i++) {
        if (facts[i][0] == '\0')
            continue;
        fprintf(out, "<span>%s <b>", names[i]);
        html_text(out, facts[i]);
        fputs("</b></span> ", out);
    }
    fputs("</p>\n", out);
}

static void put_when(struct report *report)
{
    const struct report_data *data = &report->data;
    char from[HTML_TEXT_SIZE], to[HTML_TEXT_SIZE];
    bool open = report->job->row != NULL && report->job->row->open;
    if (!data->timed)
        fputs("<p class=\"facts\">The UTC of this dive is not known.</p>\n", report->out);
    else
        fprintf(report->out, "<p class=\"facts\">%s to %s UTC%s</p>\n", html_date_clock(data->from, from),
                html_date_clock(data->to, to), open ? ", still open" : "");
}

static void put_header(struct report *report, const struct part *parts, size_t count)
{
    FILE *out = report->out;
    fputs("<header>\n<h1>", out);
    put_title(report);
    fputs("</h1>\n", out);
    if (report->job->row != NULL)
        put_where(report);
    put_when(report);
    fputs("</header>\n", out);
    if (count > 1) {
        fputs("<nav aria-label=\"Contents\"><ul>\n", out);
        for (size_t i = 0; i < count; i++)
            fprintf(out, "<li><a href=\"#%s\">%s</a></li>\n", parts[i].id, parts[i].name);
        fputs("</ul></nav>\n", out);
    }
}

static int put_page(struct report *report)
{
    bool shore = report->options->for_shore;
    const struct part *parts = shore ? SHORE : WHOLE;
    size_t count = shore ? sizeof SHORE / sizeof SHORE[0] : sizeof WHOLE / sizeof WHOLE[0];
    put_head(report);
    put_header(report, parts, count);
    fputs("<main id=\"content\" tabindex=\"-1\">\n", report->out);
    for (size_t i = 0; i < count; i++)
        if (parts[i].write(report) != 0)
            return -1;
    fputs("</main>\n<footer><p>Made by bellrope " BELLROPE_VERSION
          " from the dive's database; the same record gives the same page. How each figure is worked out: "
          "docs/report.md. Not for navigation or the safety of a vehicle.</p></footer>\n</body>\n</html>\n",
          report->out);
    return 0;
}

/* ---- gathering ---- */

static int gather(struct report *report)
{
    struct export_job *job = report->job;
    bool no_memory = false;
    if (report_data_gather(&report->data, job->reader, job->dive, job->row) != 0)
        return report->data.no_memory ? export_fail(job, "out of memory") : export_reader_failed(job);
    if (report_stills_read(&report->stills, &report->data, report->options->clips, report->options->for_shore,
                           job->why, EXPORT_WHY_SIZE) != 0)
        return -1;
    if (report->options->for_shore || !report->data.timed)
        return 0;
    if (report_walk(report, &no_memory) != 0)
        return no_memory ? export_fail(job, "out of memory") : export_reader_failed(job);
    return 0;
}

static int write_report(struct export_job *job)
{
    static const struct report_options none = {0};
    struct report report = {
        .job = job, .out = job->out, .options = job->options->report != NULL ? job->options->report : &none};
    int result = gather(&report);
    if (result == 0)
        result = put_page(&report);
    report_series_free(&report.depth);
    report_series_free(&report.temperature);
    report_series_free(&report.salinity);
    report_track_free(&report.track);
    free(report.ship.point);
    report_stills_free(&report.stills);
    report_data_free(&report.data);
    return result;
}

const struct export_format export_report = {
    .name = "report", .summary = "the dive as one page to read", .write = write_report};
