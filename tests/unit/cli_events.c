/*
 * Events and rows of every type from entries that hold anything: each is one JSON text without a newline that fits its room, with the
 * seq and type it was made of. `cli_events --list` prints them, "event JSON" or "KIND JSON", for the schemas (tests/readers).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "core/event.h"
#include "export/rowjson.h"

#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint64_t random_state;

static uint64_t random_bits(void)
{
    /* xorshift64*, Marsaglia 2003 / Vigna 2014 */
    random_state ^= random_state >> 12;
    random_state ^= random_state << 25;
    random_state ^= random_state >> 27;
    return random_state * UINT64_C(2685821657736338717);
}

static uint32_t below(uint32_t limit)
{
    return (uint32_t)(random_bits() >> 33) % limit;
}

static bool chance(void)
{
    return below(2) == 0;
}

static const char *pick(const char *const *texts, uint32_t count)
{
    return texts[below(count)];
}
#define PICK(out, ...)                                                                                       \
    do {                                                                                                     \
        static const char *const picked_[] = {__VA_ARGS__};                                                  \
        snprintf(out, sizeof(out), "%s", pick(picked_, sizeof picked_ / sizeof picked_[0]));                 \
    } while (0)

/* Empty, plain, or of any bytes and as long as the room allows. */
static void any_text(char *out, size_t size, bool may_be_empty)
{
    static const char *const pieces[] = {"a", "Z",    "\"",       "\\", "\n", "\x01",        "\x7f",
                                         "é", "\xff", "\xe2\x82", "𝄞",  "</", "\xed\xa0\x80"};
    size_t len = 0, most = may_be_empty && below(4) == 0 ? 0 : 1 + below((uint32_t)size - 1);
    while (len < most) {
        const char *piece = pick(pieces, sizeof pieces / sizeof pieces[0]);
        size_t more = strlen(piece);
        if (len + more >= size)
            break;
        memcpy(out + len, piece, more);
        len += more;
    }
    if (len == 0 && !may_be_empty)
        out[len++] = 'x';
    out[len] = '\0';
}
#define ANY(field) any_text(field, sizeof(field), true)
#define SOME(field) any_text(field, sizeof(field), false)

static double any_real(double least, double most)
{
    return least + (most - least) * (double)(random_bits() >> 11) / 9007199254740992.0;
}

static utc_ns any_utc(void)
{
    return (utc_ns){(int64_t)(random_bits() % UINT64_C(7000000000000000000))};
}

static struct when any_when(void)
{
    struct when when = {.trust = (enum clock_trust)below(4), .utc = any_utc(), .mono_bound_ns = -1};
    when.utc_bound_ns = when.trust <= CLOCK_TRUST_UNSYNCED ? -1 : (int64_t)below(2000000000);
    return when;
}

static struct timecode_stamp any_timecode(void)
{
    struct timecode_stamp stamp = {.trust = (enum timecode_trust)below(3)};
    if (stamp.trust == TIMECODE_TRUST_NONE)
        return stamp;
    snprintf(stamp.label, sizeof stamp.label, "%02u:%02u:%02u%c%02u", below(24), below(60), below(60),
             chance() ? ':' : ';', below(60));
    PICK(stamp.rate, "23.976", "24", "25", "29.97df", "29.97ndf", "30", "50", "59.94df", "59.94ndf", "60");
    stamp.bound_frames = below(4) == 0 ? -1 : any_real(0, 30);
    return stamp;
}

static void any_telemetry(struct marker_telemetry *telemetry)
{
    memset(telemetry, 0, sizeof *telemetry);
    struct marker_position *position = &telemetry->position;
    *position = (struct marker_position){
        .known = chance(), .lat_deg = any_real(-90, 90), .lon_deg = any_real(-180, 180)};
    position->uncertainty_m = chance() ? -1 : any_real(0, 500);
    position->method = (enum reading_method)below(4);
    position->age_s = any_real(0, 100);
    PICK(position->source, "vehicle", "ship");
    ANY(position->feed);
    telemetry->reading_count = below(MARKER_READINGS_MAX + 1);
    for (uint32_t i = 0; i < telemetry->reading_count; i++) {
        struct marker_reading *reading = &telemetry->reading[i];
        snprintf(reading->channel, sizeof reading->channel, "x.channel_%u", i);
        reading->value = any_real(-1e6, 1e6);
        reading->age_s = any_real(0, 100);
        reading->method = (enum reading_method)below(4);
        ANY(reading->source);
    }
}

static uint32_t any_number(void)
{
    return below(3) == 0 ? 0 : 1 + below(chance() ? 5000 : UINT32_MAX / 2);
}

static void any_marker(struct marker *marker)
{
    marker->number = 1 + below(9999);
    marker->origin = (enum marker_origin)below(3);
    ANY(marker->seat);
    ANY(marker->who);
    ANY(marker->pad);
    ANY(marker->key);
    PICK(marker->gesture, "tap", "hold", "chord", "soft");
    PICK(marker->kind, "subject", "detail", "strike", "sample");
    ANY(marker->label);
    ANY(marker->term);
    marker->lead_ns = (int64_t)below(10) * NS_PER_S;
    ANY(marker->note);
    ANY(marker->by);
    ANY(marker->container);
    ANY(marker->gear);
    ANY(marker->advice);
    marker->sighting = any_number();
    marker->instead_of = any_number();
    marker->when = any_when();
    marker->timecode = any_timecode();
    marker->settled = chance();
    any_telemetry(&marker->telemetry);
}

static void any_sighting(struct sighting_entry *sighting)
{
    sighting->number = 1 + below(999);
    PICK(sighting->state, "open", "closed", "struck", "withdrawn");
    ANY(sighting->seat);
    ANY(sighting->label);
    ANY(sighting->term);
    sighting->first_marker = any_number();
    sighting->last_marker = any_number();
    sighting->marker_count = below(100);
    sighting->individuals = below(100);
    sighting->start = any_utc();
    sighting->lead_ns = (int64_t)below(10) * NS_PER_S;
    sighting->end = any_utc();
    PICK(sighting->closed_by, "", "done", "next subject");
    sighting->tied_to = any_number();
    SOME(sighting->tie);
    ANY(sighting->tie_term);
    sighting->again_of = any_number();
    sighting->recomputed = chance();
}

static void any_span(struct span_entry *span)
{
    span->number = 1 + below(999);
    PICK(span->kind, "span", "phase", "transect");
    PICK(span->state, "open", "closed", "struck");
    span->transect = any_number();
    ANY(span->label);
    ANY(span->term);
    ANY(span->seat);
    span->first_marker = any_number();
    span->last_marker = any_number();
    span->start = any_utc();
    span->end = any_utc();
    PICK(span->closed_by, "", "pressed again", "dive end");
    span->recomputed = chance();
}

static void any_sample(struct sample_entry *sample)
{
    sample->number = any_number();
    PICK(sample->state, "taken", "retired", "refused");
    ANY(sample->container);
    ANY(sample->gear);
    ANY(sample->seat);
    ANY(sample->label);
    ANY(sample->term);
    ANY(sample->note);
    sample->marker = any_number();
    sample->sighting = any_number();
    sample->taken = any_utc();
    ANY(sample->why);
    sample->recomputed = chance();
}

static void any_identification(struct identification_entry *identification)
{
    PICK(identification->target, "D007-S031", "A004");
    SOME(identification->name);
    ANY(identification->verbatim);
    ANY(identification->rank);
    ANY(identification->qualifier);
    ANY(identification->name_id);
    identification->listed = (int8_t)(below(3) - 1);
    ANY(identification->by);
    ANY(identification->why);
}

static void any_measurement(struct measurement_entry *measurement)
{
    PICK(measurement->target, "D007-S031", "A004");
    PICK(measurement->quantity, "length");
    PICK(measurement->method, "paired lasers");
    measurement->value_m = any_real(0, 100);
    measurement->sigma_m = any_real(0, 10);
    measurement->object_pixels = any_real(0.1, 5000);
    measurement->laser_pixels = any_real(0.1, 5000);
    measurement->pixel_sigma = any_real(0, 5);
    measurement->spacing_m = any_real(0.01, 1);
    measurement->spacing_sigma_m = any_real(0, 0.1);
    ANY(measurement->note);
    ANY(measurement->by);
}

static void any_settled(struct settled *settled)
{
    settled->marker = 1 + below(9999);
    PICK(settled->cause, "bracketed", "waited", "clock", "record");
    settled->when = any_when();
    settled->has_timecode = chance();
    settled->has_telemetry = chance();
    settled->timecode = any_timecode();
    any_telemetry(&settled->telemetry);
}

static void any_link(struct link_entry *link)
{
    link->marker = 1 + below(9999);
    link->sighting = any_number();
    link->struck_by = any_number();
    ANY(link->advice);
    ANY(link->who);
}

static void any_notice(struct notice_entry *notice)
{
    SOME(notice->about);
    SOME(notice->state);
    ANY(notice->text);
    notice->has_value = chance();
    notice->value = any_real(-1e3, 1e3);
}

static void any_entry(struct entry *entry, enum entry_type type, int64_t seq)
{
    memset(entry, 0, sizeof *entry);
    entry->type = type;
    entry->seq = seq;
    entry->at = any_when();
    PICK(entry->dive, "", "D007", "a.B-9_c");
    switch (type) {
    case ENTRY_MARKER:
        any_marker(&entry->of.marker);
        break;
    case ENTRY_SETTLED:
        any_settled(&entry->of.settled);
        break;
    case ENTRY_SIGHTING:
        any_sighting(&entry->of.sighting);
        break;
    case ENTRY_SPAN:
        any_span(&entry->of.span);
        break;
    case ENTRY_SAMPLE:
        any_sample(&entry->of.sample);
        break;
    case ENTRY_IDENTIFICATION:
        any_identification(&entry->of.identification);
        break;
    case ENTRY_MEASUREMENT:
        any_measurement(&entry->of.measurement);
        break;
    case ENTRY_REMARK:
        PICK(entry->of.remark.target, "D007-M0112", "M0112", "T002");
        SOME(entry->of.remark.text);
        ANY(entry->of.remark.by);
        break;
    case ENTRY_STRIKE:
        PICK(entry->of.strike.target, "D007-M0112", "S031");
        entry->of.strike.restored = chance();
        ANY(entry->of.strike.by);
        ANY(entry->of.strike.why);
        break;
    case ENTRY_LINK:
        any_link(&entry->of.link);
        break;
    case ENTRY_DIVE:
        PICK(entry->of.dive.state, "begun", "ended");
        ANY(entry->of.dive.vehicle);
        ANY(entry->of.dive.ship);
        ANY(entry->of.dive.site);
        entry->of.dive.planned_bottom_ns = chance() ? 0 : below(10000) * INT64_C(60000000000);
        break;
    case ENTRY_SEAT:
        SOME(entry->of.seat.seat);
        ANY(entry->of.seat.who);
        break;
    default:
        any_notice(&entry->of.notice);
        break;
    }
}

/* -- rows -- */

static struct {
    struct query_marker marker;
    struct query_sighting sighting;
    struct query_span span;
    struct query_sample sample;
    struct query_dive dive;
} rows;

static size_t any_row(int kind, char *out, size_t size)
{
    static const char dive[] = "D007";
    memset(&rows, 0, sizeof rows);
    strcpy(rows.marker.dive, dive);
    strcpy(rows.marker.ref, "D007-M0112");
    rows.marker.seq = 1 + below(100000);
    rows.marker.struck = chance();
    rows.marker.settlings = below(3);
    rows.marker.as_pressed = any_when();
    any_marker(&rows.marker.marker);
    strcpy(rows.sighting.ref, "D007-S031");
    rows.sighting.seq = rows.span.seq = rows.sample.seq = rows.marker.seq;
    any_sighting(&rows.sighting.sighting);
    rows.sighting.identified = chance();
    any_identification(&rows.sighting.identification);
    rows.sighting.measured = chance();
    any_measurement(&rows.sighting.measurement);
    rows.sighting.ask_shore = chance();
    strcpy(rows.span.ref, "T002");
    any_span(&rows.span.span);
    strcpy(rows.sample.dive, dive);
    strcpy(rows.sample.ref, "D007-A004");
    any_sample(&rows.sample.sample);
    rows.sample.sample.number = 4;
    strcpy(rows.dive.id, dive);
    rows.dive.open = chance();
    rows.dive.begun = any_when();
    rows.dive.ended = any_when();
    ANY(rows.dive.dive.vehicle);
    ANY(rows.dive.dive.site);
    rows.dive.dive.planned_bottom_ns = chance() ? 0 : INT64_C(3600000000000);
    rows.dive.markers = any_number();
    switch (kind) {
    case 0:
        return rowjson_marker(&rows.marker, out, size);
    case 1:
        return rowjson_sighting(&rows.sighting, out, size);
    case 2:
        return rowjson_span(&rows.span, out, size);
    case 3:
        return rowjson_sample(&rows.sample, chance() ? &rows.marker : NULL, out, size);
    default:
        return rowjson_dive(&rows.dive, out, size);
    }
}

static const char *const ROW_NAMES[] = {"marker", "sighting", "span", "sample", "dive"};

/* -- tests -- */

#define ROUNDS 200

static struct entry entry;
static char text[ROWJSON_BYTES_MAX];

static json_t *parsed(size_t len)
{
    json_error_t error;
    assert_true(len > 0);
    assert_int_equal(len, strlen(text));
    assert_null(memchr(text, '\n', len));
    json_t *root = json_loadb(text, len, JSON_REJECT_DUPLICATES, &error);
    if (root == NULL)
        fail_msg("%s at %d of %s", error.text, error.position, text);
    return root;
}

static void every_event_is_one_json_text(void **state)
{
    (void)state;
    for (int type = 0; type < ENTRY_TYPES; type++) {
        for (int64_t seq = 1; seq <= ROUNDS; seq++) {
            any_entry(&entry, (enum entry_type)type, seq);
            json_t *root = parsed(event_json(&entry, text, EVENT_BYTES_MAX));
            assert_true(json_integer_value(json_object_get(root, "seq")) == seq);
            assert_string_equal(json_string_value(json_object_get(root, "type")),
                                entry_type_name((enum entry_type)type));
            assert_int_equal(entry_type_find(entry_type_name((enum entry_type)type)), type);
            json_decref(root);
        }
    }
}

static void every_row_is_one_json_text(void **state)
{
    (void)state;
    for (int kind = 0; kind < 5; kind++)
        for (int i = 0; i < ROUNDS; i++)
            json_decref(parsed(any_row(kind, text, sizeof text)));
}

static void too_little_room_gives_nothing(void **state)
{
    (void)state;
    for (int kind = 0; kind < 5; kind++) {
        size_t whole = any_row(kind, text, sizeof text);
        random_state = 99;
        whole = any_row(kind, text, sizeof text);
        for (size_t size = whole < 300 ? 1 : whole - 300; size <= whole; size++) {
            random_state = 99;
            char *room = malloc(size); /* the sanitizer watches its end */
            assert_int_equal(any_row(kind, room, size), 0);
            free(room);
        }
        random_state = 99;
        assert_int_equal(any_row(kind, text, whole + 1), whole);
    }
}

static int list(void)
{
    for (int round = 0; round < ROUNDS; round++) {
        for (int type = 0; type < ENTRY_TYPES; type++) {
            any_entry(&entry, (enum entry_type)type, 1 + round);
            if (event_json(&entry, text, EVENT_BYTES_MAX) == 0)
                return 1;
            printf("event %s\n", text);
        }
        for (int kind = 0; kind < 5; kind++) {
            if (any_row(kind, text, sizeof text) == 0)
                return 1;
            printf("%s %s\n", ROW_NAMES[kind], text);
        }
    }
    return 0;
}

int main(int argc, char **argv)
{
    const char *seed = getenv("BELLROPE_SEED");
    random_state = seed != NULL ? strtoull(seed, NULL, 0) : 20310304;
    if (argc > 1 && strcmp(argv[1], "--list") == 0)
        return list();
    printf("seed %" PRIu64 "\n", random_state);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_event_is_one_json_text),
        cmocka_unit_test(every_row_is_one_json_text),
        cmocka_unit_test(too_little_room_gives_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
