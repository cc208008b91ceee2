/* The host's clocks: they advance, the observation brackets UTC, and the record says what was observed. */
#include "io/hostclock.h"

#include "core/fields.h"
#include "io/backoff.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

static void test_monotonic(void **state)
{
    (void)state;
    struct timespec boot;
    mono_ns a = hostclock_now();
    assert_int_equal(clock_gettime(CLOCK_BOOTTIME, &boot), 0);
    mono_ns b = hostclock_now();
    int64_t between = (int64_t)boot.tv_sec * NS_PER_S + boot.tv_nsec;
    assert_true(a.ns <= between && between <= b.ns);
}

/* UTC read by other means before and after lies around what was observed, and so does the monotonic clock. */
static void test_observation(void **state)
{
    (void)state;
    struct timespec early, late;
    struct hostclock_utc seen;
    mono_ns a = hostclock_now();
    assert_int_equal(clock_gettime(CLOCK_REALTIME, &early), 0);
    hostclock_observe(&seen);
    assert_int_equal(clock_gettime(CLOCK_REALTIME, &late), 0);
    mono_ns b = hostclock_now();
    assert_true(a.ns <= seen.before.ns && seen.before.ns <= seen.after.ns && seen.after.ns <= b.ns);
    assert_true((int64_t)early.tv_sec * NS_PER_S + early.tv_nsec <= seen.utc.ns);
    assert_true((int64_t)late.tv_sec * NS_PER_S + late.tv_nsec >= seen.utc.ns);
    assert_true(seen.leap >= 0 && seen.leap <= 4);
    assert_true(seen.max_error_us >= 0);
}

static void test_record(void **state)
{
    (void)state;
    const struct hostclock_utc observation = {.before = {INT64_C(123456789012345)},
                                              .utc = {INT64_C(1931000000123456789)},
                                              .after = {INT64_C(123456789012399)},
                                              .synced = true,
                                              .max_error_us = 1500,
                                              .est_error_us = 7,
                                              .leap = 1};
    char record[HOSTCLOCK_RECORD_SIZE];
    size_t len = hostclock_record(&observation, record, sizeof record);
    assert_string_equal(record, "op=utc\x1f"
                                "before=123456789012345\x1f"
                                "utc=1931000000123456789\x1f"
                                "after=123456789012399\x1fsynced=1\x1fmax_error_us=1500\x1f"
                                "est_error_us=7\x1fleap=1");
    /* and the core reads each number as it was written, nineteen digits too */
    struct fields fields;
    int64_t utc = 0;
    assert_true(fields_parse(&fields, record, len));
    assert_true(fields_int(&fields, "utc", &utc));
    assert_int_equal(utc, observation.utc.ns);
}

static void test_boot_id(void **state)
{
    (void)state;
    char id[HOSTCLOCK_BOOT_ID_SIZE], again[HOSTCLOCK_BOOT_ID_SIZE];
    assert_true(hostclock_boot_id(id));
    assert_int_equal(strlen(id), 36);
    assert_true(hostclock_boot_id(again));
    assert_string_equal(id, again);
}

static void test_backoff(void **state)
{
    (void)state;
    struct backoff backoff = {.first_ms = 100, .last_ms = 1000};
    static const uint32_t expected[] = {100, 200, 400, 800, 1000, 1000, 1000};
    for (size_t i = 0; i < sizeof expected / sizeof expected[0]; i++)
        assert_int_equal(backoff_next_ms(&backoff), expected[i]);
    backoff_reset(&backoff);
    assert_int_equal(backoff_next_ms(&backoff), 100);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_monotonic), cmocka_unit_test(test_observation), cmocka_unit_test(test_record),
        cmocka_unit_test(test_boot_id),   cmocka_unit_test(test_backoff),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
