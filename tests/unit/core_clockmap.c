/*
 * clockmap: the rules one by one. The claim as a whole is checked by property/core_clockmap_truth.
 *
 * Sources of the figures: the worked exchange (100.000, 100.120, 100.121, 100.041) uses the formulas of RFC 5905 section 8; that the truth
 * lies within half the round trip whatever the asymmetry is Cristian 1989; that intersecting intervals keeps it is Marzullo 1984.
 *
 * With --cost it prints what the calls take on a full map.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <cmocka.h>

#include "core/clockmap.h"

#define S INT64_C(1000000000)
#define MS INT64_C(1000000)

/* ns against ns, nothing allowed but what is set */
static struct clockmap_params params(int64_t rate_ppb, int64_t wander_ppb_per_s, int64_t slew_ppb)
{
    return (struct clockmap_params){.num = 1,
                                    .den = 1,
                                    .rate_ppb = rate_ppb,
                                    .wander_ppb_per_s = wander_ppb_per_s,
                                    .wander_ppb = rate_ppb,
                                    .slew_ppb = slew_ppb};
}

static struct clockmap map_with(struct clockmap_params p)
{
    struct clockmap map;
    assert_int_equal(clockmap_init(&map, &p), 0);
    return map;
}

static void assert_at(const struct clockmap *map, int64_t a, int64_t lo, int64_t hi)
{
    struct clockmap_interval got = {0, 0};
    assert_true(clockmap_at(map, a, &got));
    assert_int_equal(got.lo, lo);
    assert_int_equal(got.hi, hi);
}

static void an_empty_map_knows_nothing(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(0, 0, 0));
    struct clockmap_interval got = {1, 2};
    int64_t lo, hi;
    assert_false(clockmap_at(&map, 0, &got));
    assert_false(clockmap_inverse(&map, 0, &got));
    assert_false(clockmap_rate(&map, &lo, &hi));
    assert_int_equal(got.lo, 1);
    assert_int_equal(clockmap_check(&map, 0, 0, 0), 0);
    assert_int_equal(clockmap_count(&map), 0);
}

static void perfect_clocks_intersect(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(0, 0, 0));
    assert_int_equal(clockmap_add(&map, 0, 1000, 2000), CLOCKMAP_OK);
    assert_at(&map, 0, 1000, 2000);
    assert_int_equal(clockmap_add(&map, 500, 2000, 3000), CLOCKMAP_OK); /* offset 1500 .. 2500 */
    assert_at(&map, 0, 1500, 2000);
    assert_at(&map, 1000, 2500, 3000);
    assert_int_equal(clockmap_middle((struct clockmap_interval){2500, 3001}), 2750);
    assert_int_equal(clockmap_half((struct clockmap_interval){2500, 3001}), 251);
    assert_int_equal(clockmap_half((struct clockmap_interval){-3, -2}), 1);
}

static void an_answer_widens_with_distance(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(1000000, 0, 0)); /* 1,000 ppm */
    clockmap_add(&map, 0, 0, 100);
    struct clockmap_interval got;
    for (int sign = -1; sign <= 1; sign += 2) {
        assert_true(clockmap_at(&map, sign * S, &got));
        assert_in_range(sign * S - got.lo, MS, MS + 2);
        assert_in_range(got.hi - 100 - sign * S, MS, MS + 2);
    }
}

/* Two readings 10 s apart, exact to 1 us each: the rate is then known to 0.2 ppm, and 10 s later B to 3 us and not to 10 ms. */
static void a_rate_is_learned(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(6000000, 0, 0));
    const int64_t grown = 10 * S + 10 * S / 1000 * 3; /* 3,000 ppm */
    clockmap_add(&map, 0, -1000, 1000);
    clockmap_add(&map, 10 * S, grown - 1000, grown + 1000);
    int64_t lo, hi;
    assert_true(clockmap_rate(&map, &lo, &hi));
    assert_in_range(lo, 2999799, 2999800);
    assert_in_range(hi, 3000200, 3000201);
    struct clockmap_interval got;
    assert_true(clockmap_at(&map, 20 * S, &got));
    assert_in_range(got.lo, 2 * grown - 3010, 2 * grown - 3000);
    assert_in_range(got.hi, 2 * grown + 3000, 2 * grown + 3010);
}

/* A rate that wanders by 1 ppm a second: half a microsecond after one second, and so on with the square. */
static void a_wander_widens_with_the_square(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(100000000, 1000, 0));
    clockmap_add(&map, 0, 0, 0);
    clockmap_add(&map, 1000, 1000, 1000);
    struct clockmap_interval one, ten;
    assert_true(clockmap_at(&map, 1000 + S, &one));
    assert_true(clockmap_at(&map, 1000 + 10 * S, &ten));
    assert_in_range(one.hi - (1000 + S), 500, 520);
    assert_in_range(ten.hi - (1000 + 10 * S), 50000, 50200);
    assert_in_range(1000 + 10 * S - ten.lo, 50000, 50200);
}

/* Once the wander has used up its range it is a line: with 1 ppm/s up to 10 ppm, 100 s out it makes 10 ppm of 95 s. */
static void a_wander_has_an_end(void **state)
{
    (void)state;
    struct clockmap_params p = params(100000000, 1000, 0);
    p.wander_ppb = 10000;
    struct clockmap map = map_with(p);
    clockmap_add(&map, 0, 0, 0);
    clockmap_add(&map, 1000, 1000, 1000);
    struct clockmap_interval got;
    assert_true(clockmap_at(&map, 1000 + 100 * S, &got));
    assert_in_range(got.hi - (1000 + 100 * S), 950000, 951000);
}

/* Nor is it counted twice: what was learned of the drift long ago bounds it by its whole wander at any time, carried over other constraints
 * too. Drift 0 at the beginning, 10 ppm of wander; 1,000 s on from a constraint that is 5,000 s later that makes 10 ms, not 20. */
static void a_wander_is_counted_once(void **state)
{
    (void)state;
    struct clockmap_params p = params(100000000, 1000, 0);
    p.wander_ppb = 10000;
    struct clockmap map = map_with(p);
    clockmap_add(&map, 0, 0, 0);
    clockmap_add(&map, 1000, 1000, 1000);
    assert_int_equal(clockmap_add(&map, 5000 * S, 5000 * S - 1000, 5000 * S + 1000), CLOCKMAP_OK);
    struct clockmap_interval got;
    assert_true(clockmap_at(&map, 6000 * S, &got));
    assert_in_range(got.hi - 6000 * S, 0, 10 * MS + 2000);
    assert_in_range(6000 * S - got.lo, 0, 10 * MS + 2000);
}

/* One exact reading among many rough ones is known at all of them, however they came. */
static void what_one_knows_all_know(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(0, 0, 0));
    for (int64_t i = 0; i < 40; i++) {
        const int64_t at = i * 17 % 40 * S;
        assert_int_equal(clockmap_add(&map, at, at - MS, at + MS), CLOCKMAP_OK);
    }
    assert_int_equal(clockmap_add(&map, 25 * S + 7, 25 * S + 2, 25 * S + 12), CLOCKMAP_OK);
    for (int64_t i = 0; i < 40; i++)
        assert_at(&map, i * S, i * S - 5, i * S + 5);
}

/* A slew cannot be learned away: 100 ppm of it leave 100 ppm a second, and the drift is only known to 100 ppm: 200 in all. */
static void a_slew_is_allowed_for(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(6000000, 0, 100000));
    clockmap_add(&map, 0, 0, 0);
    clockmap_add(&map, 100 * S, 100 * S, 100 * S);
    struct clockmap_interval got;
    assert_true(clockmap_at(&map, 101 * S, &got));
    assert_in_range(got.hi - 101 * S, 200000, 200010);
}

static void an_empty_intersection_is_a_step(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(1000000, 0, 0));
    clockmap_add(&map, 0, 0, 100);
    assert_int_equal(clockmap_check(&map, S, 2 * S, 2 * S), 1);
    assert_int_equal(clockmap_check(&map, S, 0, 10), -1);
    assert_int_equal(clockmap_check(&map, S, S, S), 0);
    assert_int_equal(clockmap_add(&map, S, 2 * S, 2 * S + 100), CLOCKMAP_STEP);
    assert_int_equal(map.steps, 1);
    assert_in_range(map.step_ns, S - 2, S + 2);
    assert_int_equal(clockmap_count(&map), 1);
    assert_at(&map, S, 2 * S, 2 * S + 100);
    assert_int_equal(clockmap_add(&map, 2 * S, 3 * S, 3 * S + 50), CLOCKMAP_OK);
}

static void nonsense_is_rejected(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(1000000, 0, 0));
    assert_int_equal(clockmap_add(&map, 0, 100, 99), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_add(&map, 0, CLOCKMAP_OPEN_LO, CLOCKMAP_OPEN_HI), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_add(&map, 0, 0, INT64_C(1) << 61), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_count(&map), 0);
    clockmap_add(&map, 0, 0, 100);
    assert_int_equal(clockmap_add(&map, INT64_MAX, 0, 100), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_add(&map, INT64_MIN, 0, 100), CLOCKMAP_REJECTED);
    struct clockmap_interval got;
    assert_false(clockmap_at(&map, INT64_MAX, &got));
    assert_false(clockmap_inverse(&map, INT64_MIN, &got));
    assert_int_equal(clockmap_count(&map), 1);
    struct clockmap_params p = params(0, 0, 0);
    p.den = 0;
    assert_int_equal(clockmap_init(&map, &p), -1);
    p = params(100000001, 0, 0);
    assert_int_equal(clockmap_init(&map, &p), -1);
    p = params(0, -1, 0);
    assert_int_equal(clockmap_init(&map, &p), -1);
}

static void one_side_at_a_time(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(0, 0, 0));
    struct clockmap_interval got;
    assert_int_equal(clockmap_add(&map, 0, 1000, CLOCKMAP_OPEN_HI), CLOCKMAP_OK);
    assert_false(clockmap_at(&map, 0, &got));
    assert_true(clockmap_at_open(&map, 10, &got));
    assert_int_equal(got.lo, 1010);
    assert_int_equal(got.hi, CLOCKMAP_OPEN_HI);
    assert_int_equal(clockmap_add(&map, 100, CLOCKMAP_OPEN_LO, 1500), CLOCKMAP_OK);
    assert_at(&map, 0, 1000, 1400);
    assert_int_equal(clockmap_add(&map, 100, CLOCKMAP_OPEN_LO, 1099), CLOCKMAP_STEP);
}

/* RFC 5905 section 8, worked: offset 0.100, delay 0.040, truth within 0.080 .. 0.120. There T1 and T4 are the near clock and T2, T3 the far. */
static void the_rfc_5905_exchange(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(0, 0, 0));
    const int64_t t1 = 100000 * MS, t2 = 100120 * MS, t3 = 100121 * MS, t4 = 100041 * MS;
    assert_int_equal(clockmap_two_way(&map, t1, t2, t3, t4, 0, 0), CLOCKMAP_OK);
    struct clockmap_interval near_at_t3;
    assert_true(clockmap_at(&map, t3, &near_at_t3));
    assert_int_equal(t3 - near_at_t3.hi, 80 * MS);
    assert_int_equal(t3 - near_at_t3.lo, 120 * MS);
    assert_int_equal(t3 - clockmap_middle(near_at_t3), 100 * MS);
    assert_int_equal(2 * clockmap_half(near_at_t3), 40 * MS);
}

/* Cristian 1989: known least times on the way come off both ends. */
static void least_times_narrow_a_ping(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(0, 0, 0));
    assert_int_equal(clockmap_two_way(&map, 0, 5000, 5000, 10 * MS, 3 * MS, 4 * MS), CLOCKMAP_OK);
    assert_at(&map, 5000, 3 * MS, 6 * MS);
    assert_int_equal(clockmap_two_way(&map, 0, 5000, 5000, 10 * MS, 6 * MS, 5 * MS), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_two_way(&map, 10, 5000, 5000, 9, 0, 0), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_two_way(&map, 0, 5001, 5000, 10 * MS, 0, 0), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_two_way(&map, 0, 5000, 5000, 10 * MS, -1, 0), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_two_way(&map, INT64_MIN, 0, 0, INT64_MAX, 0, 0), CLOCKMAP_REJECTED);
    assert_int_equal(clockmap_two_way(&map, 0, INT64_MIN, INT64_MAX, 10, 0, 0), CLOCKMAP_REJECTED);
}

/* A pad that sits on a ping for 100 ms loses no more than its rate bound over that time; a stamp may be 4 ticks early. */
static void a_slow_pad_and_a_coarse_stamp(void **state)
{
    (void)state;
    struct clockmap_params p = clockmap_params_pad();
    struct clockmap map = map_with(p);
    assert_int_equal(clockmap_two_way(&map, 0, 1000000, 1100000, 110 * MS, 0, 0), CLOCKMAP_OK);
    struct clockmap_interval got;
    assert_true(clockmap_at(&map, 1100000, &got));
    assert_int_equal(got.hi, 110 * MS);
    assert_in_range(got.lo, 100 * MS - 4000 - 601 * 1000, 100 * MS - 4000 - 599 * 1000);
}

static void time_on_the_wire(void **state)
{
    (void)state;
    assert_int_equal(clockmap_wire_ns(16, 115200), 1347222); /* 97 % of 1.3889 ms */
    assert_int_equal(clockmap_wire_ns(16, 0), 0);
    assert_int_equal(clockmap_wire_ns(0, 9600), 0);
}

/* Far more constraints than fit, and out of order: bounds stay as good as the best of them, near and far. */
static void the_window_keeps_what_matters(void **state)
{
    (void)state;
    struct clockmap map = map_with(params(100000, 10, 0));
    for (int64_t i = 0; i < 5000; i++) {
        int64_t width = i % 10 == 0 ? 1000 : 4 * MS; /* one in ten is tight */
        assert_int_equal(clockmap_add(&map, i * S, i * S - width, i * S + width), CLOCKMAP_OK);
    }
    assert_int_equal(clockmap_count(&map), CLOCKMAP_WINDOW);
    struct clockmap_constraint first, last;
    assert_true(clockmap_get(&map, 0, &first));
    assert_true(clockmap_get(&map, CLOCKMAP_WINDOW - 1, &last));
    assert_false(clockmap_get(&map, CLOCKMAP_WINDOW, &last));
    assert_int_equal(first.a, 0);
    assert_int_equal(last.a, 4999 * S);
    struct clockmap_interval got;
    assert_true(clockmap_at(&map, 4999 * S, &got));
    assert_in_range(clockmap_half(got), 0, 10000);
    assert_true(clockmap_at(&map, 2500 * S, &got));
    assert_in_range(clockmap_half(got), 0, 2 * MS);
    assert_int_equal(clockmap_add(&map, 2500 * S, 2500 * S - 10, 2500 * S + 10), CLOCKMAP_OK);
    assert_true(clockmap_at(&map, 2500 * S, &got));
    assert_in_range(clockmap_half(got), 0, 10);
    int64_t before = INT64_MIN;
    for (size_t i = 0; i < clockmap_count(&map); i++) {
        assert_true(clockmap_get(&map, i, &first));
        assert_true(first.a > before);
        before = first.a;
    }
}

static void a_kept_map_can_be_restored(void **state)
{
    (void)state;
    struct clockmap_params p = clockmap_params_pad();
    struct clockmap map = map_with(p), again = map_with(p);
    for (int64_t i = 0; i < 300; i++)
        clockmap_add(&map, i * 500000, i * 500 * MS - i % 7 * MS, i * 500 * MS + (1 + i % 11) * MS);
    struct clockmap_constraint one;
    for (size_t i = 0; clockmap_get(&map, i, &one); i++)
        assert_int_equal(clockmap_add(&again, one.a, one.lo, one.hi), CLOCKMAP_OK);
    for (int64_t tick = -1000000; tick < 200000000; tick += 7777777) {
        struct clockmap_interval a, b;
        assert_true(clockmap_at(&map, tick, &a));
        assert_true(clockmap_at(&again, tick, &b));
        assert_true(llabs(a.lo - b.lo) <= (a.hi - a.lo) / 2 && llabs(a.hi - b.hi) <= (a.hi - a.lo) / 2);
    }
}

/* Ticks of 1/48000 s: nothing is lost to rounding over a day, and a day's end is where it must be. */
static void ticks_that_are_no_whole_nanoseconds(void **state)
{
    (void)state;
    struct clockmap_params p = params(0, 0, 0);
    p.num = S;
    p.den = 48000;
    struct clockmap map = map_with(p);
    clockmap_add(&map, 7, 0, 0);
    struct clockmap_interval got;
    for (int64_t n = 1; n < 3; n++) {
        assert_true(clockmap_at(&map, 7 + n, &got));
        assert_true(got.lo <= n * S / 48000 && got.hi >= n * S / 48000 + 1 && got.hi - got.lo <= 8);
    }
    assert_true(clockmap_at(&map, 7 + 48000 * INT64_C(86400), &got));
    assert_true(got.lo <= 86400 * S && got.hi >= 86400 * S && got.hi - got.lo <= 8);
}

static void the_way_back(void **state)
{
    (void)state;
    struct clockmap_params p = clockmap_params_pad();
    struct clockmap map = map_with(p);
    for (int64_t i = 0; i < 20; i++)
        clockmap_add(&map, i * 1000000, i * S + 5 * i * MS / 10, i * S + 5 * i * MS / 10 + 2 * MS);
    for (int64_t tick = -30000000; tick < 60000000; tick += 1234567) {
        struct clockmap_interval b, a;
        assert_true(clockmap_at(&map, tick, &b));
        assert_true(clockmap_inverse(&map, b.lo, &a));
        assert_true(a.lo <= tick && tick <= a.hi);
        assert_true(clockmap_inverse(&map, b.hi, &a));
        assert_true(a.lo <= tick && tick <= a.hi);
        /* And no wider than need be. */
        assert_true(clockmap_at(&map, a.lo - 10, &b));
        assert_true(b.hi < clockmap_middle(b) + 1 || b.hi - b.lo > 0);
        assert_true(a.hi - a.lo < (b.hi - b.lo) / 1000 * 2 + 1000);
    }
}

/* Ends at the limits of the numbers: no overflow (the sanitizers watch), and no bound that is too narrow. */
static void the_ends_of_the_range(void **state)
{
    (void)state;
    const int64_t far_x = (INT64_C(1) << 61) - 2, far_b = (INT64_C(1) << 61) - 2;
    struct clockmap map = map_with(params(100000000, 1000000000, 100000000));
    clockmap_add(&map, 0, -far_b, CLOCKMAP_OPEN_HI);
    clockmap_add(&map, far_x, far_b, CLOCKMAP_OPEN_HI);
    clockmap_add(&map, -far_x, CLOCKMAP_OPEN_LO, far_b);
    clockmap_add(&map, far_x, CLOCKMAP_OPEN_LO, far_b);
    clockmap_add(&map, -far_x, -far_b, CLOCKMAP_OPEN_HI);
    struct clockmap_interval got;
    for (int64_t a = -far_x; a < far_x - (far_x >> 4); a += far_x >> 4)
        clockmap_at_open(&map, a, &got);
    clockmap_inverse(&map, far_b, &got);
    clockmap_inverse(&map, -far_b, &got);
    assert_true(clockmap_count(&map) > 0);
}

static double clock_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec * 1e9 + (double)t.tv_nsec;
}

static int64_t ping(struct clockmap *map, int64_t i)
{
    clockmap_add(map, i * 500000, i * 500 * MS + i * 37 % 1000 - 300000,
                 i * 500 * MS + 400000 + i * 91 % 7777);
    return i * 500000;
}

static int print_cost(void)
{
    enum { TIMES = 20000 };
    struct clockmap map = map_with(clockmap_params_pad());
    struct clockmap_interval got;
    int64_t i = 0, tick = 0, sum = 0;
    for (; i < 1000; i++)
        tick = ping(&map, i);
    double start = clock_ns();
    for (int n = 0; n < TIMES; n++)
        sum += clockmap_at(&map, tick + n, &got) ? got.lo & 1 : 0;
    const double at = (clock_ns() - start) / TIMES;
    start = clock_ns();
    for (int n = 0; n < TIMES; n++)
        sum += clockmap_inverse(&map, tick * 1000 + n, &got) ? got.lo & 1 : 0;
    const double inverse = (clock_ns() - start) / TIMES;
    start = clock_ns();
    for (int n = 0; n < TIMES; n++)
        ping(&map, i++);
    const double add = (clock_ns() - start) / TIMES;
    printf("clockmap, %zu constraints: at %.0f ns, inverse %.0f ns, add %.0f ns (%lld)\n",
           clockmap_count(&map), at, inverse, add, (long long)sum);
    return 0;
}

int main(int argc, char **argv)
{
    if (argc == 2 && strcmp(argv[1], "--cost") == 0)
        return print_cost();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_empty_map_knows_nothing),
        cmocka_unit_test(perfect_clocks_intersect),
        cmocka_unit_test(an_answer_widens_with_distance),
        cmocka_unit_test(a_rate_is_learned),
        cmocka_unit_test(a_wander_widens_with_the_square),
        cmocka_unit_test(a_wander_has_an_end),
        cmocka_unit_test(a_wander_is_counted_once),
        cmocka_unit_test(what_one_knows_all_know),
        cmocka_unit_test(a_slew_is_allowed_for),
        cmocka_unit_test(an_empty_intersection_is_a_step),
        cmocka_unit_test(nonsense_is_rejected),
        cmocka_unit_test(one_side_at_a_time),
        cmocka_unit_test(the_rfc_5905_exchange),
        cmocka_unit_test(least_times_narrow_a_ping),
        cmocka_unit_test(a_slow_pad_and_a_coarse_stamp),
        cmocka_unit_test(time_on_the_wire),
        cmocka_unit_test(the_window_keeps_what_matters),
        cmocka_unit_test(a_kept_map_can_be_restored),
        cmocka_unit_test(ticks_that_are_no_whole_nanoseconds),
        cmocka_unit_test(the_way_back),
        cmocka_unit_test(the_ends_of_the_range),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
