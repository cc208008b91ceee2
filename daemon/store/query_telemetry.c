/*
 * Blocks of a series are found by the UTC of their first sample: none spans more than TELEMETRY_SPAN_NS, so that those which may reach into
 * a range begin at most that long before it.
 */
#include "core/sampleblock.h"
#include "store/database.h"
#include "store/reader.h"
#include "store/telemetry.h"

#include <math.h>
#include <string.h>

int64_t query_channels(struct store_reader *reader, utc_ns from, utc_ns to, query_channel_row *row, void *ctx)
{
    /* clang-format off */
    static const char sql[] =
        "SELECT s.channel, s.feed, min(t.first_utc_ns), max(t.last_utc_ns), sum(t.samples), min(t.low), max(t.high) "
        "FROM series s JOIN telemetry t ON t.series = s.id AND t.first_utc_ns <= ? AND t.last_utc_ns >= ? "
        "GROUP BY s.id ORDER BY s.channel, s.feed";
    /* clang-format on */
    struct reader_query query;
    reader_begin(&query, reader, sql);
    sql_bind_int(&query.bind, to.ns);
    sql_bind_int(&query.bind, from.ns);
    bool more = true;
    while (more && reader_row(&query)) {
        sqlite3_stmt *stmt = query.bind.stmt;
        struct query_channel channel = {
            .channel = (const char *)sqlite3_column_text(stmt, 0),
            .feed = (const char *)sqlite3_column_text(stmt, 1),
            .first = {sqlite3_column_int64(stmt, 2)},
            .last = {sqlite3_column_int64(stmt, 3)},
            .samples = (uint64_t)sqlite3_column_int64(stmt, 4),
            .low = sqlite3_column_double(stmt, 5),
            .high = sqlite3_column_double(stmt, 6),
        };
        more = row(ctx, &channel);
    }
    return reader_end(&query);
}

int64_t query_main_feed(struct store_reader *reader, const char *channel, utc_ns from, utc_ns to,
                        char feed[SOURCE_SIZE])
{
    static const char names[] = "SELECT min(feed), count(*) FROM series WHERE channel = ?";
    static const char most[] =
        "SELECT s.feed FROM series s JOIN telemetry t ON t.series = s.id AND t.first_utc_ns <= ? AND "
        "t.last_utc_ns >= ? WHERE s.channel = ? GROUP BY s.id ORDER BY sum(t.samples) DESC, s.feed LIMIT 1";
    struct reader_query query;
    int64_t feeds = 0;
    feed[0] = '\0';
    reader_begin(&query, reader, names);
    sql_bind_text(&query.bind, channel);
    if (reader_row(&query)) {
        sql_take_text(&query.take, feed, SOURCE_SIZE);
        feeds = sql_take_int(&query.take);
    }
    int64_t rows = reader_end(&query);
    if (rows < 0 || feeds <= 1)
        return rows < 0 ? rows : feeds;
    feed[0] = '\0';
    reader_begin(&query, reader, most);
    sql_bind_int(&query.bind, to.ns);
    sql_bind_int(&query.bind, from.ns);
    sql_bind_text(&query.bind, channel);
    if (reader_row(&query))
        sql_take_text(&query.take, feed, SOURCE_SIZE);
    return reader_end(&query);
}

/* ---- samples of a range ---- */

/* A row of a block: where it stands in time. */
struct block_ends {
    int64_t first_ns, last_ns, first_utc_ns, last_utc_ns;
};

struct sampler {
    const struct query_telemetry *want;
    query_point_row *row;
    void *ctx;
    struct query_extremes *extremes; /* takes a block that lies within the range unread; NULL: none does */
    int64_t handed;
    bool stopped;
};

static void hand(struct sampler *sampler, const struct query_point *point)
{
    const struct query_telemetry *want = sampler->want;
    if (sampler->stopped || point->utc.ns < want->from.ns || point->utc.ns > want->to.ns)
        return;
    sampler->handed++;
    sampler->stopped = !sampler->row(sampler->ctx, point);
}

static void widen(struct query_extremes *extremes, uint64_t samples, double low, double high)
{
    if (extremes->samples == 0 || low < extremes->low)
        extremes->low = low;
    if (extremes->samples == 0 || high > extremes->high)
        extremes->high = high;
    extremes->samples += samples;
}

static bool widen_by_point(void *ctx, const struct query_point *point)
{
    widen(ctx, 1, point->value, point->value);
    return true;
}

static bool lies_within(const struct block_ends *ends, const struct query_telemetry *want)
{
    int64_t first = ends->first_utc_ns, last = ends->last_utc_ns;
    return first >= want->from.ns && first <= want->to.ns && last >= want->from.ns && last <= want->to.ns;
}

/* On the line through the two ends; the slope is so near 1 that its difference alone is put into a double. */
static int64_t utc_at(const struct block_ends *ends, int64_t at_ns)
{
    int64_t span = ends->last_ns - ends->first_ns;
    int64_t utc = ends->first_utc_ns + (at_ns - ends->first_ns);
    int64_t drift_ns = ends->last_utc_ns - ends->first_utc_ns - span;
    if (span == 0 || drift_ns == 0)
        return utc;
    return utc + llround((double)drift_ns * ((double)(at_ns - ends->first_ns) / (double)span));
}

static bool take_block(struct sampler *sampler, struct reader_query *query, const char *feed)
{
    struct sql_take *take = &query->take;
    int64_t run = sql_take_int(take);
    struct block_ends ends;
    ends.first_ns = sql_take_int(take);
    ends.last_ns = sql_take_int(take);
    ends.first_utc_ns = sql_take_int(take);
    ends.last_utc_ns = sql_take_int(take);
    uint64_t samples = (uint64_t)sql_take_int(take);
    double low = sql_take_real(take, 0), high = sql_take_real(take, 0);
    if (sampler->extremes != NULL && lies_within(&ends, sampler->want)) {
        widen(sampler->extremes, samples, low, high);
        return true;
    }
    const void *blob = sqlite3_column_blob(take->stmt, take->at);
    int len = sqlite3_column_bytes(take->stmt, take->at);
    struct sampleblock_reader block;
    struct sampleblock_sample sample;
    if (blob == NULL || sampleblock_open(&block, blob, (size_t)len) != SAMPLEBLOCK_OK)
        return false;
    while (!sampler->stopped && sampleblock_next(&block, &sample)) {
        struct query_point point = {.feed = feed, .at = sample.at, .value = sample.value, .run = run};
        point.utc.ns = utc_at(&ends, sample.at.ns);
        hand(sampler, &point);
    }
    return true;
}

static int64_t take_series(struct store_reader *reader, struct sampler *sampler, int64_t series,
                           const char *feed)
{
    static const char sql[] =
        "SELECT run, first_mono_ns, last_mono_ns, first_utc_ns, last_utc_ns, samples, low, high, block FROM "
        "telemetry "
        "WHERE series = ? AND first_utc_ns BETWEEN ? AND ? AND last_utc_ns >= ? ORDER BY first_utc_ns, id";
    const struct query_telemetry *want = sampler->want;
    struct reader_query query;
    reader_begin(&query, reader, sql);
    sql_bind_int(&query.bind, series);
    sql_bind_int(&query.bind, want->from.ns < INT64_MIN + 2 * TELEMETRY_SPAN_NS
                                  ? INT64_MIN
                                  : want->from.ns - 2 * TELEMETRY_SPAN_NS);
    sql_bind_int(&query.bind, want->to.ns);
    sql_bind_int(&query.bind, want->from.ns);
    bool sound = true;
    while (sound && !sampler->stopped && reader_row(&query))
        sound = take_block(sampler, &query, feed);
    int64_t rows = reader_end(&query);
    if (!sound)
        return store_error_set(
            &reader->error, STORE_DAMAGED,
            "%s: a block of telemetry is damaged or from a later version; keep a copy of the file",
            reader->path);
    return rows;
}

static int64_t take_telemetry(struct store_reader *reader, struct sampler *sampler)
{
    static const char sql[] =
        "SELECT id, feed FROM series WHERE channel = ? AND (? IS NULL OR feed = ?) ORDER BY feed";
    const struct query_telemetry *want = sampler->want;
    struct reader_query query;
    int64_t result = 0;
    reader_begin(&query, reader, sql);
    sql_bind_text(&query.bind, want->channel);
    for (int i = 0; i < 2; i++) {
        if (want->feed != NULL)
            sql_bind_text(&query.bind, want->feed);
        else
            sql_bind_null(&query.bind);
    }
    while (result >= 0 && !sampler->stopped && reader_row(&query)) {
        char feed[SOURCE_SIZE];
        int64_t series = sql_take_int(&query.take);
        sql_take_text(&query.take, feed, sizeof feed);
        result = take_series(reader, sampler, series, feed);
    }
    int64_t rows = reader_end(&query);
    return result < 0 ? result : rows < 0 ? rows : sampler->handed;
}

int64_t query_telemetry(struct store_reader *reader, const struct query_telemetry *want, query_point_row *row,
                        void *ctx)
{
    struct sampler sampler = {.want = want, .row = row, .ctx = ctx};
    return take_telemetry(reader, &sampler);
}

int64_t query_extremes(struct store_reader *reader, const struct query_telemetry *want,
                       struct query_extremes *out)
{
    struct sampler sampler = {.want = want, .row = widen_by_point, .ctx = out, .extremes = out};
    *out = (struct query_extremes){0};
    int64_t result = take_telemetry(reader, &sampler);
    return result < 0 ? result : 0;
}

int64_t query_observations(struct store_reader *reader, const char *clock, query_observation_row *row,
                           void *ctx)
{
    static const char all[] = "SELECT o.run, r.host_boot_id, o.clock, o.a, o.lo, o.hi FROM clock_observation "
                              "o JOIN run r ON r.id = o.run "
                              "ORDER BY o.id";
    static const char one[] = "SELECT o.run, r.host_boot_id, o.clock, o.a, o.lo, o.hi FROM clock_observation "
                              "o JOIN run r ON r.id = o.run "
                              "WHERE o.clock = ? ORDER BY o.id";
    struct reader_query query;
    reader_begin(&query, reader, clock != NULL ? one : all);
    if (clock != NULL)
        sql_bind_text(&query.bind, clock);
    bool more = true;
    while (more && reader_row(&query)) {
        sqlite3_stmt *stmt = query.bind.stmt;
        struct query_observation observation = {
            .run = sqlite3_column_int64(stmt, 0),
            .host_boot_id = (const char *)sqlite3_column_text(stmt, 1),
            .clock = (const char *)sqlite3_column_text(stmt, 2),
            .a = sqlite3_column_int64(stmt, 3),
            .lo = sqlite3_column_int64(stmt, 4),
            .hi = sqlite3_column_int64(stmt, 5),
        };
        more = row(ctx, &observation);
    }
    return reader_end(&query);
}
