/* dwca: the core, one row an event. */
#include "export/dwca.h"

#include "core/event.h"
#include "export/decimal.h"
#include "export/dwca_reach.h"
#include "export/path.h"
#include "export/stands.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PROTOCOL                                                                                             \
    "Observations from the video of an underwater vehicle, each put on record by a key press with time, "    \
    "position and "                                                                                          \
    "water properties"
#define VERTEX_NS (10 * NS_PER_S) /* footprints have a vertex every so often: for maps, not for measuring */

/* What all rows of the table are made of. */
struct event {
    char letter; /* 'D' the dive */
    uint32_t number;
    char parent[DWCA_ID];
    const char *type;
    bool undated; /* the clock was not known when it was pressed */
    utc_ns start, end;
    struct dwca_place place;
    const char *footprint; /* WKT; "": none */
    const char *protocol;
    char effort[64];
    const char *field_number;
    char remarks[DWCA_TEXT];
};

static void put_place(struct dwcrow *row, const struct dwca_place *place)
{
    if (place->known) {
        dwcrow_real(row, place->lat_deg, 7);
        dwcrow_real(row, place->lon_deg, 7);
        dwcrow_text(row, "EPSG:4326");
    } else {
        for (int i = 0; i < 3; i++)
            dwcrow_empty(row);
    }
    /* the standard: a radius above 0; where it is not known, no value */
    if (place->known && place->uncertainty_m > 0)
        dwcrow_real(row, ceil(place->uncertainty_m * 10) / 10, 1);
    else
        dwcrow_empty(row);
    if (place->depth_known) {
        dwcrow_real(row, place->least_m, 2);
        dwcrow_real(row, place->most_m, 2);
    } else {
        dwcrow_empty(row);
        dwcrow_empty(row);
    }
}

/* An instant, or an interval as ISO 8601 has it. */
static void put_date(struct dwcrow *row, utc_ns start, utc_ns end)
{
    char text[72];
    event_utc_text(start, text);
    if (end.ns > start.ns) {
        size_t len = strlen(text);
        text[len] = '/';
        event_utc_text(end, text + len + 1);
    }
    dwcrow_text(row, text);
}

static void put_event(struct dwca *dwca, const struct event *event)
{
    struct dwcrow *row = &dwca->row[DWC_EVENT];
    const struct export_dataset *set = &dwca->dataset;
    char id[DWCA_ID];
    dwca_id(dwca, id, event->letter, event->number, "");
    dwcrow_text(row, id);
    dwcrow_text(row, event->parent);
    dwcrow_text(row, event->type);
    if (event->undated)
        dwcrow_empty(row);
    else
        put_date(row, event->start, event->end);
    put_place(row, &event->place);
    dwcrow_text(row, event->footprint);
    dwcrow_text(row, event->footprint[0] != '\0' ? "EPSG:4326" : "");
    dwcrow_text(row, dwca->job->row->dive.site);
    dwcrow_text(row, event->protocol);
    dwcrow_text(row, event->effort);
    dwcrow_text(row, event->field_number);
    dwcrow_texts(row, 5,
                 (const char *const[]){set->institution_code, set->dataset_id, set->title, set->license,
                                       set->rights_holder});
    dwcrow_text(row, event->remarks);
    dwcrow_end(row);
}

static const char *protocol_of(const struct dwca *dwca)
{
    return dwca->dataset.sampling_protocol[0] != '\0' ? dwca->dataset.sampling_protocol : PROTOCOL;
}

/* -- footprints: the way between two instants, and the circle around its first point that holds it -- */

struct footprint {
    char *text;
    size_t len, size;
    size_t vertices;
    int lines;
    int64_t last_ns;
    bool failed;
    bool begun;
    struct dwca_reach reach;
    double lat_deg, lon_deg; /* the latest vertex left out; put before its line ends */
    bool left_out;
};

static void append(struct footprint *print, const char *text)
{
    size_t len = strlen(text);
    if (print->len + len + 1 > print->size) {
        size_t size = print->size == 0 ? 4096 : print->size * 2;
        char *more = realloc(print->text, size);
        print->failed |= more == NULL;
        if (more == NULL)
            return;
        print->text = more;
        print->size = size;
    }
    memcpy(print->text + print->len, text, len + 1);
    print->len += len;
}

static void append_vertex(struct footprint *print, double lat_deg, double lon_deg)
{
    char lon[DECIMAL_SIZE], lat[DECIMAL_SIZE];
    decimal_put(lon, lon_deg, 6);
    decimal_put(lat, lat_deg, 6);
    append(print, print->vertices > 0 ? ", " : "");
    append(print, lon);
    append(print, " ");
    append(print, lat);
    print->vertices++;
    print->left_out = false;
}

static void begin_line(void *ctx)
{
    struct footprint *print = ctx;
    append(print, print->lines++ == 0 ? "MULTILINESTRING ((" : ", (");
    print->vertices = 0;
}

static void put_vertex(void *ctx, double lat_deg, double lon_deg, const struct path_point *point)
{
    struct footprint *print = ctx;
    if (!print->begun)
        dwca_reach_begin(&print->reach, lat_deg, lon_deg);
    print->begun = true;
    dwca_reach_add(&print->reach, lat_deg, lon_deg, point->uncertainty_m);
    print->left_out = print->vertices > 0 && point->utc.ns - print->last_ns < VERTEX_NS;
    print->lat_deg = lat_deg;
    print->lon_deg = lon_deg;
    if (print->left_out)
        return;
    append_vertex(print, lat_deg, lon_deg);
    print->last_ns = point->utc.ns;
}

static void end_line(void *ctx)
{
    struct footprint *print = ctx;
    if (print->left_out)
        append_vertex(print, print->lat_deg, print->lon_deg);
    append(print, ")");
}

/* Fills in place and footprint, of the dive first, which all others are pieces of; the text is the caller's to free. NULL: no track, then the place is the marker's. */
static char *draw(struct dwca *dwca, struct event *event, uint32_t marker)
{
    static const struct path_sink sink = {begin_line, put_vertex, end_line};
    struct footprint print = {.begun = false};
    int drawn = dwca->way.points == NULL
                    ? way_open(&dwca->way, dwca->job, event->start, event->end, &sink, &print)
                    : way_lines(&dwca->way, event->start, event->end, &sink, &print);
    dwca->failed |= drawn != 0 || print.failed;
    if (print.lines > 0)
        append(&print, ")");
    dwca_place(dwca, marker, event->start, event->end, &event->place);
    if (print.begun) {
        event->place.known = true;
        event->place.lat_deg = print.reach.lat_deg;
        event->place.lon_deg = print.reach.lon_deg;
        event->place.uncertainty_m = dwca_reach_radius(&print.reach);
    }
    event->footprint = print.text != NULL ? print.text : "";
    return print.text;
}

/* -- rows -- */

static void put_dive(struct dwca *dwca)
{
    const struct query_dive *row = dwca->job->row;
    struct event event = {.letter = 'D',
                          .type = "Dive",
                          .start = dwca->from,
                          .end = dwca->to,
                          .protocol = protocol_of(dwca),
                          .field_number = dwca->job->dive};
    char *footprint = draw(dwca, &event, 0);
    snprintf(event.effort, sizeof event.effort, "%" PRId64 " s", (dwca->to.ns - dwca->from.ns) / NS_PER_S);
    snprintf(event.remarks, sizeof event.remarks, "%s%s%s%s", row->dive.vehicle[0] != '\0' ? "vehicle " : "",
             row->dive.vehicle, row->dive.ship[0] != '\0' ? ", ship " : "", row->dive.ship);
    put_event(dwca, &event);
    free(footprint);
}

static bool span_row(void *ctx, const struct query_span *row)
{
    struct dwca *dwca = ctx;
    const struct span_entry *span = &row->span;
    if (!stands(span->state) || strcmp(span->kind, "phase") == 0)
        return true;
    struct event event = {.letter = 'T',
                          .number = span->number,
                          .type = span->transect != 0 ? "Transect" : "Survey",
                          .start = span->start,
                          .end = dwca_end(dwca, span->closed_by, span->start, span->end),
                          .protocol = protocol_of(dwca),
                          .field_number = ""};
    dwca_id(dwca, event.parent, 'D', 0, "");
    char *footprint = draw(dwca, &event, span->first_marker);
    snprintf(event.effort, sizeof event.effort, "%.3f s", (double)(event.end.ns - event.start.ns) / 1e9);
    if (span->transect != 0)
        snprintf(event.remarks, sizeof event.remarks, "%s %" PRIu32,
                 span->label[0] != '\0' ? span->label : span->kind, span->transect);
    else
        snprintf(event.remarks, sizeof event.remarks, "%s", span->label);
    put_event(dwca, &event);
    free(footprint);
    return !dwca->failed;
}

/* The transect or span that the instant lies in, the one that began last; else the dive. */
static void parent_at(const struct dwca *dwca, utc_ns at, char out[DWCA_ID])
{
    const struct dwca_stay *best = NULL;
    for (size_t i = 0; i < dwca->stays; i++) {
        const struct dwca_stay *stay = &dwca->stay[i];
        if (stay->start_ns <= at.ns && at.ns < stay->end_ns &&
            (best == NULL || stay->start_ns > best->start_ns))
            best = stay;
    }
    dwca_id(dwca, out, best != NULL ? 'T' : 'D', best != NULL ? best->number : 0, "");
}

/* How well the time of dwca->marker is known, and its place in the recording. */
static void describe_time(const struct dwca *dwca, char *out, size_t size)
{
    const struct marker *marker = &dwca->marker.marker;
    char bound[64] = "with no known bound", timecode[96] = "";
    if (marker->when.utc_bound_ns >= 0)
        snprintf(bound, sizeof bound, "within %.1f ms", ceil((double)marker->when.utc_bound_ns / 1e5) / 10);
    if (marker->timecode.trust != TIMECODE_TRUST_NONE)
        snprintf(timecode, sizeof timecode, "; video timecode %s at %s (%s)", marker->timecode.label,
                 marker->timecode.rate, timecode_trust_name(marker->timecode.trust));
    snprintf(out, size, "UTC %s, clock %s%s; position of the %s", bound, clock_trust_name(marker->when.trust),
             timecode,
             marker->telemetry.position.known ? marker->telemetry.position.source : "press not known");
}

/* What dwca_place() found of the press that the event hangs on. */
static void describe_press(const struct dwca *dwca, uint32_t marker, struct event *event)
{
    if (marker == 0 || dwca->marker.marker.number != marker)
        return;
    describe_time(dwca, event->remarks, sizeof event->remarks);
    event->undated = dwca->marker.marker.when.trust == CLOCK_TRUST_NONE;
}

void dwca_sighting_event(struct dwca *dwca, const struct sighting_entry *sighting)
{
    struct event event = {.letter = 'S',
                          .number = sighting->number,
                          .type = "Observation",
                          .start = sighting->start,
                          .end = dwca_end(dwca, sighting->closed_by, sighting->start, sighting->end),
                          .footprint = "",
                          .protocol = protocol_of(dwca),
                          .field_number = ""};
    parent_at(dwca, (utc_ns){sighting->start.ns + sighting->lead_ns}, event.parent);
    dwca_place(dwca, sighting->first_marker, event.start, event.end, &event.place);
    describe_press(dwca, sighting->first_marker, &event);
    dwca_join(event.remarks, sizeof event.remarks, sighting->closed_by[0] == '\0' ? "was still open" : "");
    put_event(dwca, &event);
}

void dwca_sample_event(struct dwca *dwca, const struct sample_entry *sample)
{
    struct event event = {.letter = 'A',
                          .number = sample->number,
                          .type = "Sample",
                          .start = sample->taken,
                          .end = sample->taken,
                          .footprint = "",
                          .protocol = sample->gear[0] != '\0' ? sample->gear : protocol_of(dwca),
                          .field_number = sample->container};
    if (dwca_find_sighting(dwca, sample->sighting))
        dwca_id(dwca, event.parent, 'S', sample->sighting, "");
    else
        parent_at(dwca, sample->taken, event.parent);
    dwca_place(dwca, sample->marker, (utc_ns){sample->taken.ns - NS_PER_S},
               (utc_ns){sample->taken.ns + NS_PER_S}, &event.place);
    describe_press(dwca, sample->marker, &event);
    dwca_join(event.remarks, sizeof event.remarks, sample->label);
    dwca_join(event.remarks, sizeof event.remarks, sample->note);
    put_event(dwca, &event);
}

int dwca_dive_events(struct dwca *dwca)
{
    struct query_want want = {.dive = dwca->job->dive};
    put_dive(dwca);
    if (query_spans(dwca->job->reader, &want, span_row, dwca) < 0 || dwca->failed)
        return export_reader_failed(dwca->job);
    return 0;
}
