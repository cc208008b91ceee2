#include "store/reader.h"
#include "store/readings.h"

#include <string.h>

/* clang-format off */
#define COLUMNS                                                                                                       \
    "n.seq, n.dive, n.number, n.struck, n.settlings, m.mono_ns, m.mono_bound_ns, m.utc_ns, m.utc_bound_ns, m.clock, "      \
    "n.origin, n.seat, n.who, n.pad, n.pad_boot, n.press_seq, n.tick_us, n.key, n.gesture, n.kind, n.label, n.term, n.lead_ns, "  \
    "n.note, n.entered_by, n.phase, n.container, n.gear, n.capacity, n.target, n.instead_of, n.sighting, n.object, n.advice, n.settled, "                     \
    "n.mono_ns, n.mono_bound_ns, n.utc_ns, n.utc_bound_ns, n.clock, "                                                             \
    "n.timecode, n.timecode_rate, n.timecode_frame, n.timecode_within, n.timecode_bound_frames, n.timecode_state, "               \
    "n.lat_deg, n.lon_deg, n.position_uncertainty_m, n.position_source, n.position_feed, n.position_method, n.position_age_s, "
/* the pair of columns leads an index to the first row asked for; the rest of the condition is for several dives */
#define TABLES "FROM marker_now n JOIN marker m ON m.seq = n.seq "                                                                 \
               "WHERE (n.dive, n.number) > (?1, ?3) AND n.dive <= ?2 AND n.number > ?3 "
#define BY_NUMBER "ORDER BY n.dive, n.number LIMIT ?4"
#define BY_TIME "ORDER BY n.utc_ns, n.dive, n.number LIMIT ?4"
/* clang-format on */

#define TAKE_TEXT(take, field) sql_take_text(take, field, sizeof(field))

static enum marker_origin origin_of(const char *name)
{
    for (int i = MARKER_FROM_KEY; i <= MARKER_LATE; i++)
        if (strcmp(name, marker_origin_name((enum marker_origin)i)) == 0)
            return (enum marker_origin)i;
    return MARKER_LATE; /* never mistaken for a key-down */
}

static enum timecode_trust timecode_trust_of(const char *name)
{
    for (int i = TIMECODE_TRUST_NONE; i <= TIMECODE_TRUST_LOCKED; i++)
        if (strcmp(name, timecode_trust_name((enum timecode_trust)i)) == 0)
            return (enum timecode_trust)i;
    return TIMECODE_TRUST_NONE;
}

static void take_timecode(struct sql_take *take, struct timecode_stamp *timecode)
{
    char trust[16];
    TAKE_TEXT(take, timecode->label);
    TAKE_TEXT(take, timecode->rate);
    timecode->frame = sql_take_int(take);
    timecode->within = sql_take_real(take, 0);
    timecode->bound_frames = sql_take_real(take, -1);
    TAKE_TEXT(take, trust);
    timecode->trust = timecode_trust_of(trust);
}

static void take_position(struct sql_take *take, struct marker_position *position)
{
    char method[16];
    position->known = sqlite3_column_type(take->stmt, take->at) != SQLITE_NULL;
    position->lat_deg = sql_take_real(take, 0);
    position->lon_deg = sql_take_real(take, 0);
    position->uncertainty_m = sql_take_real(take, -1);
    TAKE_TEXT(take, position->source);
    TAKE_TEXT(take, position->feed);
    TAKE_TEXT(take, method);
    position->method = reader_method(method);
    position->age_s = sql_take_real(take, 0);
}

static void take_press(struct sql_take *take, struct marker *marker)
{
    char origin[16];
    TAKE_TEXT(take, origin);
    marker->origin = origin_of(origin);
    TAKE_TEXT(take, marker->seat);
    TAKE_TEXT(take, marker->who);
    TAKE_TEXT(take, marker->pad);
    marker->pad_boot = sql_take_number(take);
    marker->pad_seq = sql_take_number(take);
    marker->tick.us = sql_take_int(take);
    TAKE_TEXT(take, marker->key);
    TAKE_TEXT(take, marker->gesture);
    TAKE_TEXT(take, marker->kind);
    TAKE_TEXT(take, marker->label);
    TAKE_TEXT(take, marker->term);
    marker->lead_ns = sql_take_int(take);
    TAKE_TEXT(take, marker->note);
    TAKE_TEXT(take, marker->by);
    TAKE_TEXT(take, marker->phase);
    TAKE_TEXT(take, marker->container);
    TAKE_TEXT(take, marker->gear);
    marker->capacity = sql_take_number(take);
    marker->target = sql_take_number(take);
    marker->instead_of = sql_take_number(take);
    marker->sighting = sql_take_number(take);
    marker->object = sql_take_number(take);
    TAKE_TEXT(take, marker->advice);
    marker->settled = sql_take_bool(take);
}

static void take_marker(struct sql_take *take, struct query_marker *row)
{
    struct marker *marker = &row->marker;
    row->seq = sql_take_int(take);
    TAKE_TEXT(take, row->dive);
    marker->number = sql_take_number(take);
    entry_ref(row->ref, row->dive, 'M', marker->number);
    row->struck = sql_take_bool(take);
    row->settlings = sql_take_number(take);
    row->as_pressed = reader_take_when(take);
    take_press(take, marker);
    marker->when = reader_take_when(take);
    take_timecode(take, &marker->timecode);
    take_position(take, &marker->telemetry.position);
    readings_parse(&marker->telemetry, (const char *)sqlite3_column_text(take->stmt, take->at++));
}

static int64_t markers(struct store_reader *reader, const char *sql, const struct query_want *want,
                       query_marker_row *row, void *ctx)
{
    struct reader_query query;
    struct query_marker marker;
    reader_begin(&query, reader, sql);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_marker(&query.take, &marker);
    } while (row(ctx, &marker));
    return reader_end(&query);
}

int64_t query_markers(struct store_reader *reader, const struct query_want *want, query_marker_row *row,
                      void *ctx)
{
    static const char all[] = "SELECT " COLUMNS "n.channels " TABLES BY_NUMBER;
    static const char brief[] = "SELECT " COLUMNS "NULL " TABLES BY_NUMBER;
    return markers(reader, want->brief ? brief : all, want, row, ctx);
}

int64_t query_markers_by_time(struct store_reader *reader, const struct query_want *want,
                              query_marker_row *row, void *ctx)
{
    static const char all[] = "SELECT " COLUMNS "n.channels " TABLES BY_TIME;
    static const char brief[] = "SELECT " COLUMNS "NULL " TABLES BY_TIME;
    struct query_want any = *want;
    any.after = 0;
    return markers(reader, want->brief ? brief : all, &any, row, ctx);
}

int64_t query_belongings(struct store_reader *reader, const char *dive, query_belonging_row *row, void *ctx)
{
    static const char sql[] = "SELECT number, sighting, struck, lat_deg IS NOT NULL, lat_deg, lon_deg "
                              "FROM marker_now WHERE dive = ? ORDER BY number";
    struct reader_query query;
    struct query_belonging belonging;
    reader_begin(&query, reader, sql);
    sql_bind_text(&query.bind, dive);
    do {
        if (!reader_row(&query))
            break;
        belonging.number = sql_take_number(&query.take);
        belonging.sighting = sql_take_number(&query.take);
        belonging.struck = sql_take_bool(&query.take);
        belonging.placed = sql_take_bool(&query.take);
        belonging.lat_deg = sql_take_real(&query.take, 0);
        belonging.lon_deg = sql_take_real(&query.take, 0);
    } while (row(ctx, &belonging));
    return reader_end(&query);
}

int64_t query_arrivals(struct store_reader *reader, const char *dive, query_arrival_row *row, void *ctx)
{
    static const char sql[] =
        "SELECT m.number, j.at_mono_ns, coalesce(s.cause = 'waited', 0) FROM marker m "
        "JOIN journal j ON j.seq = m.seq LEFT JOIN settled s ON s.seq = (SELECT max(x.seq) FROM settled x "
        "WHERE x.dive = m.dive AND x.marker = m.number) WHERE m.dive = ? ORDER BY m.number";
    struct reader_query query;
    struct query_arrival arrival;
    reader_begin(&query, reader, sql);
    sql_bind_text(&query.bind, dive);
    do {
        if (!reader_row(&query))
            break;
        arrival.number = sql_take_number(&query.take);
        arrival.reached.ns = sql_take_int(&query.take);
        arrival.waited = sql_take_bool(&query.take);
    } while (row(ctx, &arrival));
    return reader_end(&query);
}
