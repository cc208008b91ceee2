/*
 * gpx: GPX 1.1 (topografix.com/GPX/1/1, schema of 2004): every marker with a known place as a waypoint, the vehicle's smoothed track and the
 * ship's track. `ele` is minus the depth. What GPX has no place for (clock, bounds, timecode, uncertainty) stands in `extensions` under a
 * namespace of our own. Struck markers are left out: GPX cannot say that they are.
 */
#include "bellrope/version.h"
#include "core/event.h"
#include "export/decimal.h"
#include "export/export.h"
#include "export/path.h"
#include "export/xmlout.h"

#include <string.h>

#define NAMESPACE "https://bellrope.example/gpx/1"

struct gpx {
    struct export_job *job;
    xmlTextWriter *xml;
    bool segment; /* a trkseg is open */
};

/* the schema ends below 180 */
#define LON_LEAST "-180.0000000"
#define LON_BEYOND "180.0000000"

static void put_place(xmlTextWriter *xml, double lat_deg, double lon_deg)
{
    char text[32];
    snprintf(text, sizeof text, "%.7f", lat_deg);
    xmlout_attribute(xml, "lat", text);
    snprintf(text, sizeof text, "%.7f", lon_deg);
    xmlout_attribute(xml, "lon", strcmp(text, LON_BEYOND) == 0 ? LON_LEAST : text);
}

static void put_utc(xmlTextWriter *xml, utc_ns utc)
{
    char text[32];
    event_utc_text(utc, text);
    xmlout_element(xml, "time", text);
}

static const double *reading_of(const struct marker_telemetry *telemetry, const char *channel)
{
    for (uint32_t i = 0; i < telemetry->reading_count; i++)
        if (strcmp(telemetry->reading[i].channel, channel) == 0)
            return &telemetry->reading[i].value;
    return NULL;
}

static void put_extensions(xmlTextWriter *xml, const struct query_marker *row)
{
    const struct marker *marker = &row->marker;
    xmlout_start(xml, "extensions");
    xmlout_element(xml, "bellrope:clock", clock_trust_name(marker->when.trust));
    if (marker->when.utc_bound_ns >= 0)
        xmlout_format(xml, "bellrope:utc_bound_ms", "%.3f", (double)marker->when.utc_bound_ns / 1e6);
    if (marker->telemetry.position.uncertainty_m >= 0)
        xmlout_format(xml, "bellrope:uncertainty_m", "%.1f", marker->telemetry.position.uncertainty_m);
    if (marker->timecode.trust != TIMECODE_TRUST_NONE) {
        xmlout_element(xml, "bellrope:timecode", marker->timecode.label);
        xmlout_element(xml, "bellrope:timecode_rate", marker->timecode.rate);
    }
    xmlout_element(xml, "bellrope:timecode_state", timecode_trust_name(marker->timecode.trust));
    xmlout_element_if(xml, "bellrope:seat", marker->seat);
    xmlout_element(xml, "bellrope:position_source", marker->telemetry.position.source);
    xmlout_end(xml);
}

static bool marker_row(void *ctx, const struct query_marker *row)
{
    const struct gpx *gpx = ctx;
    const struct marker *marker = &row->marker;
    const double *depth = reading_of(&marker->telemetry, "vehicle.depth_m");
    if (row->struck || !marker->telemetry.position.known)
        return true;
    xmlout_start(gpx->xml, "wpt");
    put_place(gpx->xml, marker->telemetry.position.lat_deg, marker->telemetry.position.lon_deg);
    if (depth != NULL)
        xmlout_format(gpx->xml, "ele", "%.2f", -*depth);
    if (marker->when.trust != CLOCK_TRUST_NONE)
        put_utc(gpx->xml, marker->when.utc);
    xmlout_element(gpx->xml, "name", row->ref);
    xmlout_element_if(gpx->xml, "cmt", marker->note);
    xmlout_element_if(gpx->xml, "desc", marker->label);
    xmlout_element(gpx->xml, "type", marker->kind);
    put_extensions(gpx->xml, row);
    xmlout_end(gpx->xml);
    return true;
}

/* A fix, by hand: there are hundreds of thousands. */
static void put_fix(struct gpx *gpx, const struct path_point *point)
{
    char utc[32], text[4 * DECIMAL_SIZE + 512], *at = xmlout_put(text, "   <trkpt lat=\"");
    at = decimal_put(at, point->lat_deg, 7);
    at = xmlout_put(at, "\" lon=\"");
    char *lon = at;
    at = decimal_put(at, point->lon_deg, 7);
    if (point->lon_deg > 179.99 && strcmp(lon, LON_BEYOND) == 0)
        at = xmlout_put(lon, LON_LEAST);
    at = xmlout_put(at, "\">\n");
    if (point->depth_known) {
        at = xmlout_put(at, "    <ele>");
        at = decimal_put(at, -point->depth_m, 2);
        at = xmlout_put(at, "</ele>\n");
    }
    event_utc_text(point->utc, utc);
    at = xmlout_put(at, "    <time>");
    at = xmlout_put(at, utc);
    at = xmlout_put(at, "</time>\n");
    if (point->uncertainty_m >= 0) {
        at = xmlout_put(at, "    <extensions>\n     <bellrope:uncertainty_m>");
        at = decimal_put(at, point->uncertainty_m, 1);
        at = xmlout_put(at, "</bellrope:uncertainty_m>\n    </extensions>\n");
    }
    at = xmlout_put(at, "   </trkpt>\n");
    fwrite(text, 1, (size_t)(at - text), gpx->job->out);
}

static bool track_point(void *ctx, const struct path_point *point)
{
    struct gpx *gpx = ctx;
    if (point->new_run)
        fputs(gpx->segment ? "  </trkseg>\n  <trkseg>\n" : "  <trkseg>\n", gpx->job->out);
    gpx->segment = true;
    put_fix(gpx, point);
    return true;
}

static int put_track(struct gpx *gpx, enum path_of of, const char *name, const char *source)
{
    utc_ns from, to;
    int range = path_range(gpx->job, &from, &to);
    if (range != 0)
        return range < 0 ? -1 : 0;
    xmlout_start(gpx->xml, "trk");
    xmlout_element(gpx->xml, "name", name);
    xmlout_element(gpx->xml, "src", source);
    xmlout_pause(gpx->xml);
    gpx->segment = false;
    int result = path_walk(gpx->job->reader, of, from, to, track_point, gpx);
    if (gpx->segment)
        fputs("  </trkseg>\n", gpx->job->out);
    xmlout_end(gpx->xml);
    return result != 0 ? export_reader_failed(gpx->job) : 0;
}

static void put_metadata(const struct gpx *gpx)
{
    const struct query_dive *row = gpx->job->row;
    xmlout_start(gpx->xml, "metadata");
    xmlout_element(gpx->xml, "name", gpx->job->dive[0] != '\0' ? gpx->job->dive : "without a dive");
    if (row != NULL && row->dive.site[0] != '\0')
        xmlout_element(gpx->xml, "desc", row->dive.site);
    if (row != NULL && row->begun.trust != CLOCK_TRUST_NONE)
        put_utc(gpx->xml, row->begun.utc); /* of the dive; when the file was made is nobody's business */
    xmlout_end(gpx->xml);
}

static int put_all(struct gpx *gpx)
{
    struct query_want want = {.dive = gpx->job->dive};
    const struct query_dive *row = gpx->job->row;
    put_metadata(gpx);
    if (query_markers(gpx->job->reader, &want, marker_row, gpx) < 0)
        return export_reader_failed(gpx->job);
    const char *vehicle = row != NULL && row->dive.vehicle[0] != '\0' ? row->dive.vehicle : "vehicle";
    const char *ship = row != NULL && row->dive.ship[0] != '\0' ? row->dive.ship : "ship";
    if (put_track(gpx, PATH_VEHICLE, vehicle, "vehicle, smoothed") != 0)
        return -1;
    return put_track(gpx, PATH_SHIP, ship, "ship, as received");
}

static int write_gpx(struct export_job *job)
{
    struct gpx gpx = {.job = job, .xml = xmlout_open(job->out)};
    if (gpx.xml == NULL)
        return export_fail(job, "out of memory");
    xmlout_start(gpx.xml, "gpx");
    xmlout_attribute(gpx.xml, "version", "1.1");
    xmlout_attribute(gpx.xml, "creator", "bellrope " BELLROPE_VERSION);
    xmlout_attribute(gpx.xml, "xmlns", "http://www.topografix.com/GPX/1/1");
    xmlout_attribute(gpx.xml, "xmlns:bellrope", NAMESPACE);
    int result = put_all(&gpx);
    xmlout_close(gpx.xml);
    return result;
}

const struct export_format export_gpx = {
    .name = "gpx", .summary = "markers and tracks for charts and handhelds (GPX 1.1)", .write = write_gpx};
