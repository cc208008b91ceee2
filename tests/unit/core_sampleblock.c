/*
 * sampleblock: the layout byte by byte (a golden blob), losslessness on kept cases, refusal of damage, and what realistic data takes.
 *
 * `core_sampleblock --sizes` prints bytes per sample for kinds of data, for docs/telemetry.md.
 */
#include <string.h>

#include "core/sampleblock.h"
#include "core_near.h"

enum { MOST = 40000 };

static struct sampleblock_sample samples[MOST];
static uint8_t blob[SAMPLEBLOCK_ROOM(MOST)];

static size_t encode(size_t count)
{
    size_t used = 0;

    assert_int_equal(sampleblock_encode(samples, count, blob, sizeof blob, &used), SAMPLEBLOCK_OK);
    return used;
}

static void assert_round_trip(size_t count)
{
    size_t used = encode(count);
    struct sampleblock_reader reader;
    struct sampleblock_sample got;

    assert_int_equal(sampleblock_open(&reader, blob, used), SAMPLEBLOCK_OK);
    for (size_t i = 0; i < count; i++) {
        assert_true(sampleblock_next(&reader, &got));
        assert_int_equal(got.at.ns, samples[i].at.ns);
        assert_true(got.value == samples[i].value);
    }
    assert_false(sampleblock_next(&reader, &got));
}

static void set(size_t i, int64_t ns, double value)
{
    samples[i] = (struct sampleblock_sample){{ns}, value};
}

static void version_1_stays_as_it_is(void **state)
{
    /* By hand: 3 samples, one decimal, milliseconds: 1.0 s 20.5; 1.1 s 20.7; 1.2 s 20.4. */
    static const uint8_t golden[] = {0x01, 0x01, 0x02, 0x03, 0xD0, 0x0F, 0x9A,
                                     0x03, 0xC8, 0x01, 0x04, 0x00, 0x05};

    (void)state;
    set(0, 1000 * NS_PER_MS, 20.5);
    set(1, 1100 * NS_PER_MS, 20.7);
    set(2, 1200 * NS_PER_MS, 20.4);
    size_t used = encode(3);
    assert_int_equal(used, sizeof golden + 4);
    assert_memory_equal(blob, golden, sizeof golden);
    assert_round_trip(3);
}

static void values_come_back_to_the_bit(void **state)
{
    static const double odd[] = {
        0.1,   -0.1,   1.0 / 3.0,      1e-12,      1e15, 4503599627370497.5,      9007199254740993.0,
        1e300, 5e-324, -179.999998333, 123456.789, 0.0,  2.2250738585072014e-308, 1e-13};

    (void)state;
    for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++) {
        for (size_t k = 0; k < sizeof odd / sizeof odd[0]; k++) {
            set(0, 0, odd[i]);
            set(1, 1, odd[k]);
            assert_round_trip(2);
        }
    }
    set(0, 0, -0.0);
    size_t used = encode(1);
    struct sampleblock_reader reader;
    struct sampleblock_sample got;
    assert_int_equal(sampleblock_open(&reader, blob, used), SAMPLEBLOCK_OK);
    assert_true(sampleblock_next(&reader, &got));
    assert_true(got.value == 0.0);
}

static void times_come_back_whatever_they_are(void **state)
{
    static const int64_t odd[] = {0,       1,        -1,        999,       1000,
                                  1000000, -1000000, INT64_MAX, INT64_MIN, INT64_MAX / 2 + 7};

    (void)state;
    for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++) {
        for (size_t k = 0; k < sizeof odd / sizeof odd[0]; k++) {
            set(0, odd[i], 1.0);
            set(1, odd[k], 1.0);
            set(2, odd[i], 1.0);
            assert_round_trip(3);
        }
    }
}

static void what_cannot_be_is_refused(void **state)
{
    size_t used = 77;

    (void)state;
    set(0, 0, 1.0);
    set(1, 0, NAN);
    assert_int_equal(sampleblock_encode(samples, 0, blob, sizeof blob, &used), SAMPLEBLOCK_BAD_COUNT);
    assert_int_equal(sampleblock_encode(samples, SAMPLEBLOCK_COUNT_MAX + 1, blob, sizeof blob, &used),
                     SAMPLEBLOCK_BAD_COUNT);
    assert_int_equal(sampleblock_encode(samples, 2, blob, sizeof blob, &used), SAMPLEBLOCK_BAD_VALUE);
    set(1, 0, -INFINITY);
    assert_int_equal(sampleblock_encode(samples, 2, blob, sizeof blob, &used), SAMPLEBLOCK_BAD_VALUE);
    for (size_t room = 0; room < 10; room++) {
        assert_int_equal(sampleblock_encode(samples, 1, blob, room, &used), SAMPLEBLOCK_NO_ROOM);
    }
    assert_int_equal(used, 77);
}

static void damage_is_refused(void **state)
{
    struct sampleblock_reader reader;

    (void)state;
    for (size_t i = 0; i < 50; i++) {
        set(i, (int64_t)i * 100000000 + (int64_t)(i * i % 97) * 1000, 1204.0 + (double)(i % 7) / 10.0);
    }
    size_t used = encode(50);
    for (size_t cut = 0; cut < used; cut++) {
        assert_int_equal(sampleblock_open(&reader, blob, cut), SAMPLEBLOCK_DAMAGED);
    }
    for (size_t bit = 0; bit < used * 8; bit++) {
        blob[bit / 8] ^= (uint8_t)(1U << (bit % 8));
        assert_int_equal(sampleblock_open(&reader, blob, used), SAMPLEBLOCK_DAMAGED);
        blob[bit / 8] ^= (uint8_t)(1U << (bit % 8));
    }
    assert_int_equal(sampleblock_open(&reader, blob, used), SAMPLEBLOCK_OK);
}

/* A blob whose check is right and whose content is not: the check is made anew, bit by bit. */
static void seal(size_t len)
{
    uint32_t crc = 0xFFFFFFFF;

    for (size_t i = 0; i < len; i++) {
        crc ^= blob[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc >> 1) ^ ((crc & 1) != 0 ? 0xEDB88320U : 0U);
        }
    }
    crc = ~crc;
    for (int i = 0; i < 4; i++) {
        blob[len++] = (uint8_t)(crc >> (8 * i));
    }
}

static void contradictions_are_refused(void **state)
{
    struct sampleblock_reader reader;
    static const struct {
        uint8_t bytes[16];
        size_t len;
        enum sampleblock_verdict want;
    } rows[] = {
        {{1, 0, 0, 1, 0, 0}, 6, SAMPLEBLOCK_OK},
        {{2, 0, 0, 1, 0, 0}, 6, SAMPLEBLOCK_NEWER},
        {{0, 0, 0, 1, 0, 0}, 6, SAMPLEBLOCK_DAMAGED},
        {{1, 13, 0, 1, 0, 0}, 6, SAMPLEBLOCK_DAMAGED},   /* no such code */
        {{1, 0, 3, 1, 0, 0}, 6, SAMPLEBLOCK_DAMAGED},    /* no such unit */
        {{1, 0, 0, 0}, 4, SAMPLEBLOCK_DAMAGED},          /* no samples */
        {{1, 0, 0, 2, 0, 0}, 6, SAMPLEBLOCK_DAMAGED},    /* fewer than said */
        {{1, 0, 0, 1, 0, 0, 0}, 7, SAMPLEBLOCK_DAMAGED}, /* more than said */
        {{1, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0x0F, 0, 0}, 10, SAMPLEBLOCK_DAMAGED},
        {{1, 255, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0xF0, 0x7F}, 13, SAMPLEBLOCK_DAMAGED}, /* an infinity */
        {{1, 0, 2, 1, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 1, 0},
         15,
         SAMPLEBLOCK_DAMAGED}, /* time too large */
        {{1, 0, 0, 1, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 2, 0},
         15,
         SAMPLEBLOCK_DAMAGED}, /* 65 bits */
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        memcpy(blob, rows[i].bytes, rows[i].len);
        seal(rows[i].len);
        assert_int_equal(sampleblock_open(&reader, blob, rows[i].len + 4), rows[i].want);
    }
}

/* ---- what realistic data takes ---- */

static uint64_t seed = 20310304;

static double uniform(void)
{
    seed = seed * UINT64_C(6364136223846793005) + 1442695040888963407U;
    return (double)(seed >> 11) / 9007199254740992.0;
}

static double normal(void)
{
    double sum = -6.0;

    for (int i = 0; i < 12; i++) {
        sum += uniform();
    }
    return sum;
}

/* An hour at 10 Hz: arrivals jitter by 0.3 ms, times in whole microseconds, values a slow walk with sensor noise of so many decimals. */
static double bytes_per_sample(double start, double drift, double noise, int decimals, int64_t time_step_ns)
{
    enum { HOUR = 36000 };
    double walk = start;

    for (size_t i = 0; i < HOUR; i++) {
        double scale = pow(10.0, decimals);
        int64_t ns = (int64_t)i * 100 * NS_PER_MS + (int64_t)(fabs(normal()) * 300000.0);
        walk += drift * normal();
        set(i, ns / time_step_ns * time_step_ns,
            decimals >= 0 ? round((walk + noise * normal()) * scale) / scale : walk);
    }
    assert_round_trip(HOUR);
    return (double)encode(HOUR) / HOUR;
}

static const struct {
    const char *what;
    double start, drift, noise;
    int decimals;
    int64_t time_step_ns;
    double at_most;
} kinds[] = {
    {"depth, 0.01 m, times in us", 1204.6, 0.02, 0.02, 2, 1000, 4.0},
    {"heading, 0.1 deg, times in us", 180.0, 0.3, 0.1, 1, 1000, 4.0},
    {"temperature, 0.0001 C, times in us", 2.15, 0.0002, 0.0003, 4, 1000, 4.0},
    {"latitude, 1e-9 deg, times in us", -12.3456, 2e-7, 5e-8, 9, 1000, 5.5},
    {"depth, 0.01 m, times in ms", 1204.6, 0.02, 0.02, 2, 1000000, 2.2},
    {"depth, 0.01 m, times in ns", 1204.6, 0.02, 0.02, 2, 1, 4.9},
    {"full doubles (nothing decimal)", 34.91, 1e-4, 0.0, -1, 1000, 11.0},
};

static void realistic_data_is_small(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        assert_true(bytes_per_sample(kinds[i].start, kinds[i].drift, kinds[i].noise, kinds[i].decimals,
                                     kinds[i].time_step_ns) < kinds[i].at_most);
    }
}

static void print_sizes(void)
{
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        printf("%-36s %5.2f bytes per sample\n", kinds[i].what,
               bytes_per_sample(kinds[i].start, kinds[i].drift, kinds[i].noise, kinds[i].decimals,
                                kinds[i].time_step_ns));
    }
}

static void verdicts_have_names(void **state)
{
    (void)state;
    assert_string_equal(sampleblock_verdict_name(SAMPLEBLOCK_DAMAGED), "damaged");
    assert_string_equal(sampleblock_verdict_name(SAMPLEBLOCK_NEWER), "newer version");
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(version_1_stays_as_it_is),
        cmocka_unit_test(values_come_back_to_the_bit),
        cmocka_unit_test(times_come_back_whatever_they_are),
        cmocka_unit_test(what_cannot_be_is_refused),
        cmocka_unit_test(damage_is_refused),
        cmocka_unit_test(contradictions_are_refused),
        cmocka_unit_test(realistic_data_is_small),
        cmocka_unit_test(verdicts_have_names),
    };

    if (argc > 1 && strcmp(argv[1], "--sizes") == 0) {
        print_sizes();
        return 0;
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
