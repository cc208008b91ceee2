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
#include "export/way.h"

#include <stdlib.h>
#include <string.h>

struct geojson {
    struct export_job *job;
    bool comma;
    bool failed; /* job->why says it */
    struct way way;
    size_t lines, vertices; /* of the geometry at hand, of its last line */
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

static void put_vertex(void *ctx, double lat_deg, double lon_deg, const struct path_point *point)
{
    struct geojson *geo = ctx;
    char text[2 * DECIMAL_SIZE + 8];
    (void)point;
    text[0] = geo->vertices++ == 0 ? '[' : ',';
    char *end = put_position(text + 1, lat_deg, lon_deg);
    fwrite(text, 1, (size_t)(end - text), geo->job->out);
}

static void end_line(void *ctx)
{
    struct geojson *geo = ctx;
    fputc(']', geo->job->out);
}

static const struct path_sink SINK = {begin_line, put_vertex, end_line};

/* What was drawn is a geometry, or null where there is no line of two points. */
static void end_geometry(struct geojson *geo)
{
    fputs(geo->lines > 0 ? "]}" : "null", geo->job->out);
    geo->lines = 0;
}

static int put_track(struct geojson *geo)
{
    utc_ns from, to;
    struct jsonout json;
    char text[32], properties[512];
    int range = path_range(geo->job, &from, &to);
    if (range != 0)
        return range < 0 ? -1 : 0;
    begin_feature(geo, "track");
    if (way_open(&geo->way, geo->job, from, to, &SINK, geo) != 0)
        return -1;
    end_geometry(geo);
    jsonout_begin(&json, properties, sizeof properties);
    jsonout_open(&json, NULL, '{');
    jsonout_text(&json, "type", "track");
    jsonout_text(&json, "dive", geo->job->dive);
    jsonout_text_or_null(&json, "vehicle", geo->job->row->dive.vehicle);
    event_utc_text(from, text);
    jsonout_text(&json, "start_utc", text);
    event_utc_text(to, text);
    jsonout_text(&json, "end_utc", text);
    jsonout_text(&json, "method", "smoothed");
    jsonout_close(&json, '}');
    jsonout_end(&json);
    end_feature(geo, properties);
    return 0;
}

/* -- rows -- */

/* Without a way of the dive, by itself. */
static int put_piece(struct geojson *geo, utc_ns from, utc_ns to)
{
    int result = 0;
    if (geo->way.points != NULL)
        result = way_lines(&geo->way, from, to, &SINK, geo);
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
    char text[2 * DECIMAL_SIZE + 8];
    begin_feature(geo, row->ref);
    if (position->known && !row->struck) {
        *put_position(text, position->lat_deg, position->lon_deg) = '\0';
        fprintf(geo->job->out, "{\"type\":\"Point\",\"coordinates\":%s}", text);
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
    way_close(&geo->way);
    free(geo);
    return result;
}

const struct export_format export_geojson = {
    .name = "geojson", .summary = "track, spans and markers for maps (RFC 7946)", .write = write_geojson};
