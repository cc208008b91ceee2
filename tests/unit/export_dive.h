/*
 * export_dive: one dive with everything in it that a format could stumble over, made through the store as the daemon does. The vehicle
 * crosses the antimeridian, its positioning drops out once, texts hold what formats take for markup, one of everything is struck.
 * Everything is invented.
 *
 * The dive lasts 1,200 s from T0 (2031-02-27T23:06:40Z); the recorder shows 10:00:00 at T0, drop-frame 29.97 unless said otherwise.
 */
#ifndef BELLROPE_TESTS_EXPORT_DIVE_H
#define BELLROPE_TESTS_EXPORT_DIVE_H

#include "unit/store_fixture.h"

#include "core/timecode.h"
#include "export/export.h"

#include <math.h>

#define S NS_PER_S
#define NASTY "a <b> & \"c\" ]]> \t{d} =;#\\ \x01\xff\nline --> two"

struct dive_plan {
    enum timecode_rate rate;
    bool no_timecode;
};

static inline void dive_place(double at_s, double *lat_deg, double *lon_deg)
{
    *lat_deg = -12.345 + at_s * 2e-6;
    *lon_deg = 179.9985 + at_s * 5e-6; /* over the antimeridian at 300 s */
    if (*lon_deg > 180)
        *lon_deg -= 360;
}

static inline double dive_depth_m(double at_s)
{
    return 1200 + 10 * sin(at_s / 60);
}

static inline void dive_sample(struct fixture *f, const char *channel, const char *feed, int64_t at_ns,
                               double value)
{
    struct engine_sample sample = {
        .channel = channel, .feed = feed, .at = {1000 + at_ns}, .utc = {T0 + at_ns}, .value = value};
    store_sample(f->store, &sample);
}

static inline void dive_telemetry(struct fixture *f)
{
    for (int i = 0; i < 1200; i++) {
        double lat, lon;
        int64_t at = i * S;
        dive_place(i, &lat, &lon);
        dive_sample(f, "ship.lat_deg", "bridge", at, lat + 0.001);
        dive_sample(f, "ship.lon_deg", "bridge", at, lon);
        dive_sample(f, "vehicle.depth_m", "ctd", at, dive_depth_m(i));
        dive_sample(f, "vehicle.heading_deg", "vehicle", at, i % 2 == 0 ? 359.5 : 0.5);
        if (i < 900) /* then the thermometer fails */
            dive_sample(f, "water.temperature_C", "ctd", at, 2.5 + i * 1e-4);
        if (i % 2 != 0 || (i >= 500 && i < 700))
            continue;
        dive_sample(f, "vehicle.lat_deg", "acoustic", at + 300 * NS_PER_MS, lat);
        dive_sample(f, "vehicle.lon_deg", "acoustic", at + 300 * NS_PER_MS, lon);
    }
}

static inline void dive_reading(struct marker *marker, const char *channel, double value)
{
    struct marker_reading *reading = &marker->telemetry.reading[marker->telemetry.reading_count++];
    SET_TEXT(reading->channel, channel);
    reading->value = value;
    reading->age_s = 0.2;
    reading->method = READING_METHOD_INTERPOLATED;
    SET_TEXT(reading->source, "ctd");
}

/* Not submitted yet: the caller may change it. */
static inline struct entry *dive_marker(const struct dive_plan *plan, uint32_t number, double at_s,
                                        const char *kind, const char *label, const char *term,
                                        uint32_t sighting)
{
    struct entry *entry = make_marker("D007", number, number, (int64_t)llround(at_s * 1000) * NS_PER_MS);
    struct marker *marker = &entry->of.marker;
    double lat, lon;
    SET_TEXT(marker->kind, kind);
    SET_TEXT(marker->label, label);
    SET_TEXT(marker->term, term);
    SET_TEXT(marker->who, "A. Example");
    marker->sighting = sighting;
    marker->settled = true;
    dive_place(at_s, &lat, &lon);
    marker->telemetry.position = (struct marker_position){.known = true,
                                                          .lat_deg = lat,
                                                          .lon_deg = lon,
                                                          .uncertainty_m = 6.14,
                                                          .method = READING_METHOD_FILTERED};
    SET_TEXT(marker->telemetry.position.source, "vehicle");
    SET_TEXT(marker->telemetry.position.feed, "acoustic");
    dive_reading(marker, "vehicle.altitude_m", 2.25);
    dive_reading(marker, "vehicle.depth_m", dive_depth_m(at_s));
    dive_reading(marker, "water.salinity", 34.6871);
    dive_reading(marker, "water.temperature_C", 2.5 + at_s * 1e-4);
    if (plan->no_timecode)
        return entry;
    struct timecode zero;
    int64_t frame;
    assert_int_equal(timecode_parse("10:00:00:00", plan->rate, &zero), 0);
    assert_int_equal(timecode_to_frame(zero, plan->rate, &frame), 0);
    frame += timecode_frame_at_ns((int64_t)llround(at_s * 1000) * NS_PER_MS, plan->rate);
    int32_t num, den;
    timecode_rate_fraction(plan->rate, &num, &den);
    double exact = at_s * num / den;
    marker->timecode = (struct timecode_stamp){
        .trust = TIMECODE_TRUST_LOCKED, .frame = frame, .within = exact - floor(exact), .bound_frames = 0.04};
    timecode_format(timecode_from_frame(frame, plan->rate), plan->rate, marker->timecode.label);
    SET_TEXT(marker->timecode.rate, timecode_rate_name(plan->rate));
    return entry;
}

static inline struct entry *dive_sighting(uint32_t number, const char *state, const char *label,
                                          double start_s, double end_s, uint32_t marker)
{
    struct entry *entry = make_entry(ENTRY_SIGHTING, "D007", (int64_t)(end_s * 1e9));
    entry->of.sighting = (struct sighting_entry){.number = number,
                                                 .first_marker = marker,
                                                 .last_marker = marker,
                                                 .marker_count = 1,
                                                 .individuals = 1,
                                                 .start = {T0 + (int64_t)llround(start_s * 1000) * NS_PER_MS},
                                                 .lead_ns = 2 * S,
                                                 .end = {T0 + (int64_t)llround(end_s * 1000) * NS_PER_MS}};
    SET_TEXT(entry->of.sighting.seat, "science");
    SET_TEXT(entry->of.sighting.state, state);
    SET_TEXT(entry->of.sighting.label, label);
    SET_TEXT(entry->of.sighting.closed_by, strcmp(state, "open") == 0 ? "" : "key");
    return entry;
}

static inline void dive_span(struct fixture *f, uint32_t number, const char *kind, uint32_t transect,
                             const char *label, const char *state, double start_s, double end_s)
{
    struct entry *entry = make_entry(ENTRY_SPAN, "D007", (int64_t)(end_s * 1e9));
    struct span_entry *span = &entry->of.span;
    *span = (struct span_entry){.number = number,
                                .transect = transect,
                                .first_marker = 1,
                                .last_marker = 1,
                                .start = {T0 + (int64_t)(start_s * 1e9)},
                                .end = {T0 + (int64_t)(end_s * 1e9)}};
    SET_TEXT(span->kind, kind);
    SET_TEXT(span->label, label);
    SET_TEXT(span->state, state);
    SET_TEXT(span->closed_by, "key");
    submit(f, entry);
}

static inline void dive_name(struct fixture *f, double at_s, const char *target, const char *name,
                             const char *qualifier, const char *id)
{
    struct entry *entry = make_entry(ENTRY_IDENTIFICATION, "D007", (int64_t)(at_s * 1e9));
    struct identification_entry *to = &entry->of.identification;
    SET_TEXT(to->target, target);
    SET_TEXT(to->name, name);
    SET_TEXT(to->qualifier, qualifier);
    snprintf(to->verbatim, sizeof to->verbatim, "%s %s", name, qualifier);
    SET_TEXT(to->rank, strchr(name, ' ') != NULL ? "species" : "genus");
    SET_TEXT(to->name_id, id);
    SET_TEXT(to->by, "B. Example");
    submit(f, entry);
}

static inline void dive_took(struct fixture *f, uint32_t number, const char *state, const char *label,
                             const char *container, uint32_t marker, uint32_t sighting, double at_s)
{
    struct entry *entry = make_entry(ENTRY_SAMPLE, "D007", (int64_t)(at_s * 1e9));
    struct sample_entry *sample = &entry->of.sample;
    *sample = (struct sample_entry){
        .number = number, .marker = marker, .sighting = sighting, .taken = {T0 + (int64_t)(at_s * 1e9)}};
    SET_TEXT(sample->state, state);
    SET_TEXT(sample->label, label);
    SET_TEXT(sample->container, container);
    SET_TEXT(sample->gear, "arm");
    submit(f, entry);
}

static inline void dive_strike(struct fixture *f, const char *target, double at_s)
{
    struct entry *entry = make_entry(ENTRY_STRIKE, "D007", (int64_t)(at_s * 1e9));
    SET_TEXT(entry->of.strike.target, target);
    SET_TEXT(entry->of.strike.why, "slip");
    submit(f, entry);
}

static inline void dive_markers(struct fixture *f, const struct dive_plan *plan)
{
    struct entry *entry;
    submit(f, dive_marker(plan, 1, 60, "phase", "On bottom", "", 0));
    submit(f, dive_marker(plan, 2, 100, "transect", "Transect", "dwc:eventType=transect", 0));
    entry = dive_marker(plan, 3, 112, "subject", "Fish", "dwc:vernacularName=fish", 1);
    SET_TEXT(entry->of.marker.note, NASTY);
    submit(f, entry);
    submit(f, dive_marker(plan, 4, 115.48, "detail", "Feeding", "dwc:behavior=feeding", 1));
    submit(f, dive_marker(plan, 5, 152, "subject", "Sponge", "dwc:scientificName=Porifera", 2));
    submit(f, dive_marker(plan, 6, 160, "detail", "Upright", "rope:view", 2));
    submit(f, dive_marker(plan, 7, 200, "subject", "Crab", "", 3)); /* struck */
    submit(f, dive_marker(plan, 8, 302, "subject",
                          "Gro\xC3\x9F"
                          "e Qualle",
                          "", 4));
    entry = dive_marker(plan, 9, 310, "sample", "Sponge piece", "", 2);
    submit(f, entry);
    submit(f, dive_marker(plan, 10, 420, "sample", "Core", "", 0));
    submit(f, dive_marker(plan, 11, 430, "sample", "Core", "", 0)); /* retired */
    submit(f, dive_marker(plan, 12, 902, "subject", "Fish", "", 5));
    entry = dive_marker(plan, 13, 950, "note", "Note", "", 0);
    entry->of.marker.telemetry.position.known = false;
    entry->of.marker.timecode = (struct timecode_stamp){0};
    entry->of.marker.origin = MARKER_LATE;
    submit(f, entry);
    entry = dive_marker(plan, 14, 960, "note", "Clockless", "", 0);
    entry->of.marker.when = (struct when){.mono = {1000 + 960 * S}, .mono_bound_ns = -1, .utc_bound_ns = -1};
    entry->of.marker.timecode = (struct timecode_stamp){0};
    submit(f, entry);
    dive_strike(f, "D007-M0007", 205);
}

static inline void dive_objects(struct fixture *f)
{
    struct entry *entry;
    dive_span(f, 1, "phase", 0, "On bottom", "closed", 60, 1100);
    dive_span(f, 2, "transect", 1, "Transect", "closed", 100, 400);
    dive_span(f, 3, "span", 0, "Struck span", "struck", 405, 410);
    entry = dive_sighting(1, "closed", "Fish", 110, 130, 3);
    entry->of.sighting.individuals = 3;
    submit(f, entry);
    entry = dive_sighting(2, "closed", "Sponge", 150, 180, 5);
    SET_TEXT(entry->of.sighting.term, "dwc:scientificName=Porifera");
    SET_TEXT(entry->of.sighting.tie, "Lives on");
    SET_TEXT(entry->of.sighting.tie_term, "dwc:relationshipOfResource=lives on");
    entry->of.sighting.tied_to = 1;
    submit(f, entry);
    submit(f, dive_sighting(3, "struck", "Crab", 198, 204, 7));
    entry = dive_sighting(4, "closed",
                          "Gro\xC3\x9F"
                          "e Qualle",
                          300, 330, 8);
    SET_TEXT(entry->of.sighting.term, "dwc:vernacularName=jelly");
    submit(f, entry);
    entry = dive_sighting(5, "open", "Fish", 900, 900, 12);
    entry->of.sighting.again_of = 1;
    submit(f, entry);
    dive_name(f, 140, "D007-S001", "Exemplaria", "indet.", "");
    dive_name(f, 141, "D007-S001", "Exemplaria ficta", "cf.", "urn:lsid:example.org:name:17");
    dive_name(f, 141, "D007-S003", "Crustaria", "", "");
    dive_took(f, 1, "taken", "Sponge piece", "box 1", 9, 2, 310);
    dive_took(f, 2, "taken", "Core", "tube 4", 10, 0, 420);
    dive_took(f, 3, "retired", "Core", "tube 5", 11, 0, 430);
    dive_name(f, 500, "D007-A001", "Porifera", "", "urn:lsid:example.org:name:4");
    entry = make_entry(ENTRY_MEASUREMENT, "D007", 500 * S);
    entry->of.measurement = (struct measurement_entry){
        .value_m = 0.175, .sigma_m = 0.0023, .object_pixels = 350, .laser_pixels = 200, .spacing_m = 0.1};
    SET_TEXT(entry->of.measurement.target, "D007-S001");
    SET_TEXT(entry->of.measurement.quantity, "length");
    SET_TEXT(entry->of.measurement.method, "paired lasers");
    SET_TEXT(entry->of.measurement.by, "C. Example");
    submit(f, entry);
    entry = make_entry(ENTRY_REMARK, "D007", 501 * S);
    SET_TEXT(entry->of.remark.target, "D007-S001");
    SET_TEXT(entry->of.remark.text, "seen well;\tlater\nagain");
    submit(f, entry);
}

static inline void dive_begin(struct fixture *f)
{
    struct entry *entry = make_dive("D007", "begun", 0);
    SET_TEXT(entry->of.dive.vehicle, "Marram");
    SET_TEXT(entry->of.dive.ship, "Lantern Gull");
    SET_TEXT(entry->of.dive.site, "Hollin Bank <north> & co");
    submit(f, entry);
}

static inline void dive_make(struct fixture *f, const struct dive_plan *plan)
{
    f->options.wait_for_room = true;
    fixture_open(f);
    dive_begin(f);
    dive_telemetry(f);
    dive_markers(f, plan);
    dive_objects(f);
    struct entry *entry = make_dive("D007", "ended", 1200 * S);
    SET_TEXT(entry->of.dive.ship, "Lantern Gull");
    SET_TEXT(entry->of.dive.site, "Hollin Bank <north> & co");
    submit(f, entry);
    flush(f);
}

/* Writes an export beside the database and reads it back; the caller frees it. `len` may be NULL. */
static inline char *dive_exported(struct fixture *f, const char *format, const struct export_options *options,
                                  size_t *len)
{
    char path[160], why[EXPORT_WHY_SIZE] = "";
    struct store_reader *reader = open_reader(f);
    snprintf(path, sizeof path, "%s/out.%s", f->folder, format);
    if (export_write(export_format_find(format), reader, options, path, why) != 0)
        fail_msg("%s: %s", format, why);
    store_reader_close(reader);
    FILE *in = fopen(path, "rb");
    assert_non_null(in);
    size_t room = 4 << 20;
    char *text = calloc(1, room);
    size_t got = fread(text, 1, room - 1, in);
    fclose(in);
    if (len != NULL)
        *len = got;
    return text;
}

/* For the readers of other makers: DIR/dive.db. */
static inline int dive_leave(const char *folder, const char *rate)
{
    void *state = NULL;
    struct dive_plan plan = {.rate = TC_RATE_29_97_DF};
    assert_int_equal(timecode_rate_parse(rate, &plan.rate), 0);
    if (fixture_setup(&state) != 0)
        return 1;
    struct fixture *f = state;
    rmdir(f->folder);
    snprintf(f->folder, sizeof f->folder, "%s", folder);
    snprintf(f->path, sizeof f->path, "%s/dive.db", folder);
    dive_make(f, &plan);
    fixture_close(f);
    free(f);
    return 0;
}

#endif
