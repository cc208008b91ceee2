/*
 * csv: one table of a dive as RFC 4180 text in UTF-8, with a header row. For markers each channel that any of them has is a
 * column, in order of name, so a spreadsheet sees one shape.
 */
#include "export/csvout.h"
#include "export/export.h"

#include <stdlib.h>
#include <string.h>

#define CHANNELS_MAX 128

struct csv_job {
    struct export_job *job;
    struct csvout csv;
    size_t channels;
    char channel[CHANNELS_MAX][CHANNEL_NAME_SIZE];
};

static void header(struct csvout *csv, const char *const *names, size_t count)
{
    for (size_t i = 0; i < count; i++)
        csvout_text(csv, names[i]);
}

/* -- markers -- */

static const char *const MARKER_COLUMNS[] = {"id",
                                             "dive",
                                             "number",
                                             "struck",
                                             "utc",
                                             "utc_bound_ms",
                                             "clock",
                                             "utc_as_pressed",
                                             "timecode",
                                             "timecode_rate",
                                             "timecode_bound_frames",
                                             "timecode_state",
                                             "origin",
                                             "seat",
                                             "who",
                                             "pad",
                                             "key",
                                             "gesture",
                                             "kind",
                                             "label",
                                             "term",
                                             "lead_s",
                                             "note",
                                             "sighting",
                                             "settled",
                                             "lat_deg",
                                             "lon_deg",
                                             "position_uncertainty_m",
                                             "position_source",
                                             "position_method",
                                             "position_age_s"};

static bool collect_channels(void *ctx, const struct query_marker *row)
{
    struct csv_job *job = ctx;
    const struct marker_telemetry *telemetry = &row->marker.telemetry;
    for (uint32_t i = 0; i < telemetry->reading_count; i++) {
        const char *name = telemetry->reading[i].channel;
        size_t at = 0;
        while (at < job->channels && strcmp(job->channel[at], name) < 0)
            at++;
        bool known = at < job->channels && strcmp(job->channel[at], name) == 0;
        if (known || job->channels == CHANNELS_MAX)
            continue;
        memmove(job->channel[at + 1], job->channel[at], (job->channels - at) * sizeof job->channel[0]);
        snprintf(job->channel[at], CHANNEL_NAME_SIZE, "%s", name);
        job->channels++;
    }
    return true;
}

static void put_when(struct csvout *csv, const struct when *when)
{
    if (when->trust == CLOCK_TRUST_NONE)
        csvout_empty(csv);
    else
        csvout_utc(csv, when->utc);
}

static void put_bound(struct csvout *csv, const struct when *when)
{
    if (when->utc_bound_ns < 0)
        csvout_empty(csv);
    else
        csvout_real(csv, (double)when->utc_bound_ns / 1e6, 3);
}

static void put_timecode(struct csvout *csv, const struct timecode_stamp *timecode)
{
    csvout_text(csv, timecode->label);
    csvout_text(csv, timecode->rate);
    if (timecode->trust == TIMECODE_TRUST_NONE || timecode->bound_frames < 0)
        csvout_empty(csv);
    else
        csvout_real(csv, timecode->bound_frames, 3);
    csvout_text(csv, timecode_trust_name(timecode->trust));
}

static void put_position(struct csvout *csv, const struct marker_position *position)
{
    if (!position->known) {
        for (int i = 0; i < 6; i++)
            csvout_empty(csv);
        return;
    }
    csvout_real(csv, position->lat_deg, 7);
    csvout_real(csv, position->lon_deg, 7);
    if (position->uncertainty_m < 0)
        csvout_empty(csv);
    else
        csvout_real(csv, position->uncertainty_m, 1);
    csvout_text(csv, position->source);
    csvout_text(csv, reading_method_name(position->method));
    csvout_real(csv, position->age_s, 2);
}

static void put_channels(struct csv_job *job, const struct marker_telemetry *telemetry)
{
    for (size_t c = 0; c < job->channels; c++) {
        uint32_t i = 0;
        while (i < telemetry->reading_count && strcmp(telemetry->reading[i].channel, job->channel[c]) != 0)
            i++;
        if (i < telemetry->reading_count)
            csvout_real(&job->csv, telemetry->reading[i].value, 7);
        else
            csvout_empty(&job->csv);
    }
}

static bool marker_row(void *ctx, const struct query_marker *row)
{
    struct csv_job *job = ctx;
    struct csvout *csv = &job->csv;
    const struct marker *marker = &row->marker;
    csvout_text(csv, row->ref);
    csvout_text(csv, row->dive);
    csvout_int(csv, marker->number);
    csvout_bool(csv, row->struck);
    put_when(csv, &marker->when);
    put_bound(csv, &marker->when);
    csvout_text(csv, clock_trust_name(marker->when.trust));
    put_when(csv, &row->as_pressed);
    put_timecode(csv, &marker->timecode);
    csvout_text(csv, marker_origin_name(marker->origin));
    csvout_text(csv, marker->seat);
    csvout_text(csv, marker->who);
    csvout_text(csv, marker->pad);
    csvout_text(csv, marker->key);
    csvout_text(csv, marker->gesture);
    csvout_text(csv, marker->kind);
    csvout_text(csv, marker->label);
    csvout_text(csv, marker->term);
    csvout_real(csv, (double)marker->lead_ns / 1e9, 3);
    csvout_text(csv, marker->note);
    csvout_ref(csv, row->dive, 'S', marker->sighting);
    csvout_bool(csv, marker->settled);
    put_position(csv, &marker->telemetry.position);
    put_channels(job, &marker->telemetry);
    csvout_end(csv);
    return true;
}

static int write_markers(struct csv_job *job)
{
    struct query_want want = {.dive = job->job->dive};
    if (query_markers(job->job->reader, &want, collect_channels, job) < 0)
        return export_reader_failed(job->job);
    header(&job->csv, MARKER_COLUMNS, sizeof MARKER_COLUMNS / sizeof MARKER_COLUMNS[0]);
    for (size_t i = 0; i < job->channels; i++)
        csvout_text(&job->csv, job->channel[i]);
    csvout_end(&job->csv);
    return query_markers(job->job->reader, &want, marker_row, job) < 0 ? export_reader_failed(job->job) : 0;
}

/* -- sightings, spans, samples -- */

static bool sighting_row(void *ctx, const struct query_sighting *row)
{
    struct csvout *csv = &((struct csv_job *)ctx)->csv;
    const struct sighting_entry *sighting = &row->sighting;
    const struct identification_entry *name = &row->identification;
    csvout_text(csv, row->ref);
    csvout_text(csv, row->dive);
    csvout_int(csv, sighting->number);
    csvout_text(csv, sighting->state);
    csvout_text(csv, sighting->seat);
    csvout_text(csv, sighting->label);
    csvout_text(csv, sighting->term);
    csvout_utc(csv, sighting->start);
    if (sighting->closed_by[0] != '\0')
        csvout_utc(csv, sighting->end);
    else
        csvout_empty(csv);
    csvout_text(csv, sighting->closed_by);
    csvout_real(csv, (double)sighting->lead_ns / 1e9, 3);
    csvout_int(csv, sighting->individuals);
    csvout_int(csv, sighting->marker_count);
    csvout_ref(csv, row->dive, 'M', sighting->first_marker);
    csvout_ref(csv, row->dive, 'M', sighting->last_marker);
    csvout_text(csv, sighting->tie);
    csvout_ref(csv, row->dive, 'S', sighting->tied_to);
    csvout_ref(csv, row->dive, 'S', sighting->again_of);
    csvout_text(csv, row->identified ? name->name : "");
    csvout_text(csv, row->identified ? name->qualifier : "");
    csvout_text(csv, row->identified ? name->rank : "");
    csvout_text(csv, row->identified ? name->name_id : "");
    csvout_text(csv, row->identified ? name->by : "");
    csvout_end(csv);
    return true;
}

static int write_sightings(struct csv_job *job)
{
    static const char *const columns[] = {
        "id",      "dive",      "number", "state",       "seat",    "label",   "term",         "start_utc",
        "end_utc", "closed_by", "lead_s", "individuals", "markers", "first",   "last",         "tie",
        "tied_to", "again_of",  "name",   "qualifier",   "rank",    "name_id", "identified_by"};
    struct query_want want = {.dive = job->job->dive};
    header(&job->csv, columns, sizeof columns / sizeof columns[0]);
    csvout_end(&job->csv);
    return query_sightings(job->job->reader, &want, sighting_row, job) < 0 ? export_reader_failed(job->job)
                                                                           : 0;
}

static bool span_row(void *ctx, const struct query_span *row)
{
    struct csvout *csv = &((struct csv_job *)ctx)->csv;
    const struct span_entry *span = &row->span;
    csvout_text(csv, row->ref);
    csvout_text(csv, row->dive);
    csvout_int(csv, span->number);
    csvout_text(csv, span->kind);
    if (span->transect != 0)
        csvout_int(csv, span->transect);
    else
        csvout_empty(csv);
    csvout_text(csv, span->state);
    csvout_text(csv, span->seat);
    csvout_text(csv, span->label);
    csvout_text(csv, span->term);
    csvout_utc(csv, span->start);
    if (span->closed_by[0] != '\0')
        csvout_utc(csv, span->end);
    else
        csvout_empty(csv);
    csvout_text(csv, span->closed_by);
    csvout_ref(csv, row->dive, 'M', span->first_marker);
    csvout_ref(csv, row->dive, 'M', span->last_marker);
    csvout_end(csv);
    return true;
}

static int write_spans(struct csv_job *job)
{
    static const char *const columns[] = {"id",      "dive",      "number", "kind", "transect",
                                          "state",   "seat",      "label",  "term", "start_utc",
                                          "end_utc", "closed_by", "first",  "last"};
    struct query_want want = {.dive = job->job->dive};
    header(&job->csv, columns, sizeof columns / sizeof columns[0]);
    csvout_end(&job->csv);
    return query_spans(job->job->reader, &want, span_row, job) < 0 ? export_reader_failed(job->job) : 0;
}

static bool sample_row(void *ctx, const struct query_sample *row)
{
    struct csvout *csv = &((struct csv_job *)ctx)->csv;
    const struct sample_entry *sample = &row->sample;
    csvout_text(csv, row->ref);
    csvout_text(csv, row->dive);
    csvout_int(csv, sample->number);
    csvout_text(csv, sample->state);
    csvout_text(csv, sample->container);
    csvout_text(csv, sample->gear);
    csvout_text(csv, sample->seat);
    csvout_text(csv, sample->label);
    csvout_text(csv, sample->term);
    csvout_text(csv, sample->note);
    csvout_utc(csv, sample->taken);
    csvout_ref(csv, row->dive, 'M', sample->marker);
    csvout_ref(csv, row->dive, 'S', sample->sighting);
    csvout_text(csv, sample->why);
    csvout_end(csv);
    return true;
}

static int write_samples(struct csv_job *job)
{
    static const char *const columns[] = {"id",        "dive",   "number",   "state", "container",
                                          "gear",      "seat",   "label",    "term",  "note",
                                          "taken_utc", "marker", "sighting", "why"};
    struct query_want want = {.dive = job->job->dive};
    header(&job->csv, columns, sizeof columns / sizeof columns[0]);
    csvout_end(&job->csv);
    return query_samples(job->job->reader, &want, sample_row, job) < 0 ? export_reader_failed(job->job) : 0;
}

static int write_csv(struct export_job *export)
{
    static const struct {
        const char *name;
        int (*write)(struct csv_job *job);
    } tables[] = {{"markers", write_markers},
                  {"sightings", write_sightings},
                  {"spans", write_spans},
                  {"samples", write_samples}};
    const char *name = export->options->table != NULL ? export->options->table : "markers";
    size_t which = 0;
    while (which < sizeof tables / sizeof tables[0] && strcmp(tables[which].name, name) != 0)
        which++;
    if (which == sizeof tables / sizeof tables[0])
        return export_fail(export, "there is no table %s; there are markers, sightings, spans and samples",
                           name);
    struct csv_job *job = calloc(1, sizeof *job);
    if (job == NULL)
        return export_fail(export, "out of memory");
    job->job = export;
    job->csv.out = export->out;
    int result = tables[which].write(job);
    free(job);
    return result;
}

const struct export_format export_csv = {
    .name = "csv", .summary = "a table of the dive, for spreadsheets (RFC 4180)", .write = write_csv};
