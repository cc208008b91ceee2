/*
 * kml: OGC KML 2.3 (OGC 12-007r2): the vehicle's smoothed track as Track elements, markers and samples as placemarks with a time and
 * ExtendedData. Altitudes are metres above the sea, so below it they are minus the depth ("absolute"). Struck records are left out.
 *
 * Readers made for 2.2 know gx:Track and not Track (GDAL 3.6 drops it, gpsbabel and others read both): beside each Track stands the same way
 * as a LineString, split at the antimeridian, which all of them draw.
 */
#include "core/event.h"
#include "core/geo.h"
#include "export/decimal.h"
#include "export/export.h"
#include "export/path.h"
#include "export/spool.h"
#include "export/stands.h"
#include "export/xmlout.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct kml {
    struct export_job *job;
    xmlTextWriter *xml;
    /* The way is walked once: what comes further down in the file waits in these. */
    struct spool coords, ways;
    struct path_liner liner;
    size_t runs;
    size_t vertices; /* in the line at hand */
    bool failed;
    struct marker kept; /* of a sample */
    bool found;
};

static void put_utc(xmlTextWriter *xml, const char *element, utc_ns utc)
{
    char text[32];
    event_utc_text(utc, text);
    xmlout_element(xml, element, text);
}

/* -- the way, by hand: it has hundreds of thousands of fixes -- */

static double altitude_of(const struct path_point *point)
{
    return point->depth_known ? -point->depth_m : 0;
}

/* Longitude, latitude and altitude; returns where the next goes. */
static char *put_triple(char *at, char between, double lat_deg, double lon_deg, double altitude)
{
    at = decimal_put(at, lon_deg, 7);
    *at++ = between;
    at = decimal_put(at, lat_deg, 7);
    *at++ = between;
    return decimal_put(at, altitude, 2);
}

static void put_way(struct kml *kml, const char *text)
{
    spool_put(&kml->ways, text, strlen(text));
}

static void begin_line(void *ctx)
{
    struct kml *kml = ctx;
    put_way(kml, "     <LineString>\n      <altitudeMode>absolute</altitudeMode>\n      <coordinates>");
    kml->vertices = 0;
}

static void put_vertex(void *ctx, double lat_deg, double lon_deg, const struct path_point *point)
{
    struct kml *kml = ctx;
    char text[3 * DECIMAL_SIZE + 2], *at = text;
    if (kml->vertices++ > 0)
        *at++ = ' ';
    at = put_triple(at, ',', lat_deg, lon_deg, altitude_of(point));
    spool_put(&kml->ways, text, (size_t)(at - text));
}

static void end_line(void *ctx)
{
    put_way(ctx, "</coordinates>\n     </LineString>\n");
}

static void begin_run(struct kml *kml)
{
    fputs("   <Placemark>\n    <name>Track</name>\n    <Track>\n     <altitudeMode>absolute</altitudeMode>\n",
          kml->job->out);
    kml->runs++;
}

/* All `when` come before all `coord`, as in the standard's schema. */
static void end_run(struct kml *kml)
{
    if (kml->runs == 0)
        return;
    kml->failed |= spool_pour(&kml->coords, kml->job->out) != 0;
    fputs("    </Track>\n   </Placemark>\n", kml->job->out);
}

static bool put_point_of_way(void *ctx, const struct path_point *point)
{
    struct kml *kml = ctx;
    char utc[32], text[3 * DECIMAL_SIZE + 64], *at;
    if (point->new_run) {
        end_run(kml);
        begin_run(kml);
    }
    event_utc_text(point->utc, utc);
    at = xmlout_put(text, "     <when>");
    at = xmlout_put(at, utc);
    at = xmlout_put(at, "</when>\n");
    fwrite(text, 1, (size_t)(at - text), kml->job->out);
    at =
        put_triple(xmlout_put(text, "     <coord>"), ' ', point->lat_deg, point->lon_deg, altitude_of(point));
    at = xmlout_put(at, "</coord>\n");
    spool_put(&kml->coords, text, (size_t)(at - text));
    path_liner_point(&kml->liner, point);
    return !kml->failed;
}

/* Empty where the way has no two points. */
static void put_ways(struct kml *kml)
{
    FILE *out = kml->job->out;
    bool any = !spool_empty(&kml->ways);
    fputs("   <Placemark>\n    <name>Way</name>\n    <MultiGeometry", out);
    fputs(any ? ">\n" : "/>\n", out);
    kml->failed |= spool_pour(&kml->ways, out) != 0;
    fputs(any ? "    </MultiGeometry>\n   </Placemark>\n" : "   </Placemark>\n", out);
}

static int walk(struct kml *kml, utc_ns from, utc_ns to)
{
    static const struct path_sink sink = {begin_line, put_vertex, end_line};
    kml->liner = (struct path_liner){.sink = &sink, .ctx = kml};
    if (path_walk(kml->job->reader, PATH_VEHICLE, from, to, put_point_of_way, kml) != 0)
        return export_reader_failed(kml->job);
    end_run(kml);
    path_liner_end(&kml->liner);
    if (kml->runs > 0)
        put_ways(kml);
    return kml->failed ? export_fail(kml->job, "a temporary file cannot be used: %s", strerror(errno)) : 0;
}

static int put_track(struct kml *kml)
{
    utc_ns from, to;
    int range = path_range(kml->job, &from, &to);
    if (range != 0)
        return range < 0 ? -1 : 0;
    xmlout_start(kml->xml, "Folder");
    xmlout_element(kml->xml, "name", "Vehicle, smoothed");
    xmlout_pause(kml->xml);
    int result = walk(kml, from, to);
    xmlout_end(kml->xml);
    return result;
}

static void put_data(xmlTextWriter *xml, const char *name, const char *value)
{
    if (value[0] == '\0')
        return;
    xmlout_start(xml, "Data");
    xmlout_attribute(xml, "name", name);
    xmlout_element(xml, "value", value);
    xmlout_end(xml);
}

/* By hand, with the indent of such an element: the name has nothing that XML would take for its own, and there are 20 to a marker. */
static void put_number(FILE *out, const char *name, double value, int decimals)
{
    char text[2 * CHANNEL_NAME_SIZE + DECIMAL_SIZE + 80], *at = text;
    at = xmlout_put(at, "     <Data name=\"");
    at = xmlout_put(at, name);
    at = xmlout_put(at, "\">\n      <value>");
    at = decimal_put(at, value, decimals);
    at = xmlout_put(at, "</value>\n     </Data>\n");
    fwrite(text, 1, (size_t)(at - text), out);
}

static void put_readings(const struct kml *kml, const struct marker *marker)
{
    FILE *out = kml->job->out;
    put_data(kml->xml, "clock", clock_trust_name(marker->when.trust));
    put_data(kml->xml, "timecode", marker->timecode.label);
    put_data(kml->xml, "timecode_rate", marker->timecode.rate);
    put_data(kml->xml, "timecode_state", timecode_trust_name(marker->timecode.trust));
    put_data(kml->xml, "position_source", marker->telemetry.position.source);
    xmlout_pause(kml->xml);
    if (marker->when.utc_bound_ns >= 0)
        put_number(out, "utc_bound_ms", (double)marker->when.utc_bound_ns / 1e6, 3);
    if (marker->telemetry.position.uncertainty_m >= 0)
        put_number(out, "position_uncertainty_m", marker->telemetry.position.uncertainty_m, 1);
    for (uint32_t i = 0; i < marker->telemetry.reading_count; i++)
        put_number(out, marker->telemetry.reading[i].channel, marker->telemetry.reading[i].value, 4);
}

static void put_point(xmlTextWriter *xml, const struct marker *marker)
{
    double altitude = 0;
    for (uint32_t i = 0; i < marker->telemetry.reading_count; i++)
        if (strcmp(marker->telemetry.reading[i].channel, "vehicle.depth_m") == 0)
            altitude = -marker->telemetry.reading[i].value;
    if (!marker->telemetry.position.known)
        return;
    xmlout_start(xml, "Point");
    xmlout_element(xml, "altitudeMode", "absolute");
    xmlout_format(xml, "coordinates", "%.7f,%.7f,%.2f", marker->telemetry.position.lon_deg,
                  marker->telemetry.position.lat_deg, altitude);
    xmlout_end(xml);
}

static void put_time(xmlTextWriter *xml, const struct when *when)
{
    if (when->trust == CLOCK_TRUST_NONE)
        return;
    xmlout_start(xml, "TimeStamp");
    put_utc(xml, "when", when->utc);
    xmlout_end(xml);
}

static bool marker_row(void *ctx, const struct query_marker *row)
{
    const struct kml *kml = ctx;
    const struct marker *marker = &row->marker;
    char ref[REF_SIZE] = "";
    if (row->struck)
        return true;
    if (marker->sighting != 0)
        entry_ref(ref, row->dive, 'S', marker->sighting);
    xmlout_start(kml->xml, "Placemark");
    xmlout_element(kml->xml, "name", marker->label[0] != '\0' ? marker->label : marker->kind);
    xmlout_element_if(kml->xml, "description", marker->note);
    put_time(kml->xml, &marker->when);
    xmlout_start(kml->xml, "ExtendedData");
    put_data(kml->xml, "id", row->ref);
    put_data(kml->xml, "kind", marker->kind);
    put_data(kml->xml, "term", marker->term);
    put_data(kml->xml, "seat", marker->seat);
    put_data(kml->xml, "sighting", ref);
    put_readings(kml, marker);
    xmlout_end(kml->xml);
    put_point(kml->xml, marker);
    xmlout_end(kml->xml);
    return true;
}

static bool keep_marker(void *ctx, const struct query_marker *row)
{
    struct kml *kml = ctx;
    kml->kept = row->marker;
    kml->found = !row->struck;
    return false;
}

static bool sample_row(void *ctx, const struct query_sample *row)
{
    struct kml *kml = ctx;
    const struct sample_entry *sample = &row->sample;
    struct query_want want = {.dive = row->dive, .after = (int64_t)sample->marker - 1, .limit = 1};
    if (!stands(sample->state))
        return true;
    kml->found = false;
    kml->failed |= query_markers(kml->job->reader, &want, keep_marker, kml) < 0;
    kml->found = kml->found && kml->kept.number == sample->marker;
    xmlout_start(kml->xml, "Placemark");
    xmlout_element(kml->xml, "name", sample->label[0] != '\0' ? sample->label : row->ref);
    xmlout_element_if(kml->xml, "description", sample->note);
    xmlout_start(kml->xml, "TimeStamp");
    put_utc(kml->xml, "when", sample->taken);
    xmlout_end(kml->xml);
    xmlout_start(kml->xml, "ExtendedData");
    put_data(kml->xml, "id", row->ref);
    put_data(kml->xml, "container", sample->container);
    put_data(kml->xml, "gear", sample->gear);
    if (kml->found)
        put_readings(kml, &kml->kept);
    xmlout_end(kml->xml);
    if (kml->found)
        put_point(kml->xml, &kml->kept);
    xmlout_end(kml->xml);
    return true;
}

static int put_rows(struct kml *kml)
{
    struct query_want want = {.dive = kml->job->dive};
    xmlout_start(kml->xml, "Folder");
    xmlout_element(kml->xml, "name", "Markers");
    int64_t markers = query_markers(kml->job->reader, &want, marker_row, kml);
    xmlout_end(kml->xml);
    xmlout_start(kml->xml, "Folder");
    xmlout_element(kml->xml, "name", "Samples");
    int64_t samples = query_samples(kml->job->reader, &want, sample_row, kml);
    xmlout_end(kml->xml);
    return markers < 0 || samples < 0 || kml->failed ? export_reader_failed(kml->job) : 0;
}

static int put_document(struct kml *kml)
{
    const struct query_dive *row = kml->job->row;
    xmlout_start(kml->xml, "kml");
    xmlout_attribute(kml->xml, "xmlns", "http://www.opengis.net/kml/2.3");
    xmlout_attribute(kml->xml, "version", "2.3");
    xmlout_start(kml->xml, "Document");
    xmlout_element(kml->xml, "name", kml->job->dive[0] != '\0' ? kml->job->dive : "without a dive");
    if (row != NULL)
        xmlout_element_if(kml->xml, "description", row->dive.site);
    if (put_track(kml) != 0)
        return -1;
    return put_rows(kml);
}

static void close_kml(struct kml *kml)
{
    if (kml->xml != NULL)
        xmlout_close(kml->xml);
    spool_close(&kml->coords);
    spool_close(&kml->ways);
    free(kml);
}

static int write_kml(struct export_job *job)
{
    struct kml *kml = calloc(1, sizeof *kml);
    if (kml == NULL)
        return export_fail(job, "out of memory");
    kml->job = job;
    kml->xml = xmlout_open(job->out);
    int result = kml->xml != NULL ? put_document(kml) : export_fail(job, "out of memory");
    close_kml(kml);
    return result;
}

const struct export_format export_kml = {
    .name = "kml", .summary = "track, markers and samples for globes (OGC KML 2.3)", .write = write_kml};
