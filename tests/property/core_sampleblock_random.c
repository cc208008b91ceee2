/* sampleblock: random runs come back bit for bit; random damage with a right check never reads outside and never hands out what is not finite. */
#include <string.h>

#include "core/sampleblock.h"
#include "property/core_random.h"
#include "unit/core_near.h"

enum { MOST = 400, ROUNDS = 3000 };

static struct sampleblock_sample samples[MOST];
static uint8_t blob[SAMPLEBLOCK_ROOM(MOST)];

static double random_value(int kind)
{
    static const double power[] = {1, 10, 100, 1e3, 1e6, 1e9, 1e12};
    uint64_t bits;
    double value;

    if (kind < 7) {
        return (double)(random_below(2000001) - 1000000) / power[kind];
    }
    do {
        bits = random_bits();
        memcpy(&value, &bits, sizeof value);
    } while (!isfinite(value));
    return value == 0.0 ? 0.0 : value;
}

static size_t fill(void)
{
    size_t count = 1 + (size_t)random_below(MOST);
    int kind = random_below(9);
    int64_t unit = (int64_t[]){1, 1000, 1000000}[random_below(3)];
    int64_t at = (int64_t)(random_bits() >> 20) / unit * unit;

    for (size_t i = 0; i < count; i++) {
        samples[i].at.ns = at;
        samples[i].value = random_value(kind == 8 ? random_below(8) : kind);
        at += random_below(200) == 0 ? (int64_t)(random_bits() >> 30) / unit * unit - 500 * unit
                                     : (100 + random_below(3)) * unit;
    }
    return count;
}

static void runs_come_back(void **state)
{
    (void)state;
    for (int round = 0; round < ROUNDS; round++) {
        size_t count = fill();
        size_t used = 0;
        struct sampleblock_reader reader;
        struct sampleblock_sample got;
        assert_int_equal(sampleblock_encode(samples, count, blob, SAMPLEBLOCK_ROOM(count), &used),
                         SAMPLEBLOCK_OK);
        assert_int_equal(sampleblock_open(&reader, blob, used), SAMPLEBLOCK_OK);
        for (size_t i = 0; i < count; i++) {
            assert_true(sampleblock_next(&reader, &got));
            assert_int_equal(got.at.ns, samples[i].at.ns);
            assert_memory_equal(&got.value, &samples[i].value, sizeof got.value);
        }
        assert_false(sampleblock_next(&reader, &got));
    }
}

static void seal(uint8_t *bytes, size_t len)
{
    uint32_t crc = 0xFFFFFFFF;

    for (size_t i = 0; i < len; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc >> 1) ^ ((crc & 1) != 0 ? 0xEDB88320U : 0U);
        }
    }
    for (int i = 0; i < 4; i++) {
        bytes[len++] = (uint8_t)(~crc >> (8 * i));
    }
}

static void damage_under_a_right_check_is_bounded(void **state)
{
    int opened = 0;

    (void)state;
    for (int round = 0; round < ROUNDS; round++) {
        size_t used = 0;
        struct sampleblock_reader reader;
        struct sampleblock_sample got;
        size_t count = fill();
        assert_int_equal(sampleblock_encode(samples, count, blob, sizeof blob, &used), SAMPLEBLOCK_OK);
        size_t body = used - 4;
        for (int i = 0; i < 1 + random_below(4); i++) {
            blob[(size_t)random_below((int)body)] = (uint8_t)random_bits();
        }
        body -= (size_t)random_below(4) < body ? (size_t)random_below(4) : 0;
        seal(blob, body);
        if (sampleblock_open(&reader, blob, body + 4) != SAMPLEBLOCK_OK) {
            continue;
        }
        opened++;
        while (sampleblock_next(&reader, &got)) {
            assert_true(isfinite(got.value));
        }
        assert_int_equal(reader.done, reader.count);
    }
    printf("%d of %d damaged blobs with a right check were consistent in themselves\n", opened, ROUNDS);
    assert_true(opened > 0 && opened < ROUNDS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(runs_come_back),
        cmocka_unit_test(damage_under_a_right_check_is_bounded),
    };

    random_begin(20310304);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
