/*
 * geojson: a FeatureCollection as RFC 7946 has it, a feature a line: the vehicle's smoothed track, spans as the piece of track between their
 * ends, then markers as points with the members of the `marker` event. WGS 84, longitude first, 7 decimals, no crs, lines split at the
 * antimeridian. The third coordinate of the standard is a height above the ellipsoid, which nobody measures under water: depth is a
 * property. A struck marker keeps its properties, with "struck": true, and has no geometry, so that no map shows it.
 */
#include "core/event.h"
#include "core/jsonout.h"
#include "export/decimal.h"
#include "export/export.h"
#include "export/path.h"
#include "export/rowjson.h"
#include "export/stands.h"
#include "export/timefile.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

/* A vertex of the track as it was drawn: spans are pieces of it, and most of what they cost is numbers put into text. */
struct vertex {
    utc_ns utc;
    bool begins; /* a line */
    bool edge;   /* lies on the antimeridian, before the fix of that instant */
    uint8_t len;
    char text[29]; /* "[-179.1234567,-89.1234567]" */
};

struct geojson {
    struct export_job *job;
    bool comma;
    bool failed;            /* job->why says it */
    struct timefile *track; /* struct vertex; NULL: there is none */
    utc_ns from, to;        /* of the track */
    bool keeping;           /* it is being drawn */
    size_t lines, vertices; /* of the geometry at hand, of its last line */
    size_t used;            /* of the text of vertices that waits to be written: a dive has a million */
    char text[16384];
    char row[ROWJSON_BYTES_MAX];
};

static char *put_position(char *at, double lat_deg, double lon_deg)
{
    *at++ = '[';
    at = decimal_put(at, lon_deg, 7);
    *at++ = ',';
    at = decimal_put(at, lat_deg, 7);
    *at++ = ']';
    return at;
}

static void begin_feature(struct geojson *geo, const char *id)
{
    fprintf(geo->job->out, "%s{\"type\":\"Feature\",\"id\":\"%s\",\"geometry\":", geo->comma ? ",\n" : "\n",
            id);
    geo->comma = true;
}

static void end_feature(struct geojson *geo, const char *properties)
{
    fprintf(geo->job->out, ",\"properties\":%s}", properties);
}

/* -- lines -- */

static void begin_line(void *ctx)
{
    struct geojson *geo = ctx;
    fputs(geo->lines++ == 0 ? "{\"type\":\"MultiLineString\",\"coordinates\":[" : ",", geo->job->out);
    geo->vertices = 0;
}

static void write_vertices(struct geojson *geo)
{
    fwrite(geo->text, 1, geo->used, geo->job->out);
    geo->used = 0;
}

/* Room for one more, behind what stands between it and the one before. */
static char *next_vertex(struct geojson *geo)
{
    if (sizeof geo->text - geo->used < 2 * DECIMAL_SIZE + 8)
        write_vertices(geo);
    geo->text[geo->used++] = geo->vertices++ == 0 ? '[' : ',';
    return geo->text + geo->used;
}

static void put_vertex(void *ctx, double lat_deg, double lon_deg, const struct path_point *point)
{
    struct geojson *geo = ctx;
    bool begins = geo->vertices == 0;
    char *at = next_vertex(geo);
    size_t len = (size_t)(put_position(at, lat_deg, lon_deg) - at);
    geo->used += len;
    if (geo->keeping) {
        struct vertex *kept = timefile_add(geo->track);
        *kept = (struct vertex){.utc = point->utc, .begins = begins, .len = (uint8_t)len};
        kept->edge = lat_deg != point->lat_deg || lon_deg != point->lon_deg;
        assert(len <= sizeof kept->text);
        memcpy(kept->text, at, len);
    }
}

static void put_again(struct geojson *geo, const struct vertex *vertex)
{
    memcpy(next_vertex(geo), vertex->text, vertex->len);
    geo->used += vertex->len;
}

static void end_line(void *ctx)
{
    struct geojson *geo = ctx;
    write_vertices(geo);
    fputc(']', geo->job->out);
}

static const struct path_sink SINK = {begin_line, put_vertex, end_line};

/* What was drawn is a geometry, or null where there is no line of two points. */
static void end_geometry(struct geojson *geo)
{
    fputs(geo->lines > 0 ? "]}" : "null", geo->job->out);
    geo->lines = 0;
}

static int file_failed(struct geojson *geo, int error)
{
    return export_fail(geo->job, "a temporary file cannot be used: %s", strerror(error));
}

static int draw_track(struct geojson *geo)
{
    geo->track = timefile_open(sizeof(struct vertex));
    if (geo->track == NULL)
        return file_failed(geo, errno);
    geo->keeping = true;
    int result = path_lines(geo->job->reader, geo->from, geo->to, &SINK, geo);
    geo->keeping = false;
    return result == 0 ? 0 : export_reader_failed(geo->job);
}

/* A piece of the track has its fixes, and no line of one vertex, as the track itself. */
static int draw_piece(struct geojson *geo, utc_ns from, utc_ns to)
{
    const struct vertex *vertex;
    struct vertex begin = {.len = 0};
    bool first = true, open = false;
    int error;
    if (timefile_seek(geo->track, from) != 0)
        return file_failed(geo, errno);
    while ((vertex = timefile_next(geo->track, &error)) != NULL && vertex->utc.ns <= to.ns) {
        if (first && vertex->edge)
            continue; /* the way to it lies before the piece */
        if (first || vertex->begins) {
            if (open)
                end_line(geo);
            open = false;
            begin = *vertex;
        } else {
            if (!open) {
                begin_line(geo);
                put_again(geo, &begin);
            }
            open = true;
            put_again(geo, vertex);
        }
        first = false;
    }
    if (open)
        end_line(geo);
    return error == 0 ? 0 : file_failed(geo, error);
}

static int put_track(struct geojson *geo)
{
    struct jsonout json;
    char text[32], properties[512];
    int range = path_range(geo->job, &geo->from, &geo->to);
    if (range != 0)
        return range < 0 ? -1 : 0;
    begin_feature(geo, "track");
    if (draw_track(geo) != 0)
        return -1;
    end_geometry(geo);
    jsonout_begin(&json, properties, sizeof properties);
    jsonout_open(&json, NULL, '{');
    jsonout_text(&json, "type", "track");
    jsonout_text(&json, "dive", geo->job->dive);
    jsonout_text_or_null(&json, "vehicle", geo->job->row->dive.vehicle);
    event_utc_text(geo->from, text);
    jsonout_text(&json, "start_utc", text);
    event_utc_text(geo->to, text);
    jsonout_text(&json, "end_utc", text);
    jsonout_text(&json, "method", "smoothed");
    jsonout_close(&json, '}');
    jsonout_end(&json);
    end_feature(geo, properties);
    return 0;
}

/* -- rows -- */

/* What reaches beyond the track is drawn by itself. */
static int put_piece(struct geojson *geo, utc_ns from, utc_ns to)
{
    int result = 0;
    if (geo->track != NULL && from.ns >= geo->from.ns && to.ns <= geo->to.ns)
        result = draw_piece(geo, from, to);
    else if (path_lines(geo->job->reader, from, to, &SINK, geo) != 0)
        result = export_reader_failed(geo->job);
    end_geometry(geo);
    return result;
}

/* `len` is that of the properties in geo->row; 0: they did not fit. */
static int end_row(struct geojson *geo, size_t len)
{
    end_feature(geo, geo->row);
    return len > 0 ? 0 : export_fail(geo->job, "a row does not fit its room");
}

static bool span_row(void *ctx, const struct query_span *row)
{
    struct geojson *geo = ctx;
    if (!stands(row->span.state) || row->span.closed_by[0] == '\0')
        return true;
    begin_feature(geo, row->ref);
    geo->failed = put_piece(geo, row->span.start, row->span.end) != 0 ||
                  end_row(geo, rowjson_span(row, geo->row, sizeof geo->row)) != 0;
    return !geo->failed;
}

static bool marker_row(void *ctx, const struct query_marker *row)
{
    struct geojson *geo = ctx;
    const struct marker_position *position = &row->marker.telemetry.position;
    begin_feature(geo, row->ref);
    if (position->known && !row->struck) {
        *put_position(geo->text, position->lat_deg, position->lon_deg) = '\0';
        fprintf(geo->job->out, "{\"type\":\"Point\",\"coordinates\":%s}", geo->text);
    } else {
        fputs("null", geo->job->out);
    }
    geo->failed = end_row(geo, rowjson_marker(row, geo->row, sizeof geo->row)) != 0;
    return !geo->failed;
}

static int put_features(struct geojson *geo)
{
    struct query_want want = {.dive = geo->job->dive};
    if (put_track(geo) != 0)
        return -1;
    if (query_spans(geo->job->reader, &want, span_row, geo) < 0 ||
        (!geo->failed && query_markers(geo->job->reader, &want, marker_row, geo) < 0))
        return export_reader_failed(geo->job);
    return geo->failed ? -1 : 0;
}

static int write_geojson(struct export_job *job)
{
    struct geojson *geo = calloc(1, sizeof *geo);
    if (geo == NULL)
        return export_fail(job, "out of memory");
    geo->job = job;
    fputs("{\"type\":\"FeatureCollection\",\"features\":[", job->out);
    int result = put_features(geo);
    fputs("\n]}\n", job->out);
    timefile_close(geo->track);
    free(geo);
    return result;
}

const struct export_format export_geojson = {
    .name = "geojson", .summary = "track, spans and markers for maps (RFC 7946)", .write = write_geojson};
