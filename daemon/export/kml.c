/*
 * kml: OGC KML 2.3 (OGC 12-007r2): the vehicle's smoothed track as Track elements, markers and samples as placemarks with a time and
 * ExtendedData. Altitudes are metres above the sea, so below it they are minus the depth ("absolute"). Struck records are left out.
 *
 * Readers made for 2.2 know gx:Track and not Track (GDAL 3.6 drops it, gpsbabel and others read both): beside each Track stands the same way
 * as a LineString, split at the antimeridian, which all of them draw.
 */
#include "core/event.h"
#include "core/geo.h"
#include "export/export.h"
#include "export/path.h"
#include "export/stands.h"
#include "export/xmlout.h"

#include <stdlib.h>
#include <string.h>

struct run {
    int64_t first_ns, last_ns;
};

struct kml {
    struct export_job *job;
    xmlTextWriter *xml;
    struct run *run; /* one for each drop-out of the positioning: few */
    size_t runs, size;
    bool failed;
    size_t vertices;    /* in the line at hand */
    struct marker kept; /* of a sample */
    bool found;
};

static bool note_run(void *ctx, const struct path_point *point)
{
    struct kml *kml = ctx;
    if (point->new_run) {
        if (kml->runs == kml->size) {
            size_t size = kml->size == 0 ? 16 : kml->size * 2;
            struct run *grown = realloc(kml->run, size * sizeof *grown);
            kml->failed = grown == NULL;
            if (grown == NULL)
                return false;
            kml->run = grown;
            kml->size = size;
        }
        kml->run[kml->runs++].first_ns = point->utc.ns;
    }
    kml->run[kml->runs - 1].last_ns = point->utc.ns;
    return true;
}

static void put_utc(xmlTextWriter *xml, const char *element, utc_ns utc)
{
    char text[32];
    event_utc_text(utc, text);
    xmlout_element(xml, element, text);
}

static double altitude_of(const struct path_point *point)
{
    return point->depth_known ? -point->depth_m : 0;
}

static bool put_when(void *ctx, const struct path_point *point)
{
    put_utc(((struct kml *)ctx)->xml, "when", point->utc);
    return true;
}

static bool put_coord(void *ctx, const struct path_point *point)
{
    xmlout_format(((struct kml *)ctx)->xml, "coord", "%.7f %.7f %.2f", point->lon_deg, point->lat_deg,
                  altitude_of(point));
    return true;
}

static void begin_line(void *ctx)
{
    struct kml *kml = ctx;
    xmlout_start(kml->xml, "LineString");
    xmlout_element(kml->xml, "altitudeMode", "absolute");
    xmlout_start(kml->xml, "coordinates");
    kml->vertices = 0;
}

static void put_vertex(void *ctx, double lat_deg, double lon_deg, const struct path_point *point)
{
    struct kml *kml = ctx;
    char text[96];
    snprintf(text, sizeof text, "%s%.7f,%.7f,%.2f", kml->vertices > 0 ? " " : "", lon_deg, lat_deg,
             altitude_of(point));
    xmlout_text(kml->xml, text);
    kml->vertices++;
}

static void end_line(void *ctx)
{
    struct kml *kml = ctx;
    xmlout_end(kml->xml);
    xmlout_end(kml->xml);
}

static int walk(struct kml *kml, const struct run *run, path_row *row)
{
    return path_walk(kml->job->reader, PATH_VEHICLE, (utc_ns){run->first_ns}, (utc_ns){run->last_ns}, row,
                     kml);
}

/* All `when` come before all `coord`, as in the standard's schema: the way is walked once for each. */
static int put_run(struct kml *kml, const struct run *run)
{
    xmlTextWriter *xml = kml->xml;
    xmlout_start(xml, "Placemark");
    xmlout_element(xml, "name", "Track");
    xmlout_start(xml, "Track");
    xmlout_element(xml, "altitudeMode", "absolute");
    int result = walk(kml, run, put_when) | walk(kml, run, put_coord);
    xmlout_end(xml);
    xmlout_end(xml);
    return result;
}

/* Empty where the way has no two points. */
static int put_way(struct kml *kml, utc_ns from, utc_ns to)
{
    static const struct path_sink sink = {begin_line, put_vertex, end_line};
    xmlout_start(kml->xml, "Placemark");
    xmlout_element(kml->xml, "name", "Way");
    xmlout_start(kml->xml, "MultiGeometry");
    int result = path_lines(kml->job->reader, from, to, &sink, kml);
    xmlout_end(kml->xml);
    xmlout_end(kml->xml);
    return result;
}

static int put_track(struct kml *kml)
{
    utc_ns from, to;
    int range = path_range(kml->job, &from, &to);
    if (range != 0)
        return range < 0 ? -1 : 0;
    if (path_walk(kml->job->reader, PATH_VEHICLE, from, to, note_run, kml) != 0)
        return export_reader_failed(kml->job);
    if (kml->failed)
        return export_fail(kml->job, "out of memory");
    xmlout_start(kml->xml, "Folder");
    xmlout_element(kml->xml, "name", "Vehicle, smoothed");
    int result = 0;
    for (size_t i = 0; i < kml->runs && result == 0; i++)
        result = put_run(kml, &kml->run[i]);
    if (result == 0 && kml->runs > 0)
        result = put_way(kml, from, to);
    xmlout_end(kml->xml);
    return result != 0 ? export_reader_failed(kml->job) : 0;
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

static void put_number(xmlTextWriter *xml, const char *name, double value, int decimals)
{
    char text[64];
    snprintf(text, sizeof text, "%.*f", decimals, value);
    put_data(xml, name, text);
}

static void put_readings(xmlTextWriter *xml, const struct marker *marker)
{
    put_data(xml, "clock", clock_trust_name(marker->when.trust));
    if (marker->when.utc_bound_ns >= 0)
        put_number(xml, "utc_bound_ms", (double)marker->when.utc_bound_ns / 1e6, 3);
    put_data(xml, "timecode", marker->timecode.label);
    put_data(xml, "timecode_rate", marker->timecode.rate);
    put_data(xml, "timecode_state", timecode_trust_name(marker->timecode.trust));
    put_data(xml, "position_source", marker->telemetry.position.source);
    if (marker->telemetry.position.uncertainty_m >= 0)
        put_number(xml, "position_uncertainty_m", marker->telemetry.position.uncertainty_m, 1);
    for (uint32_t i = 0; i < marker->telemetry.reading_count; i++)
        put_number(xml, marker->telemetry.reading[i].channel, marker->telemetry.reading[i].value, 4);
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
    put_readings(kml->xml, marker);
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
        put_readings(kml->xml, &kml->kept);
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

static int write_kml(struct export_job *job)
{
    struct kml *kml = calloc(1, sizeof *kml);
    int result = -1;
    if (kml != NULL)
        kml->xml = xmlout_open(job->out);
    if (kml == NULL || kml->xml == NULL) {
        free(kml);
        return export_fail(job, "out of memory");
    }
    kml->job = job;
    result = put_document(kml);
    xmlout_close(kml->xml);
    free(kml->run);
    free(kml);
    return result;
}

const struct export_format export_kml = {
    .name = "kml", .summary = "track, markers and samples for globes (OGC KML 2.3)", .write = write_kml};
