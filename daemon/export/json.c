/*
 * json: the whole dive as one JSON text (RFC 8259), a row or event a line, so that it also reads with a pager and compares
 * well. The rows are those of docs/schema; `events` are the journal's own texts of everything that is no row.
 */
#include "bellrope/version.h"
#include "export/export.h"
#include "export/rowjson.h"

#include <stdlib.h>
#include <string.h>

struct json_job {
    struct export_job *job;
    bool comma;
    bool failed;
    struct query_marker kept; /* the marker of a sample */
    char row[ROWJSON_BYTES_MAX];
};

static bool put_line(struct json_job *job, const char *text, size_t len)
{
    job->failed = job->failed || len == 0;
    fputs(job->comma ? ",\n  " : "\n  ", job->job->out);
    fwrite(text, 1, len, job->job->out);
    job->comma = true;
    return !job->failed;
}

static bool marker_row(void *ctx, const struct query_marker *row)
{
    struct json_job *job = ctx;
    return put_line(job, job->row, rowjson_marker(row, job->row, sizeof job->row));
}

static bool sighting_row(void *ctx, const struct query_sighting *row)
{
    struct json_job *job = ctx;
    return put_line(job, job->row, rowjson_sighting(row, job->row, sizeof job->row));
}

static bool span_row(void *ctx, const struct query_span *row)
{
    struct json_job *job = ctx;
    return put_line(job, job->row, rowjson_span(row, job->row, sizeof job->row));
}

static bool keep_marker(void *ctx, const struct query_marker *row)
{
    struct json_job *job = ctx;
    job->kept = *row;
    return false;
}

static bool sample_row(void *ctx, const struct query_sample *row)
{
    struct json_job *job = ctx;
    uint32_t number = row->sample.marker;
    struct query_want want = {.dive = row->dive, .after = (int64_t)number - 1, .limit = 1};
    bool found = number != 0 && query_markers(job->job->reader, &want, keep_marker, job) == 1 &&
                 job->kept.marker.number == number;
    return put_line(job, job->row, rowjson_sample(row, found ? &job->kept : NULL, job->row, sizeof job->row));
}

static bool event_row(void *ctx, const struct query_event *row)
{
    return put_line(ctx, row->event, row->len);
}

static void open_list(struct json_job *job, const char *name)
{
    fprintf(job->job->out, ",\n\"%s\":[", name);
    job->comma = false;
}

static int close_list(struct json_job *job, int64_t rows)
{
    fputs(job->comma ? "\n]" : "]", job->job->out);
    if (job->failed)
        return export_fail(job->job, "a row does not fit its room or there is no memory");
    return rows < 0 ? export_reader_failed(job->job) : 0;
}

static int write_lists(struct json_job *job)
{
    struct store_reader *reader = job->job->reader;
    struct query_want want = {.dive = job->job->dive};
    struct query_journal others = {.dive = job->job->dive};
    for (int type = 0; type < ENTRY_TYPES; type++)
        others.types |= QUERY_TYPE(type);
    others.types &= ~(QUERY_TYPE(ENTRY_MARKER) | QUERY_TYPE(ENTRY_SETTLED) | QUERY_TYPE(ENTRY_SIGHTING) |
                      QUERY_TYPE(ENTRY_SPAN) | QUERY_TYPE(ENTRY_SAMPLE));
    open_list(job, "markers");
    if (close_list(job, query_markers(reader, &want, marker_row, job)) != 0)
        return -1;
    open_list(job, "sightings");
    if (close_list(job, query_sightings(reader, &want, sighting_row, job)) != 0)
        return -1;
    open_list(job, "spans");
    if (close_list(job, query_spans(reader, &want, span_row, job)) != 0)
        return -1;
    open_list(job, "samples");
    if (close_list(job, query_samples(reader, &want, sample_row, job)) != 0)
        return -1;
    open_list(job, "events");
    return close_list(job, query_journal(reader, &others, event_row, job));
}

static int write_json(struct export_job *export)
{
    struct json_job *job = calloc(1, sizeof *job);
    if (job == NULL)
        return export_fail(export, "out of memory");
    job->job = export;
    fputs("{\"format\":\"bellrope dive\",\"version\":1,\"program\":\"" BELLROPE_VERSION "\",\n\"dive\":",
          export->out);
    size_t len = export->row != NULL ? rowjson_dive(export->row, job->row, sizeof job->row) : 0;
    fwrite(job->row, 1, len, export->out);
    fputs(export->row == NULL ? "null" : "", export->out);
    int result = write_lists(job);
    fputs("}\n", export->out);
    free(job);
    return result;
}

const struct export_format export_json = {
    .name = "json", .summary = "the whole dive as one JSON text", .write = write_json};
