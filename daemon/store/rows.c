#include "store/rows.h"

#include "core/jsonout.h"
#include "store/sql.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum statement {
    ADD_JOURNAL,
    ADD_REFUSED,
    ADD_MARKER,
    ADD_SETTLED,
    ADD_LINK,
    PUT_SIGHTING,
    PUT_SPAN,
    PUT_SAMPLE,
    ADD_IDENTIFICATION,
    ADD_MEASUREMENT,
    ADD_REMARK,
    ADD_STRIKE,
    BEGIN_DIVE,
    END_DIVE,
    PUT_SEAT,
    ADD_NOTICE,
    STATEMENTS
};

/* clang-format off */
#define WHEN_COLUMNS "mono_ns, mono_bound_ns, utc_ns, utc_bound_ns, clock"
#define TIMECODE_COLUMNS                                                                                              \
    "timecode, timecode_rate, timecode_frame, timecode_within, timecode_bound_frames, timecode_state"
#define TELEMETRY_COLUMNS                                                                                             \
    "lat_deg, lon_deg, position_uncertainty_m, position_source, position_feed, position_method, position_age_s, channels"

static const char *const sql[STATEMENTS] = {
    [ADD_JOURNAL] = "INSERT INTO journal (seq, type, dive, ref, at_mono_ns, at_utc_ns, at_utc_bound_ns, at_clock, run, event) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [ADD_REFUSED] = "INSERT INTO refused (seq, why) VALUES (?, ?)",
    [ADD_MARKER] = "INSERT INTO marker (seq, dive, number, origin, seat, who, pad, pad_boot, press_seq, tick_us, key, gesture, kind, "
                   "label, term, lead_ns, note, entered_by, phase, container, gear, capacity, target, instead_of, sighting, object, advice, settled, "
                   WHEN_COLUMNS ", " TIMECODE_COLUMNS ", " TELEMETRY_COLUMNS
                   ") VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, "
                   "?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [ADD_SETTLED] = "INSERT INTO settled (seq, dive, marker, cause, " WHEN_COLUMNS ", " TIMECODE_COLUMNS ", " TELEMETRY_COLUMNS
                    ") VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [ADD_LINK] = "INSERT INTO link (seq, dive, marker, sighting, object, struck_by, advice, who) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    [PUT_SIGHTING] = "INSERT OR REPLACE INTO sighting (dive, number, seq, seat, state, label, term, first_marker, last_marker, markers, "
                     "individuals, start_utc_ns, lead_ns, end_utc_ns, closed_by, tie, tie_term, tied_to, again_of, recomputed) "
                     "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [PUT_SPAN] = "INSERT OR REPLACE INTO span (dive, number, seq, kind, transect, label, term, seat, state, first_marker, last_marker, "
                 "start_utc_ns, end_utc_ns, closed_by, recomputed) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [PUT_SAMPLE] = "INSERT OR REPLACE INTO sample (dive, number, seq, state, container, gear, seat, label, term, note, marker, sighting, "
                   "taken_utc_ns, why, recomputed) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [ADD_IDENTIFICATION] = "INSERT INTO identification (seq, target, target_dive, target_letter, target_number, name, verbatim, rank, "
                           "qualifier, name_id, listed, who, why) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [ADD_MEASUREMENT] = "INSERT INTO measurement (seq, target, target_dive, target_letter, target_number, quantity, method, value_m, sigma_m, "
                        "object_pixels, laser_pixels, pixel_sigma, spacing_m, spacing_sigma_m, note, who) "
                        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [ADD_REMARK] = "INSERT INTO remark (seq, target, target_dive, target_letter, target_number, text, who) VALUES (?, ?, ?, ?, ?, ?, ?)",
    [ADD_STRIKE] = "INSERT INTO strike (seq, target, target_dive, target_letter, target_number, restored, by_marker, who, why) "
                   "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
    /* a dive begun again is open again; it keeps its first beginning */
    [BEGIN_DIVE] = "INSERT INTO dive (id, vehicle, ship, site, planned_bottom_ns, begun_seq, begun_utc_ns) VALUES (?, ?, ?, ?, ?, ?, ?) "
                   "ON CONFLICT (id) DO UPDATE SET ended_seq = NULL, ended_utc_ns = NULL",
    [END_DIVE] = "UPDATE dive SET ended_seq = ?, ended_utc_ns = ? WHERE id = ?",
    [PUT_SEAT] = "INSERT OR REPLACE INTO seat (seat, seq, who) VALUES (?, ?, ?)",
    [ADD_NOTICE] = "INSERT INTO notice (seq, type, about, state, text, value) VALUES (?, ?, ?, ?, ?, ?)",
};
/* clang-format on */

/* All readings of a marker at their longest, with names and feeds of characters that need no escape, take under 12,000. */
enum { CHANNELS_ROOM = 32768 };

struct rows {
    sqlite3 *db;
    int64_t run;
    sqlite3_stmt *stmt[STATEMENTS];
    char channels[CHANNELS_ROOM];
};

struct rows *rows_open(sqlite3 *db, int64_t run)
{
    struct rows *rows = calloc(1, sizeof *rows);
    if (rows == NULL)
        return NULL;
    rows->db = db;
    rows->run = run;
    return rows;
}

void rows_close(struct rows *rows)
{
    if (rows == NULL)
        return;
    for (int i = 0; i < STATEMENTS; i++)
        sqlite3_finalize(rows->stmt[i]);
    free(rows);
}

/* Prepared when first needed: most runs need few, and none waits for them at the start. */
static struct sql_bind begin(struct rows *rows, enum statement statement)
{
    sqlite3_stmt **stmt = &rows->stmt[statement];
    int rc = SQLITE_OK;
    if (*stmt == NULL)
        rc = sqlite3_prepare_v3(rows->db, sql[statement], -1, SQLITE_PREPARE_PERSISTENT, stmt, NULL);
    struct sql_bind bind = sql_bind_begin(*stmt);
    bind.rc = rc;
    return bind;
}

/* ---- parts that several tables have ---- */

static void bind_when(struct sql_bind *bind, const struct when *when)
{
    sql_bind_int(bind, when->mono.ns);
    sql_bind_bound(bind, when->mono_bound_ns);
    sql_bind_int_if(bind, when->trust != CLOCK_TRUST_NONE, when->utc.ns);
    sql_bind_bound(bind, when->trust != CLOCK_TRUST_NONE ? when->utc_bound_ns : -1);
    sql_bind_text(bind, clock_trust_name(when->trust));
}

static void bind_timecode(struct sql_bind *bind, const struct timecode_stamp *timecode)
{
    bool known = timecode->trust != TIMECODE_TRUST_NONE;
    sql_bind_text_if(bind, known ? timecode->label : "");
    sql_bind_text_if(bind, known ? timecode->rate : "");
    sql_bind_int_if(bind, known, timecode->frame);
    sql_bind_real_if(bind, known, timecode->within);
    sql_bind_real_if(bind, known && timecode->bound_frames >= 0, timecode->bound_frames);
    sql_bind_text(bind, timecode_trust_name(timecode->trust));
}

static void bind_nulls(struct sql_bind *bind, int count)
{
    while (count-- > 0)
        sql_bind_null(bind);
}

/* The readings as the event has them, with two digits more. */
static size_t channels_json(struct rows *rows, const struct marker_telemetry *telemetry)
{
    struct jsonout out;
    jsonout_begin(&out, rows->channels, sizeof rows->channels);
    jsonout_open(&out, NULL, '{');
    for (uint32_t i = 0; i < telemetry->reading_count; i++) {
        const struct marker_reading *reading = &telemetry->reading[i];
        jsonout_open(&out, reading->channel, '{');
        jsonout_real(&out, "v", reading->value, 9);
        jsonout_real(&out, "age_s", reading->age_s, 3);
        jsonout_text(&out, "method", reading_method_name(reading->method));
        if (reading->source[0] != '\0')
            jsonout_text(&out, "feed", reading->source);
        jsonout_close(&out, '}');
    }
    jsonout_close(&out, '}');
    return jsonout_end(&out);
}

static void bind_telemetry(struct rows *rows, struct sql_bind *bind, const struct marker_telemetry *telemetry)
{
    const struct marker_position *position = &telemetry->position;
    sql_bind_real_if(bind, position->known, position->lat_deg);
    sql_bind_real_if(bind, position->known, position->lon_deg);
    sql_bind_real_if(bind, position->known && position->uncertainty_m >= 0, position->uncertainty_m);
    sql_bind_text_if(bind, position->known ? position->source : "");
    sql_bind_text_if(bind, position->known ? position->feed : "");
    sql_bind_text_if(bind, position->known ? reading_method_name(position->method) : "");
    sql_bind_real_if(bind, position->known, position->age_s);
    sql_bind_text_of(bind, rows->channels, channels_json(rows, telemetry));
}

/* The parts of a target; `dive` and `letter` must stay until sql_run. What is no reference is the name of a dive, or nothing said. */
static void bind_target(struct sql_bind *bind, const struct entry *entry, const char *target,
                        char dive[DIVE_ID_SIZE], char letter[2])
{
    uint32_t number = 0;
    letter[0] = letter[1] = '\0';
    if (!entry_ref_parse(target, dive, letter, &number)) {
        snprintf(dive, DIVE_ID_SIZE, "%.31s", target[0] != '\0' ? target : entry->dive);
        letter[0] = '\0';
    }
    sql_bind_text(bind, target[0] != '\0' ? target : entry->dive);
    sql_bind_text(bind, dive);
    sql_bind_text_if(bind, letter);
    sql_bind_number(bind, number);
}

/* ---- one table each ---- */

static int add_marker(struct rows *rows, const struct entry *entry)
{
    const struct marker *marker = &entry->of.marker;
    bool from_pad = marker->pad[0] != '\0' && marker->pad_seq != 0; /* presses are numbered from 1 */
    struct sql_bind bind = begin(rows, ADD_MARKER);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text(&bind, entry->dive);
    sql_bind_int(&bind, marker->number);
    sql_bind_text(&bind, marker_origin_name(marker->origin));
    sql_bind_text_if(&bind, marker->seat);
    sql_bind_text_if(&bind, marker->who);
    sql_bind_text_if(&bind, marker->pad);
    sql_bind_int_if(&bind, from_pad, marker->pad_boot);
    sql_bind_int_if(&bind, from_pad, marker->pad_seq);
    sql_bind_int_if(&bind, from_pad, marker->tick.us);
    sql_bind_text_if(&bind, marker->key);
    sql_bind_text_if(&bind, marker->gesture);
    sql_bind_text(&bind, marker->kind);
    sql_bind_text_if(&bind, marker->label);
    sql_bind_text_if(&bind, marker->term);
    sql_bind_int(&bind, marker->lead_ns);
    sql_bind_text_if(&bind, marker->note);
    sql_bind_text_if(&bind, marker->by);
    sql_bind_text_if(&bind, marker->phase);
    sql_bind_text_if(&bind, marker->container);
    sql_bind_text_if(&bind, marker->gear);
    sql_bind_number(&bind, marker->capacity);
    sql_bind_number(&bind, marker->target);
    sql_bind_number(&bind, marker->instead_of);
    sql_bind_number(&bind, marker->sighting);
    sql_bind_number(&bind, marker->object);
    sql_bind_text_if(&bind, marker->advice);
    sql_bind_int(&bind, marker->settled);
    bind_when(&bind, &marker->when);
    bind_timecode(&bind, &marker->timecode);
    bind_telemetry(rows, &bind, &marker->telemetry);
    return sql_run(&bind);
}

static int add_settled(struct rows *rows, const struct entry *entry)
{
    const struct settled *settled = &entry->of.settled;
    struct sql_bind bind = begin(rows, ADD_SETTLED);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text(&bind, entry->dive);
    sql_bind_int(&bind, settled->marker);
    sql_bind_text(&bind, settled->cause);
    bind_when(&bind, &settled->when);
    if (settled->has_timecode)
        bind_timecode(&bind, &settled->timecode);
    else
        bind_nulls(&bind, 6);
    if (settled->has_telemetry)
        bind_telemetry(rows, &bind, &settled->telemetry);
    else
        bind_nulls(&bind, 8);
    return sql_run(&bind);
}

static int add_link(struct rows *rows, const struct entry *entry)
{
    const struct link_entry *link = &entry->of.link;
    struct sql_bind bind = begin(rows, ADD_LINK);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text(&bind, entry->dive);
    sql_bind_int(&bind, link->marker);
    sql_bind_number(&bind, link->sighting);
    sql_bind_number(&bind, link->object);
    sql_bind_number(&bind, link->struck_by);
    sql_bind_text_if(&bind, link->advice);
    sql_bind_text_if(&bind, link->who);
    return sql_run(&bind);
}

static int put_sighting(struct rows *rows, const struct entry *entry)
{
    const struct sighting_entry *sighting = &entry->of.sighting;
    bool closed = sighting->closed_by[0] != '\0';
    struct sql_bind bind = begin(rows, PUT_SIGHTING);
    sql_bind_text(&bind, entry->dive);
    sql_bind_int(&bind, sighting->number);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text_if(&bind, sighting->seat);
    sql_bind_text(&bind, sighting->state);
    sql_bind_text_if(&bind, sighting->label);
    sql_bind_text_if(&bind, sighting->term);
    sql_bind_number(&bind, sighting->first_marker);
    sql_bind_number(&bind, sighting->last_marker);
    sql_bind_int(&bind, sighting->marker_count);
    sql_bind_int(&bind, sighting->individuals);
    sql_bind_int(&bind, sighting->start.ns);
    sql_bind_int(&bind, sighting->lead_ns);
    sql_bind_int_if(&bind, closed, sighting->end.ns);
    sql_bind_text_if(&bind, sighting->closed_by);
    sql_bind_text_if(&bind, sighting->tie);
    sql_bind_text_if(&bind, sighting->tie_term);
    sql_bind_number(&bind, sighting->tied_to);
    sql_bind_number(&bind, sighting->again_of);
    sql_bind_int(&bind, sighting->recomputed);
    return sql_run(&bind);
}

static int put_span(struct rows *rows, const struct entry *entry)
{
    const struct span_entry *span = &entry->of.span;
    bool closed = span->closed_by[0] != '\0';
    struct sql_bind bind = begin(rows, PUT_SPAN);
    sql_bind_text(&bind, entry->dive);
    sql_bind_int(&bind, span->number);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text(&bind, span->kind);
    sql_bind_number(&bind, span->transect);
    sql_bind_text_if(&bind, span->label);
    sql_bind_text_if(&bind, span->term);
    sql_bind_text_if(&bind, span->seat);
    sql_bind_text(&bind, span->state);
    sql_bind_number(&bind, span->first_marker);
    sql_bind_number(&bind, span->last_marker);
    sql_bind_int(&bind, span->start.ns);
    sql_bind_int_if(&bind, closed, span->end.ns);
    sql_bind_text_if(&bind, span->closed_by);
    sql_bind_int(&bind, span->recomputed);
    return sql_run(&bind);
}

static int put_sample(struct rows *rows, const struct entry *entry)
{
    const struct sample_entry *sample = &entry->of.sample;
    if (sample->number == 0) /* a full container refused it: there is no sample */
        return SQLITE_OK;
    struct sql_bind bind = begin(rows, PUT_SAMPLE);
    sql_bind_text(&bind, entry->dive);
    sql_bind_int(&bind, sample->number);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text(&bind, sample->state);
    sql_bind_text_if(&bind, sample->container);
    sql_bind_text_if(&bind, sample->gear);
    sql_bind_text_if(&bind, sample->seat);
    sql_bind_text_if(&bind, sample->label);
    sql_bind_text_if(&bind, sample->term);
    sql_bind_text_if(&bind, sample->note);
    sql_bind_number(&bind, sample->marker);
    sql_bind_number(&bind, sample->sighting);
    sql_bind_int(&bind, sample->taken.ns);
    sql_bind_text_if(&bind, sample->why);
    sql_bind_int(&bind, sample->recomputed);
    return sql_run(&bind);
}

static int add_identification(struct rows *rows, const struct entry *entry)
{
    const struct identification_entry *identification = &entry->of.identification;
    char dive[DIVE_ID_SIZE], letter[2];
    struct sql_bind bind = begin(rows, ADD_IDENTIFICATION);
    sql_bind_int(&bind, entry->seq);
    bind_target(&bind, entry, identification->target, dive, letter);
    sql_bind_text(&bind, identification->name);
    sql_bind_text_if(&bind, identification->verbatim);
    sql_bind_text_if(&bind, identification->rank);
    sql_bind_text_if(&bind, identification->qualifier);
    sql_bind_text_if(&bind, identification->name_id);
    sql_bind_int_if(&bind, identification->listed >= 0, identification->listed);
    sql_bind_text_if(&bind, identification->by);
    sql_bind_text_if(&bind, identification->why);
    return sql_run(&bind);
}

static int add_measurement(struct rows *rows, const struct entry *entry)
{
    const struct measurement_entry *measurement = &entry->of.measurement;
    char dive[DIVE_ID_SIZE], letter[2];
    struct sql_bind bind = begin(rows, ADD_MEASUREMENT);
    sql_bind_int(&bind, entry->seq);
    bind_target(&bind, entry, measurement->target, dive, letter);
    sql_bind_text(&bind, measurement->quantity);
    sql_bind_text(&bind, measurement->method);
    sql_bind_real(&bind, measurement->value_m);
    sql_bind_real(&bind, measurement->sigma_m);
    sql_bind_real(&bind, measurement->object_pixels);
    sql_bind_real(&bind, measurement->laser_pixels);
    sql_bind_real(&bind, measurement->pixel_sigma);
    sql_bind_real(&bind, measurement->spacing_m);
    sql_bind_real(&bind, measurement->spacing_sigma_m);
    sql_bind_text_if(&bind, measurement->note);
    sql_bind_text_if(&bind, measurement->by);
    return sql_run(&bind);
}

static int add_remark(struct rows *rows, const struct entry *entry)
{
    char dive[DIVE_ID_SIZE], letter[2];
    struct sql_bind bind = begin(rows, ADD_REMARK);
    sql_bind_int(&bind, entry->seq);
    bind_target(&bind, entry, entry->of.remark.target, dive, letter);
    sql_bind_text(&bind, entry->of.remark.text);
    sql_bind_text_if(&bind, entry->of.remark.by);
    return sql_run(&bind);
}

static int add_strike(struct rows *rows, const struct entry *entry)
{
    const struct strike_entry *strike = &entry->of.strike;
    char dive[DIVE_ID_SIZE], letter[2];
    struct sql_bind bind = begin(rows, ADD_STRIKE);
    sql_bind_int(&bind, entry->seq);
    bind_target(&bind, entry, strike->target, dive, letter);
    sql_bind_int(&bind, strike->restored);
    sql_bind_number(&bind, strike->by_marker);
    sql_bind_text_if(&bind, strike->by);
    sql_bind_text_if(&bind, strike->why);
    return sql_run(&bind);
}

static int end_dive(struct rows *rows, const struct entry *entry)
{
    struct sql_bind bind = begin(rows, END_DIVE);
    sql_bind_int(&bind, entry->seq);
    sql_bind_int_if(&bind, entry->at.trust != CLOCK_TRUST_NONE, entry->at.utc.ns);
    sql_bind_text(&bind, entry->dive);
    return sql_run(&bind);
}

static int put_dive(struct rows *rows, const struct entry *entry)
{
    const struct dive_entry *dive = &entry->of.dive;
    if (strcmp(dive->state, "ended") == 0)
        return end_dive(rows, entry);
    struct sql_bind bind = begin(rows, BEGIN_DIVE);
    sql_bind_text(&bind, entry->dive);
    sql_bind_text_if(&bind, dive->vehicle);
    sql_bind_text_if(&bind, dive->ship);
    sql_bind_text_if(&bind, dive->site);
    sql_bind_int_if(&bind, dive->planned_bottom_ns > 0, dive->planned_bottom_ns);
    sql_bind_int(&bind, entry->seq);
    sql_bind_int_if(&bind, entry->at.trust != CLOCK_TRUST_NONE, entry->at.utc.ns);
    return sql_run(&bind);
}

static int put_seat(struct rows *rows, const struct entry *entry)
{
    struct sql_bind bind = begin(rows, PUT_SEAT);
    sql_bind_text(&bind, entry->of.seat.seat);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text_if(&bind, entry->of.seat.who);
    return sql_run(&bind);
}

static int add_notice(struct rows *rows, const struct entry *entry)
{
    const struct notice_entry *notice = &entry->of.notice;
    struct sql_bind bind = begin(rows, ADD_NOTICE);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text(&bind, entry_type_name(entry->type));
    sql_bind_text(&bind, notice->about);
    sql_bind_text(&bind, notice->state);
    sql_bind_text_if(&bind, notice->text);
    sql_bind_real_if(&bind, notice->has_value, notice->value);
    return sql_run(&bind);
}

static int write_own_row(struct rows *rows, const struct entry *entry)
{
    switch (entry->type) {
    case ENTRY_MARKER:
        return add_marker(rows, entry);
    case ENTRY_SETTLED:
        return add_settled(rows, entry);
    case ENTRY_LINK:
        return add_link(rows, entry);
    case ENTRY_SIGHTING:
        return put_sighting(rows, entry);
    case ENTRY_SPAN:
        return put_span(rows, entry);
    case ENTRY_SAMPLE:
        return put_sample(rows, entry);
    case ENTRY_IDENTIFICATION:
        return add_identification(rows, entry);
    case ENTRY_MEASUREMENT:
        return add_measurement(rows, entry);
    case ENTRY_REMARK:
        return add_remark(rows, entry);
    case ENTRY_STRIKE:
        return add_strike(rows, entry);
    case ENTRY_DIVE:
        return put_dive(rows, entry);
    case ENTRY_SEAT:
        return put_seat(rows, entry);
    default:
        return add_notice(rows, entry);
    }
}

/* ---- the journal ---- */

/* A reference in its full form; any other text (the name of a dive) stays as it is. */
static void target_ref(char out[REF_SIZE], const struct entry *entry, const char *target)
{
    char dive[DIVE_ID_SIZE], letter;
    uint32_t number;
    if (entry_ref_parse(target, dive, &letter, &number))
        entry_ref(out, dive, letter, number);
    else
        snprintf(out, REF_SIZE, "%s", target[0] != '\0' ? target : entry->dive);
}

/* The record that an entry is about; empty: none. */
static void ref_of(char out[REF_SIZE], const struct entry *entry)
{
    out[0] = '\0';
    switch (entry->type) {
    case ENTRY_MARKER:
        entry_ref(out, entry->dive, 'M', entry->of.marker.number);
        break;
    case ENTRY_SETTLED:
        entry_ref(out, entry->dive, 'M', entry->of.settled.marker);
        break;
    case ENTRY_LINK:
        entry_ref(out, entry->dive, 'M', entry->of.link.marker);
        break;
    case ENTRY_SIGHTING:
        entry_ref(out, entry->dive, 'S', entry->of.sighting.number);
        break;
    case ENTRY_SPAN:
        entry_ref(out, entry->dive, 'T', entry->of.span.number);
        break;
    case ENTRY_SAMPLE:
        if (entry->of.sample.number != 0)
            entry_ref(out, entry->dive, 'A', entry->of.sample.number);
        else
            entry_ref(out, entry->dive, 'M', entry->of.sample.marker);
        break;
    case ENTRY_IDENTIFICATION:
        target_ref(out, entry, entry->of.identification.target);
        break;
    case ENTRY_MEASUREMENT:
        target_ref(out, entry, entry->of.measurement.target);
        break;
    case ENTRY_REMARK:
        target_ref(out, entry, entry->of.remark.target);
        break;
    case ENTRY_STRIKE:
        target_ref(out, entry, entry->of.strike.target);
        break;
    case ENTRY_DIVE:
        snprintf(out, REF_SIZE, "%s", entry->dive);
        break;
    default:
        break;
    }
}

static int add_journal(struct rows *rows, const struct queued_entry *queued)
{
    const struct entry *entry = queued->entry;
    bool has_utc = entry->at.trust != CLOCK_TRUST_NONE;
    char ref[REF_SIZE];
    ref_of(ref, entry);
    struct sql_bind bind = begin(rows, ADD_JOURNAL);
    sql_bind_int(&bind, entry->seq);
    sql_bind_text(&bind, entry_type_name(entry->type));
    sql_bind_text(&bind, entry->dive);
    sql_bind_text_if(&bind, ref);
    sql_bind_int(&bind, entry->at.mono.ns);
    sql_bind_int_if(&bind, has_utc, entry->at.utc.ns);
    sql_bind_bound(&bind, has_utc ? entry->at.utc_bound_ns : -1);
    sql_bind_text(&bind, clock_trust_name(entry->at.trust));
    sql_bind_int(&bind, rows->run);
    sql_bind_text_of(&bind, queued->event, queued->event_len);
    return sql_run(&bind);
}

static void describe_refusal(struct rows *rows, const struct entry *entry, char *out, size_t size)
{
    const char *message = sqlite3_errmsg(rows->db);
    char ref[REF_SIZE];
    ref_of(ref, entry);
    if (entry->type == ENTRY_MARKER && strstr(message, "marker.press_seq") != NULL)
        snprintf(out, size,
                 "%s: press %" PRIu32 " of pad %s, boot %" PRIu32 ", is stored already; the first one stands",
                 ref, entry->of.marker.pad_seq, entry->of.marker.pad, entry->of.marker.pad_boot);
    else
        snprintf(out, size, "%s %s: %s", entry_type_name(entry->type), ref, message);
}

static int add_refused(struct rows *rows, int64_t seq, const char *why)
{
    struct sql_bind bind = begin(rows, ADD_REFUSED);
    sql_bind_int(&bind, seq);
    sql_bind_text(&bind, why);
    return sql_run(&bind);
}

int rows_write(struct rows *rows, const struct queued_entry *queued, char *refusal, size_t size)
{
    refusal[0] = '\0';
    int rc = write_own_row(rows, queued->entry);
    if ((rc & 0xff) == SQLITE_CONSTRAINT) {
        describe_refusal(rows, queued->entry, refusal, size);
        rc = add_refused(rows, queued->entry->seq, refusal);
    }
    return rc == SQLITE_OK ? add_journal(rows, queued) : rc;
}
