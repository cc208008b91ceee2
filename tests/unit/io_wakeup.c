/* The daemon's alarm: never early, at once for what is past, moved, put off for ever. */
#include "io/wakeup.h"

#include "io/hostclock.h"

#include "io_bench.h"

static struct wakeup *alarm_clock;
static int rung;
static mono_ns rung_at;

static void on_alarm(void *ctx, mono_ns now)
{
    assert_ptr_equal(ctx, &rung);
    rung++;
    rung_at = now;
}

static void run_until_rung(int times)
{
    while (rung < times)
        uv_run(&bench.loop, UV_RUN_ONCE);
}

static void test_rings_when_it_is_time(void **state)
{
    (void)state;
    rung = 0;
    alarm_clock = wakeup_new(&bench.loop, on_alarm, &rung);
    assert_non_null(alarm_clock);

    wakeup_at(alarm_clock, (mono_ns){1}); /* long past */
    run_until_rung(1);

    mono_ns soon = {hostclock_now().ns + 3 * NS_PER_MS + 456789};
    wakeup_at(alarm_clock, (mono_ns){soon.ns + 3600 * NS_PER_S});
    wakeup_at(alarm_clock, soon); /* the later word counts */
    run_until_rung(2);
    assert_true(rung_at.ns >= soon.ns);

    wakeup_at(alarm_clock, (mono_ns){0});
    run_until_rung(3);

    wakeup_at(alarm_clock, (mono_ns){1});
    wakeup_at(alarm_clock, (mono_ns){INT64_MAX}); /* never */
    uv_run(&bench.loop, UV_RUN_NOWAIT);
    assert_int_equal(rung, 3);
    wakeup_close(alarm_clock);
    wakeup_close(NULL);
    bench_run_until_closed();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_rings_when_it_is_time, bench_set_up, bench_tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
