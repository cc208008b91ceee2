/* Telemetry: what goes in comes out, bit for bit, in range and order; blocks do not depend on when they are written. */
#include "store_fixture.h"

#include <math.h>

enum { POINTS_MAX = 20000 };

struct points {
    size_t count;
    struct query_point of[POINTS_MAX];
    char feed[POINTS_MAX][8];
    size_t stop_at;
};

static bool keep_point(void *ctx, const struct query_point *point)
{
    struct points *points = ctx;
    assert_true(points->count < POINTS_MAX);
    points->of[points->count] = *point;
    SET_TEXT(points->feed[points->count], point->feed);
    points->count++;
    return points->count != points->stop_at;
}

static void put(struct fixture *f, const char *channel, const char *feed, int64_t at_ns, int64_t utc_ns_,
                double value)
{
    struct engine_sample sample = {
        .channel = channel, .feed = feed, .at = {at_ns}, .utc = {utc_ns_}, .value = value};
    store_sample(f->store, &sample);
}

static struct points *get(struct fixture *f, const struct query_telemetry *want)
{
    static struct points points;
    struct store_reader *reader = open_reader(f);
    points.count = 0;
    int64_t handed = query_telemetry(reader, want, keep_point, &points);
    if (handed < 0)
        fail_msg("query_telemetry: %s", store_reader_error(reader));
    assert_int_equal(handed, points.count);
    store_reader_close(reader);
    return &points;
}

static struct points *get_range(struct fixture *f, const char *channel, int64_t from, int64_t to)
{
    struct query_telemetry want = {.channel = channel, .from = {from}, .to = {to}};
    return get(f, &want);
}

/* A depth as a pressure sensor at 10 Hz sends it: two decimals, a slow wave. */
static double depth_at(int i)
{
    return floor(100 * (1200 + 30 * sin(i / 500.0))) / 100;
}

static void put_depths(struct fixture *f, int from, int to)
{
    for (int i = from; i < to; i++)
        put(f, "vehicle.depth_m", "nav", i * 100 * NS_PER_MS, T0 + i * 100 * NS_PER_MS, depth_at(i));
}

static void samples_come_back_as_they_went_in(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    put_depths(f, 0, 2000);
    flush(f);
    struct points *points = get_range(f, "vehicle.depth_m", T0, T0 + 200 * NS_PER_S);
    assert_int_equal(points->count, 2000);
    for (int i = 0; i < 2000; i++) {
        assert_true(points->of[i].value == depth_at(i));
        assert_int_equal(points->of[i].at.ns, i * 100 * NS_PER_MS);
        assert_int_equal(points->of[i].utc.ns, T0 + i * 100 * NS_PER_MS);
        assert_int_equal(points->of[i].run, 1);
    }
    assert_string_equal(ask(f->path, "SELECT samples FROM telemetry"), "512|512|512|464");
}

static void awkward_values_are_kept_and_impossible_ones_dropped(void **state)
{
    struct fixture *f = *state;
    static const double values[] = {
        0.0, -0.0, 0.1 + 0.2, 1e-300, -1.7976931348623157e308, 4.9e-324, 12345678.901234567};
    fixture_open(f);
    for (int i = 0; i < 7; i++)
        put(f, "x.odd", "lab", i, T0 + i, values[i]);
    put(f, "x.odd", "lab", 8, T0 + 8, NAN);
    put(f, "x.odd", "lab", 9, T0 + 9, INFINITY);
    flush(f);
    struct points *points = get_range(f, "x.odd", T0, T0 + 100);
    assert_int_equal(points->count, 7);
    for (int i = 0; i < 7; i++)
        assert_memory_equal(&points->of[i].value, &values[i], sizeof(double));
}

static void a_range_includes_its_ends_and_nothing_else(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    put_depths(f, 0, 3000);
    flush(f);
    int64_t from = T0 + 700 * 100 * NS_PER_MS, to = T0 + 1500 * 100 * NS_PER_MS;
    struct points *points = get_range(f, "vehicle.depth_m", from, to);
    assert_int_equal(points->count, 801);
    assert_int_equal(points->of[0].utc.ns, from);
    assert_int_equal(points->of[800].utc.ns, to);
    assert_int_equal(get_range(f, "vehicle.depth_m", T0 - 5, T0 - 1)->count, 0);
    assert_int_equal(get_range(f, "vehicle.depth_m", T0 + 300 * NS_PER_S, INT64_MAX)->count, 0);
    assert_int_equal(get_range(f, "vehicle.depth_m", INT64_MIN, INT64_MAX)->count, 3000);
    assert_int_equal(get_range(f, "vehicle.altitude_m", T0, T0 + NS_PER_S)->count, 0);
}

static void channels_and_feeds_are_kept_apart(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    for (int i = 0; i < 100; i++) {
        put(f, "vehicle.depth_m", "nav", i, T0 + i, i);
        put(f, "vehicle.depth_m", "ctd", i, T0 + i, 1000 + i);
        put(f, "vehicle.altitude_m", "nav", i, T0 + i, 5000 + i);
    }
    flush(f);
    struct points *points = get_range(f, "vehicle.depth_m", T0, T0 + 1000);
    assert_int_equal(points->count, 200);
    assert_string_equal(points->feed[0], "ctd"); /* one feed after the other */
    assert_true(points->of[0].value == 1000);
    assert_string_equal(points->feed[100], "nav");
    assert_true(points->of[100].value == 0);
    struct query_telemetry want = {
        .channel = "vehicle.depth_m", .feed = "nav", .from = {T0}, .to = {T0 + 1000}};
    assert_int_equal(get(f, &want)->count, 100);
    assert_string_equal(
        ask(f->path,
            "SELECT channel || ' ' || feed || ' ' || low || ' ' || high FROM telemetry_now ORDER BY 1"),
        "vehicle.altitude_m nav 5000.0 5099.0|vehicle.depth_m ctd 1000.0 1099.0|vehicle.depth_m nav 0.0 "
        "99.0");
}

static bool note_channel(void *ctx, const struct query_channel *row)
{
    char *out = ctx;
    size_t len = strlen(out);
    snprintf(out + len, 400 - len, "%s %s %" PRIu64 " %g..%g %" PRId64 "..%" PRId64 ";", row->channel,
             row->feed, row->samples, row->low, row->high, row->first.ns - T0, row->last.ns - T0);
    return true;
}

static void channels_are_listed_for_a_range(void **state)
{
    struct fixture *f = *state;
    char out[400] = "";
    fixture_open(f);
    put(f, "ship.heading_deg", "gyro", 10, T0 + 10, 181.5);
    put(f, "ship.heading_deg", "gyro", 20, T0 + 20, 182.5);
    put(f, "water.salinity", "ctd", 5000, T0 + 5000, 35);
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_channels(reader, (utc_ns){T0}, (utc_ns){T0 + 100}, note_channel, out), 1);
    assert_string_equal(out, "ship.heading_deg gyro 2 181.5..182.5 10..20;");
    assert_int_equal(query_channels(reader, (utc_ns){T0}, (utc_ns){T0 + 9000}, note_channel, out), 2);
    store_reader_close(reader);
}

/* The same as by every sample, wherever the range begins and ends within blocks. */
static void extremes_are_those_of_every_sample(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    put_depths(f, 0, 5000);
    flush(f);
    struct store_reader *reader = open_reader(f);
    for (int from = -60; from < 5000; from += 173) {
        for (int to = from; to < 5200; to += 211) {
            struct query_telemetry want = {.channel = "vehicle.depth_m",
                                           .from = {T0 + from * 100 * NS_PER_MS},
                                           .to = {T0 + to * 100 * NS_PER_MS}};
            struct query_extremes found;
            double lowest = INFINITY, highest = -INFINITY;
            int samples = 0;
            for (int i = from < 0 ? 0 : from; i <= to && i < 5000; i++) {
                lowest = fmin(lowest, depth_at(i));
                highest = fmax(highest, depth_at(i));
                samples++;
            }
            assert_int_equal(query_extremes(reader, &want, &found), 0);
            assert_int_equal(found.samples, samples);
            assert_true(samples == 0 || (found.low == lowest && found.high == highest));
        }
    }
    store_reader_close(reader);
}

static void a_reader_stops_when_told(void **state)
{
    struct fixture *f = *state;
    static struct points points;
    fixture_open(f);
    put_depths(f, 0, 1500);
    flush(f);
    struct store_reader *reader = open_reader(f);
    points.stop_at = 700;
    struct query_telemetry want = {.channel = "vehicle.depth_m", .from = {T0}, .to = {INT64_MAX}};
    assert_int_equal(query_telemetry(reader, &want, keep_point, &points), 700);
    assert_int_equal(points.count, 700);
    store_reader_close(reader);
}

/* The host's oscillator is 100 ppm fast, and a step of UTC falls into the run: every sample keeps its own UTC to a microsecond. */
static void utc_follows_drift_and_steps(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    int64_t utc[3000];
    for (int i = 0; i < 3000; i++) {
        int64_t at = i * 100 * NS_PER_MS;
        utc[i] = T0 + at - at / 10000 + (i >= 1234 ? 2 * NS_PER_S : 0);
        put(f, "vehicle.depth_m", "nav", at, utc[i], i);
    }
    flush(f);
    struct points *points = get_range(f, "vehicle.depth_m", INT64_MIN, INT64_MAX);
    assert_int_equal(points->count, 3000);
    for (int i = 0; i < 3000; i++)
        assert_true(llabs(points->of[i].utc.ns - utc[i]) <= 1000);
}

static void samples_out_of_order_are_all_there(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    static const int order[] = {5, 6, 4, 7, 7, 3, 9, 8, 10};
    for (int i = 0; i < 9; i++)
        put(f, "vehicle.lat_deg", "usbl", order[i] * NS_PER_S, T0 + order[i] * NS_PER_S, order[i]);
    flush(f);
    struct points *points = get_range(f, "vehicle.lat_deg", T0, T0 + 60 * NS_PER_S);
    assert_int_equal(points->count, 9);
    double sum = 0;
    for (size_t i = 0; i < 9; i++) {
        assert_int_equal(points->of[i].utc.ns, T0 + (int64_t)points->of[i].value * NS_PER_S);
        sum += points->of[i].value;
    }
    assert_true(sum == 59);
}

static void samples_without_utc_are_kept(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    put(f, "vehicle.depth_m", "nav", 100, 0, 1);
    put(f, "vehicle.depth_m", "nav", 200, 0, 2);
    put(f, "vehicle.depth_m", "nav", 300, T0 + 300, 3);
    flush(f);
    assert_string_equal(
        ask(f->path, "SELECT samples || ' ' || ifnull(first_utc_ns, 'none') FROM telemetry ORDER BY id"),
        "2 none|1 1930000000000000300");
}

/* The rows of telemetry as text, to compare two databases. */
static void rows_of(struct fixture *f, char *out, size_t size)
{
    snprintf(out, size, "%s",
             ask(f->path, "SELECT t.id || ' ' || s.channel || ' ' || t.series || ' ' || samples || ' ' || "
                          "first_mono_ns || ' ' || "
                          "last_utc_ns || ' ' || hex(substr(block, -4)) || length(block) FROM telemetry t "
                          "JOIN series s ON s.id = t.series"));
}

static void put_mixture(struct fixture *f, int every)
{
    for (int i = 0; i < 4000; i++) {
        put(f, "vehicle.depth_m", "nav", i * NS_PER_MS, T0 + i * NS_PER_MS, depth_at(i));
        if (i % 3 == 0)
            put(f, "ship.heading_deg", "gyro", i * NS_PER_MS, T0 + i * NS_PER_MS, i % 360);
        if (i % 100 == 50)
            put(f, "vehicle.lat_deg", "usbl", (i - 20) * NS_PER_MS, T0 + (i - 20) * NS_PER_MS, 12 + i * 1e-6);
        if (every != 0 && i % every == 0)
            flush(f);
    }
}

static void blocks_do_not_depend_on_when_they_are_written(void **state)
{
    struct fixture *f = *state;
    static char once[8192], often[8192];
    fixture_open(f);
    put_mixture(f, 0);
    fixture_close(f);
    rows_of(f, once, sizeof once);
    SET_TEXT(f->path, f->folder);
    snprintf(f->path, sizeof f->path, "%s/often.db", f->folder);
    fixture_open(f);
    put_mixture(f, 37);
    fixture_close(f);
    rows_of(f, often, sizeof often);
    assert_string_equal(once, often);
}

static void a_restart_opens_new_blocks(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    put_depths(f, 0, 10);
    fixture_close(f);
    fixture_open(f);
    put_depths(f, 10, 20);
    fixture_close(f);
    assert_string_equal(
        ask(f->path, "SELECT id || ' ' || run || ' ' || series || ' ' || samples FROM telemetry"),
        "1 1 1 10|2 2 1 10");
    assert_int_equal(get_range(f, "vehicle.depth_m", T0, INT64_MAX)->count, 20);
}

/* Offline work waits for room: nothing is shed although far more comes than fits. */
static void offline_work_sheds_nothing(void **state)
{
    struct fixture *f = *state;
    f->options.telemetry_room = 200;
    f->options.wait_for_room = true;
    fixture_open(f);
    put_depths(f, 0, 15000);
    for (int i = 0; i < 10000; i++) {
        struct engine_observation observation = {.clock = "utc", .a = i, .lo = i, .hi = i + 1};
        store_observe(f->store, &observation);
    }
    flush(f);
    struct store_counts counts;
    store_counts(f->store, &counts);
    assert_int_equal(counts.samples_shed, 0);
    assert_int_equal(counts.observations_shed, 0);
    assert_int_equal(counts.samples, 15000);
    assert_int_equal(get_range(f, "vehicle.depth_m", T0, INT64_MAX)->count, 15000);
    assert_string_equal(ask(f->path, "SELECT count(*) FROM clock_observation"), "10000");
}

static void more_series_than_there_is_room_for_are_shed_and_counted(void **state)
{
    struct fixture *f = *state;
    char channel[CHANNEL_NAME_SIZE];
    fixture_open(f);
    for (int i = 0; i < 300; i++) {
        snprintf(channel, sizeof channel, "x.c%d", i);
        put(f, channel, "lab", 1, T0, i);
    }
    put(f, "x.c7", "lab", 2, T0 + 1, 7); /* those that are known go on */
    flush(f);
    struct store_counts counts;
    store_counts(f->store, &counts);
    assert_int_equal(counts.samples, 257);
    assert_int_equal(counts.samples_shed, 44);
}

static bool note_observation(void *ctx, const struct query_observation *row)
{
    char *out = ctx;
    size_t len = strlen(out);
    snprintf(out + len, 400 - len, "%" PRId64 " %s %s %" PRId64 " %" PRId64 " %" PRId64 ";", row->run,
             row->host_boot_id, row->clock, row->a, row->lo, row->hi);
    return true;
}

static void clock_observations_are_kept_in_order(void **state)
{
    struct fixture *f = *state;
    char out[400] = "";
    fixture_open(f);
    static const struct engine_observation observations[] = {
        {"pad P-03 4711", 10, -5, 5}, {"utc", 20, 30, 40}, {"pad P-03 4711", 11, 6, 7}};
    for (int i = 0; i < 3; i++)
        store_observe(f->store, &observations[i]);
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_observations(reader, NULL, note_observation, out), 3);
    assert_string_equal(out, "1 " BOOT_ID " pad P-03 4711 10 -5 5;1 " BOOT_ID " utc 20 30 40;1 " BOOT_ID
                             " pad P-03 4711 11 6 7;");
    out[0] = '\0';
    assert_int_equal(query_observations(reader, "utc", note_observation, out), 1);
    assert_string_equal(out, "1 " BOOT_ID " utc 20 30 40;");
    store_reader_close(reader);
}

static void a_damaged_block_is_told_and_not_guessed(void **state)
{
    struct fixture *f = *state;
    static struct points points;
    fixture_open(f);
    put_depths(f, 0, 100);
    fixture_close(f);
    do_sql(f->path, "UPDATE telemetry SET block = substr(block, 1, length(block) - 3)");
    struct store_reader *reader = open_reader(f);
    struct query_telemetry want = {.channel = "vehicle.depth_m", .from = {T0}, .to = {INT64_MAX}};
    assert_int_equal(query_telemetry(reader, &want, keep_point, &points), STORE_DAMAGED);
    assert_non_null(strstr(store_reader_error(reader), f->path));
    store_reader_close(reader);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(samples_come_back_as_they_went_in),
        STORE_TEST(awkward_values_are_kept_and_impossible_ones_dropped),
        STORE_TEST(a_range_includes_its_ends_and_nothing_else),
        STORE_TEST(channels_and_feeds_are_kept_apart),
        STORE_TEST(channels_are_listed_for_a_range),
        STORE_TEST(extremes_are_those_of_every_sample),
        STORE_TEST(a_reader_stops_when_told),
        STORE_TEST(utc_follows_drift_and_steps),
        STORE_TEST(samples_out_of_order_are_all_there),
        STORE_TEST(samples_without_utc_are_kept),
        STORE_TEST(blocks_do_not_depend_on_when_they_are_written),
        STORE_TEST(a_restart_opens_new_blocks),
        STORE_TEST(offline_work_sheds_nothing),
        STORE_TEST(more_series_than_there_is_room_for_are_shed_and_counted),
        STORE_TEST(clock_observations_are_kept_in_order),
        STORE_TEST(a_damaged_block_is_told_and_not_guessed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
