#include "store/reader.h"

#include <stdio.h>

#define TAKE_TEXT(take, field) sql_take_text(take, field, sizeof(field))

static utc_ns take_utc(struct sql_take *take)
{
    return (utc_ns){sql_take_int(take)};
}

/* ---- dives ---- */

static void take_dive(struct sql_take *take, struct query_dive *row)
{
    *row = (struct query_dive){0};
    TAKE_TEXT(take, row->id);
    TAKE_TEXT(take, row->dive.vehicle);
    TAKE_TEXT(take, row->dive.ship);
    TAKE_TEXT(take, row->dive.site);
    row->dive.planned_bottom_ns = sql_take_int(take);
    row->begun_seq = sql_take_int(take);
    row->begun = reader_take_at(take);
    row->ended_seq = sql_take_int(take);
    row->ended = reader_take_at(take);
    row->open = row->ended_seq == 0;
    snprintf(row->dive.state, sizeof row->dive.state, "%s", row->open ? "begun" : "ended");
    row->markers = sql_take_number(take);
    row->sightings = sql_take_number(take);
    row->spans = sql_take_number(take);
    row->samples = sql_take_number(take);
}

int64_t query_dives(struct store_reader *reader, const struct query_want *want, query_dive_row *row,
                    void *ctx)
{
    /* clang-format off */
    static const char sql[] =
        "SELECT d.id, d.vehicle, d.ship, d.site, d.planned_bottom_ns, d.begun_seq, b.at_mono_ns, b.at_utc_ns, b.at_utc_bound_ns, b.at_clock, d.ended_seq, "
        "e.at_mono_ns, e.at_utc_ns, e.at_utc_bound_ns, coalesce(e.at_clock, 'none'), "
        "(SELECT count(*) FROM marker x WHERE x.dive = d.id), (SELECT count(*) FROM sighting x WHERE x.dive = d.id), "
        "(SELECT count(*) FROM span x WHERE x.dive = d.id), (SELECT count(*) FROM sample x WHERE x.dive = d.id) "
        "FROM dive d JOIN journal b ON b.seq = d.begun_seq LEFT JOIN journal e ON e.seq = d.ended_seq "
        "WHERE d.id BETWEEN ? AND ? ORDER BY d.begun_seq LIMIT ?";
    /* clang-format on */
    struct reader_query query;
    struct query_dive dive;
    reader_begin(&query, reader, sql);
    reader_bind_dives(&query, want->dive);
    sql_bind_int(&query.bind, want->limit > 0 ? want->limit : -1);
    do {
        if (!reader_row(&query))
            break;
        take_dive(&query.take, &dive);
    } while (row(ctx, &dive));
    return reader_end(&query);
}

/* ---- sightings, spans, samples ---- */

static void take_identification(struct sql_take *take, struct identification_entry *identification)
{
    TAKE_TEXT(take, identification->target);
    TAKE_TEXT(take, identification->name);
    TAKE_TEXT(take, identification->verbatim);
    TAKE_TEXT(take, identification->rank);
    TAKE_TEXT(take, identification->qualifier);
    TAKE_TEXT(take, identification->name_id);
    identification->listed = sqlite3_column_type(take->stmt, take->at) == SQLITE_NULL
                                 ? -1
                                 : (int8_t)sqlite3_column_int(take->stmt, take->at);
    take->at++;
    TAKE_TEXT(take, identification->by);
    TAKE_TEXT(take, identification->why);
}

#define MEASUREMENT_COLUMNS                                                                                  \
    "z.target, z.quantity, z.method, z.value_m, z.sigma_m, z.object_pixels, z.laser_pixels, z.pixel_sigma, " \
    "z.spacing_m, z.spacing_sigma_m, z.note, z.who"

static void take_measurement(struct sql_take *take, struct measurement_entry *measurement)
{
    TAKE_TEXT(take, measurement->target);
    TAKE_TEXT(take, measurement->quantity);
    TAKE_TEXT(take, measurement->method);
    measurement->value_m = sql_take_real(take, 0);
    measurement->sigma_m = sql_take_real(take, 0);
    measurement->object_pixels = sql_take_real(take, 0);
    measurement->laser_pixels = sql_take_real(take, 0);
    measurement->pixel_sigma = sql_take_real(take, 0);
    measurement->spacing_m = sql_take_real(take, 0);
    measurement->spacing_sigma_m = sql_take_real(take, 0);
    TAKE_TEXT(take, measurement->note);
    TAKE_TEXT(take, measurement->by);
}

static void take_sighting(struct sql_take *take, struct query_sighting *row)
{
    struct sighting_entry *sighting = &row->sighting;
    row->seq = sql_take_int(take);
    TAKE_TEXT(take, row->dive);
    sighting->number = sql_take_number(take);
    TAKE_TEXT(take, sighting->seat);
    TAKE_TEXT(take, sighting->state);
    TAKE_TEXT(take, sighting->label);
    TAKE_TEXT(take, sighting->term);
    sighting->first_marker = sql_take_number(take);
    sighting->last_marker = sql_take_number(take);
    sighting->marker_count = sql_take_number(take);
    sighting->individuals = sql_take_number(take);
    sighting->start = take_utc(take);
    sighting->lead_ns = sql_take_int(take);
    sighting->end = take_utc(take);
    TAKE_TEXT(take, sighting->closed_by);
    TAKE_TEXT(take, sighting->tie);
    TAKE_TEXT(take, sighting->tie_term);
    sighting->tied_to = sql_take_number(take);
    sighting->again_of = sql_take_number(take);
    sighting->recomputed = sql_take_bool(take);
    row->identified = sql_take_bool(take);
    take_identification(take, &row->identification);
    row->measured = sql_take_bool(take);
    take_measurement(take, &row->measurement);
    row->ask_shore = sql_take_bool(take);
    entry_ref(row->ref, row->dive, 'S', sighting->number);
}

/* clang-format off */
/* Rows of one dive, or of all, beyond a number: the pair of columns leads the key to the first of them; the rest is for several dives. */
#define BEYOND(t) "WHERE (" t "dive, " t "number) > (?1, ?3) AND " t "dive <= ?2 AND " t "number > ?3 ORDER BY " t "dive, " t "number LIMIT ?4"

#define ASKED                                                                                                                       \
    "WITH asked AS MATERIALIZED (SELECT DISTINCT dive, sighting FROM marker_now WHERE dive BETWEEN ?1 AND ?2 "                      \
    "AND term = 'rope:ask' AND sighting IS NOT NULL AND NOT struck) "
#define SIGHTING(asked)                                                                                                             \
    "SELECT g.seq, g.dive, g.number, g.seat, g.state, g.label, g.term, g.first_marker, g.last_marker, g.markers, g.individuals, "   \
    "g.start_utc_ns, g.lead_ns, g.end_utc_ns, g.closed_by, g.tie, g.tie_term, g.tied_to, g.again_of, g.recomputed, "                \
    "i.seq IS NOT NULL, i.target, i.name, i.verbatim, i.rank, i.qualifier, i.name_id, i.listed, i.who, i.why, "                     \
    "z.seq IS NOT NULL, " MEASUREMENT_COLUMNS ", " asked " "                                                                        \
    "FROM sighting g LEFT JOIN identification i ON i.seq = (SELECT max(x.seq) FROM identification x WHERE "                         \
    "x.target_dive = g.dive AND x.target_letter = 'S' AND x.target_number = g.number) "                                             \
    "LEFT JOIN measurement z ON z.seq = (SELECT max(x.seq) FROM measurement x WHERE "                                               \
    "x.target_dive = g.dive AND x.target_letter = 'S' AND x.target_number = g.number) " BEYOND("g.")
/* clang-format on */

int64_t query_sightings(struct store_reader *reader, const struct query_want *want, query_sighting_row *row,
                        void *ctx)
{
    static const char all[] = ASKED SIGHTING("(g.dive, g.number) IN asked");
    static const char brief[] = SIGHTING("0"); /* who asks is found only by a look at every marker */
    struct reader_query query;
    struct query_sighting sighting;
    reader_begin(&query, reader, want->brief ? brief : all);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_sighting(&query.take, &sighting);
    } while (row(ctx, &sighting));
    return reader_end(&query);
}

static void take_span(struct sql_take *take, struct query_span *row)
{
    struct span_entry *span = &row->span;
    row->seq = sql_take_int(take);
    TAKE_TEXT(take, row->dive);
    span->number = sql_take_number(take);
    TAKE_TEXT(take, span->kind);
    span->transect = sql_take_number(take);
    TAKE_TEXT(take, span->label);
    TAKE_TEXT(take, span->term);
    TAKE_TEXT(take, span->seat);
    TAKE_TEXT(take, span->state);
    span->first_marker = sql_take_number(take);
    span->last_marker = sql_take_number(take);
    span->start = take_utc(take);
    span->end = take_utc(take);
    TAKE_TEXT(take, span->closed_by);
    span->recomputed = sql_take_bool(take);
    entry_ref(row->ref, row->dive, 'T', span->number);
}

int64_t query_spans(struct store_reader *reader, const struct query_want *want, query_span_row *row,
                    void *ctx)
{
    /* clang-format off */
    static const char sql[] =
        "SELECT seq, dive, number, kind, transect, label, term, seat, state, first_marker, last_marker, start_utc_ns, end_utc_ns, "
        "closed_by, recomputed FROM span " BEYOND("");
    /* clang-format on */
    struct reader_query query;
    struct query_span span;
    reader_begin(&query, reader, sql);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_span(&query.take, &span);
    } while (row(ctx, &span));
    return reader_end(&query);
}

static void take_sample(struct sql_take *take, struct query_sample *row)
{
    struct sample_entry *sample = &row->sample;
    row->seq = sql_take_int(take);
    TAKE_TEXT(take, row->dive);
    sample->number = sql_take_number(take);
    TAKE_TEXT(take, sample->state);
    TAKE_TEXT(take, sample->container);
    TAKE_TEXT(take, sample->gear);
    TAKE_TEXT(take, sample->seat);
    TAKE_TEXT(take, sample->label);
    TAKE_TEXT(take, sample->term);
    TAKE_TEXT(take, sample->note);
    sample->marker = sql_take_number(take);
    sample->sighting = sql_take_number(take);
    sample->taken = take_utc(take);
    TAKE_TEXT(take, sample->why);
    sample->recomputed = sql_take_bool(take);
    entry_ref(row->ref, row->dive, 'A', sample->number);
}

int64_t query_samples(struct store_reader *reader, const struct query_want *want, query_sample_row *row,
                      void *ctx)
{
    /* clang-format off */
    static const char sql[] =
        "SELECT seq, dive, number, state, container, gear, seat, label, term, note, marker, sighting, taken_utc_ns, why, recomputed "
        "FROM sample " BEYOND("");
    /* clang-format on */
    struct reader_query query;
    struct query_sample sample;
    reader_begin(&query, reader, sql);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_sample(&query.take, &sample);
    } while (row(ctx, &sample));
    return reader_end(&query);
}

/* ---- histories ---- */

#define MADE_COLUMNS "j.seq, j.type, j.dive, j.at_mono_ns, j.at_utc_ns, j.at_utc_bound_ns, j.at_clock"

static void take_made(struct sql_take *take, struct query_history *made)
{
    char type[KIND_SIZE];
    made->seq = sql_take_int(take);
    TAKE_TEXT(take, type);
    made->type = entry_type_find(type);
    TAKE_TEXT(take, made->dive);
    made->at = reader_take_at(take);
}

int64_t query_identifications(struct store_reader *reader, const struct query_want *want,
                              query_identification_row *row, void *ctx)
{
    /* clang-format off */
    static const char sql[] =
        "SELECT " MADE_COLUMNS ", i.target, i.name, i.verbatim, i.rank, i.qualifier, i.name_id, i.listed, i.who, i.why "
        "FROM identification i JOIN journal j ON j.seq = i.seq "
        "WHERE i.target_dive BETWEEN ? AND ? AND i.seq > ? ORDER BY i.seq LIMIT ?";
    /* clang-format on */
    struct reader_query query;
    struct query_identification identification;
    reader_begin(&query, reader, sql);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_made(&query.take, &identification.made);
        take_identification(&query.take, &identification.identification);
    } while (row(ctx, &identification));
    return reader_end(&query);
}

int64_t query_measurements(struct store_reader *reader, const struct query_want *want,
                           query_measurement_row *row, void *ctx)
{
    static const char sql[] =
        "SELECT " MADE_COLUMNS ", " MEASUREMENT_COLUMNS " FROM measurement z JOIN journal j ON j.seq = z.seq "
        "WHERE z.target_dive BETWEEN ? AND ? AND z.seq > ? ORDER BY z.seq LIMIT ?";
    struct reader_query query;
    struct query_measurement measurement;
    reader_begin(&query, reader, sql);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_made(&query.take, &measurement.made);
        take_measurement(&query.take, &measurement.measurement);
    } while (row(ctx, &measurement));
    return reader_end(&query);
}

int64_t query_remarks(struct store_reader *reader, const struct query_want *want, query_remark_row *row,
                      void *ctx)
{
    static const char sql[] =
        "SELECT " MADE_COLUMNS ", r.target, r.text, r.who FROM remark r JOIN journal j ON j.seq = r.seq "
        "WHERE r.target_dive BETWEEN ? AND ? AND r.seq > ? ORDER BY r.seq LIMIT ?";
    struct reader_query query;
    struct query_remark remark;
    reader_begin(&query, reader, sql);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_made(&query.take, &remark.made);
        TAKE_TEXT(&query.take, remark.remark.target);
        TAKE_TEXT(&query.take, remark.remark.text);
        TAKE_TEXT(&query.take, remark.remark.by);
    } while (row(ctx, &remark));
    return reader_end(&query);
}

int64_t query_strikes(struct store_reader *reader, const struct query_want *want, query_strike_row *row,
                      void *ctx)
{
    static const char sql[] =
        "SELECT " MADE_COLUMNS
        ", k.target, k.restored, k.by_marker, k.who, k.why FROM strike k JOIN journal j ON j.seq = k.seq "
        "WHERE k.target_dive BETWEEN ? AND ? AND k.seq > ? ORDER BY k.seq LIMIT ?";
    struct reader_query query;
    struct query_strike strike = {0};
    reader_begin(&query, reader, sql);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_made(&query.take, &strike.made);
        TAKE_TEXT(&query.take, strike.strike.target);
        strike.strike.restored = sql_take_bool(&query.take);
        strike.strike.by_marker = sql_take_number(&query.take);
        TAKE_TEXT(&query.take, strike.strike.by);
        TAKE_TEXT(&query.take, strike.strike.why);
    } while (row(ctx, &strike));
    return reader_end(&query);
}

static void take_notice(struct sql_take *take, struct query_notice *row)
{
    take_made(take, &row->made);
    TAKE_TEXT(take, row->notice.about);
    TAKE_TEXT(take, row->notice.state);
    TAKE_TEXT(take, row->notice.text);
    row->notice.has_value = sqlite3_column_type(take->stmt, take->at) != SQLITE_NULL;
    row->notice.value = sql_take_real(take, 0);
}

int64_t query_notices(struct store_reader *reader, const struct query_want *want, query_notice_row *row,
                      void *ctx)
{
    static const char sql[] =
        "SELECT " MADE_COLUMNS
        ", n.about, n.state, n.text, n.value FROM notice n JOIN journal j ON j.seq = n.seq "
        "WHERE j.dive BETWEEN ? AND ? AND n.seq > ? ORDER BY n.seq LIMIT ?";
    struct reader_query query;
    struct query_notice notice;
    reader_begin(&query, reader, sql);
    reader_bind_want(&query, want);
    do {
        if (!reader_row(&query))
            break;
        take_notice(&query.take, &notice);
    } while (row(ctx, &notice));
    return reader_end(&query);
}
