/*
 * utcmap: system clock and GNSS, steps, leaps, sync lost and found.
 *
 * Dates: 2016-12-31T23:59:60Z was the last leap second inserted (IERS Bulletin C 52); 2017-01-01T00:00:00Z is POSIX 1483228800.
 * Linux repeats 23:59:59 in an inserted second and reports TIME_OOP (adjtimex(2)).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/utcmap.h"

#define S NS_PER_S
#define MS NS_PER_MS
#define NEW_YEAR_2017 (INT64_C(1483228800) * S)
#define SOME_DAY (INT64_C(1930367167) * S) /* 2031-03-04T05:06:07Z */

static struct utcmap utc_of(enum utcmap_source source)
{
    struct utcmap utc;
    struct utcmap_params params = utcmap_params_default(source);
    assert_int_equal(utcmap_init(&utc, source, &params), 0);
    return utc;
}

static struct utcmap_system reading(int64_t mono, int64_t utc, bool synced, int64_t maxerror_us)
{
    return (struct utcmap_system){.before = {mono - 100},
                                  .after = {mono + 100},
                                  .realtime = {utc},
                                  .synced = synced,
                                  .maxerror_us = maxerror_us};
}

static unsigned system_at(struct utcmap *utc, int64_t mono, int64_t posix, bool synced, int64_t maxerror_us)
{
    struct utcmap_system r = reading(mono, posix, synced, maxerror_us);
    return utcmap_add_system(utc, &r);
}

static unsigned sentence_at(struct utcmap *utc, int64_t arrival, int64_t posix, int64_t least,
                            int64_t longest)
{
    struct utcmap_gnss s = {
        .arrival = {arrival}, .utc = {posix}, .delay_min_ns = least, .delay_max_ns = longest, .valid = true};
    return utcmap_add_gnss(utc, &s);
}

static void assert_inside(const struct utcmap *utc, int64_t mono, int64_t truth, int64_t bound_most)
{
    struct utc_answer answer = utcmap_at(utc, (mono_ns){mono});
    assert_true(answer.known && answer.bound_known);
    assert_true(llabs(answer.utc.ns - truth) <= answer.bound_ns);
    assert_true(answer.bound_ns <= bound_most);
}

static void nothing_heard_nothing_known(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    struct utc_answer answer = utcmap_at(&utc, (mono_ns){5});
    struct clockmap_interval mono;
    bool guess;
    assert_false(answer.known);
    assert_int_equal(answer.state, CLOCK_UNSYNCED);
    assert_false(utcmap_inverse(&utc, (utc_ns){SOME_DAY}, &mono, &guess));
    assert_int_equal(utcmap_poll(&utc, (mono_ns){S}), 0);
    assert_string_equal(clock_state_name(CLOCK_UNSYNCED), "unsynced");
    assert_string_equal(clock_state_name(CLOCK_HOLDOVER), "holdover");
    assert_string_equal(clock_state_name(CLOCK_SYNCED), "synced");
}

static void a_synced_system_clock(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    assert_int_equal(system_at(&utc, 10 * S, SOME_DAY, true, 2000), UTCMAP_TAKEN | UTCMAP_SYNCED);
    assert_int_equal(system_at(&utc, 20 * S, SOME_DAY + 10 * S, true, 2000), UTCMAP_TAKEN);
    assert_inside(&utc, 10 * S, SOME_DAY, 2 * MS + 200);
    assert_inside(&utc, 15 * S, SOME_DAY + 5 * S, 2 * MS + 6 * MS);
    assert_int_equal(utcmap_at(&utc, (mono_ns){15 * S}).state, CLOCK_SYNCED);
    assert_int_equal(utcmap_at(&utc, (mono_ns){49 * S}).state, CLOCK_SYNCED);
    assert_int_equal(utcmap_at(&utc, (mono_ns){51 * S}).state, CLOCK_HOLDOVER);
    struct clockmap_interval mono;
    bool guess = true;
    assert_true(utcmap_inverse(&utc, (utc_ns){SOME_DAY + 5 * S}, &mono, &guess));
    assert_false(guess);
    assert_true(mono.lo <= 15 * S && mono.hi >= 15 * S && mono.hi - mono.lo < 20 * MS);
}

/* Before any sync the system clock is a guess without a bound; a later sync answers for those instants too. */
static void instants_before_sync_are_timed_later(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    assert_int_equal(system_at(&utc, 10 * S, SOME_DAY - 3600 * S, false, 16000000), 0);
    struct utc_answer answer = utcmap_at(&utc, (mono_ns){12 * S});
    assert_true(answer.known);
    assert_false(answer.bound_known);
    assert_int_equal(answer.state, CLOCK_UNSYNCED);
    assert_int_equal(answer.utc.ns, SOME_DAY - 3600 * S + 2 * S);
    struct clockmap_interval mono;
    bool guess = false;
    assert_true(utcmap_inverse(&utc, answer.utc, &mono, &guess));
    assert_true(guess);
    assert_int_equal(mono.lo, 12 * S);
    /* The time daemon sets the clock, by an hour, and then vouches for it. */
    assert_int_equal(system_at(&utc, 20 * S, SOME_DAY + 10 * S, false, 16000000), UTCMAP_GUESS_STEP);
    assert_int_equal(utc.guess_step_ns, 3600 * S);
    assert_int_equal(system_at(&utc, 30 * S, SOME_DAY + 20 * S, true, 1000), UTCMAP_TAKEN | UTCMAP_SYNCED);
    assert_inside(&utc, 12 * S, SOME_DAY + 2 * S, MS + 18 * MS + MS);
    assert_int_equal(utcmap_at(&utc, (mono_ns){12 * S}).state, CLOCK_HOLDOVER);
}

static void sync_lost_and_found(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    system_at(&utc, 10 * S, SOME_DAY, true, 1000);
    assert_int_equal(system_at(&utc, 20 * S, SOME_DAY + 10 * S, false, 1000), UTCMAP_LOST);
    assert_int_equal(system_at(&utc, 30 * S, SOME_DAY + 20 * S, false, 1000), 0);
    assert_int_equal(utcmap_at(&utc, (mono_ns){100 * S}).state, CLOCK_HOLDOVER);
    assert_true(utcmap_at(&utc, (mono_ns){1000 * S}).bound_ns > utcmap_at(&utc, (mono_ns){100 * S}).bound_ns);
    assert_int_equal(system_at(&utc, 200 * S, SOME_DAY + 190 * S, true, 1000), UTCMAP_TAKEN | UTCMAP_SYNCED);
    assert_int_equal(utcmap_at(&utc, (mono_ns){100 * S}).state, CLOCK_HOLDOVER);
    assert_int_equal(utcmap_at(&utc, (mono_ns){205 * S}).state, CLOCK_SYNCED);
    assert_inside(&utc, 100 * S, SOME_DAY + 90 * S, 100 * MS);
    assert_int_equal(utcmap_poll(&utc, (mono_ns){229 * S}), 0);
    assert_int_equal(utcmap_poll(&utc, (mono_ns){231 * S}), UTCMAP_LOST);
    assert_int_equal(utcmap_poll(&utc, (mono_ns){232 * S}), 0);
}

static void a_system_clock_that_steps(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    system_at(&utc, 10 * S, SOME_DAY, true, 1000);
    assert_int_equal(system_at(&utc, 20 * S, SOME_DAY + 17 * S, true, 1000), UTCMAP_TAKEN | UTCMAP_STEP);
    assert_true(llabs(utc.step_ns - 7 * S) < 20 * MS);
    /* The new word holds for earlier instants as well. */
    assert_inside(&utc, 10 * S, SOME_DAY + 7 * S, 20 * MS);
    assert_int_equal(utcmap_at(&utc, (mono_ns){10 * S}).state, CLOCK_HOLDOVER);
}

static void readings_without_sense(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    struct utcmap_system r = reading(10 * S, SOME_DAY, true, 1000);
    r.after.ns = r.before.ns - 1;
    assert_int_equal(utcmap_add_system(&utc, &r), UTCMAP_REJECTED);
    r = reading(10 * S, INT64_MAX, true, 1000);
    assert_int_equal(utcmap_add_system(&utc, &r), UTCMAP_REJECTED);
    r = reading(10 * S, SOME_DAY, true, -1);
    assert_int_equal(utcmap_add_system(&utc, &r), UTCMAP_REJECTED);
    r = reading(10 * S, SOME_DAY, true, INT64_MAX);
    assert_int_equal(utcmap_add_system(&utc, &r), UTCMAP_REJECTED);
    assert_int_equal(utc.rejected, 4);
    assert_false(utcmap_at(&utc, (mono_ns){INT64_MAX}).known);
    struct utcmap gnss = utc_of(UTCMAP_GNSS);
    struct utcmap_gnss s = {
        .arrival = {S}, .utc = {SOME_DAY}, .delay_min_ns = 5, .delay_max_ns = 4, .valid = true};
    assert_int_equal(utcmap_add_gnss(&gnss, &s), UTCMAP_REJECTED);
    s.delay_max_ns = 6;
    s.valid = false;
    assert_int_equal(utcmap_add_gnss(&gnss, &s), UTCMAP_REJECTED);
    assert_false(utcmap_at(&gnss, (mono_ns){S}).known);
    struct utcmap_params params = utcmap_params_default(UTCMAP_GNSS);
    params.late_limit = 0;
    assert_int_equal(utcmap_init(&gnss, UTCMAP_GNSS, &params), -1);
}

/* A reading that took 50 ms between the two monotonic readings is that much wider and still true. */
static void a_reading_that_was_interrupted(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    struct utcmap_system r = {.before = {10 * S},
                              .after = {10 * S + 50 * MS},
                              .realtime = {SOME_DAY},
                              .synced = true,
                              .maxerror_us = 100};
    utcmap_add_system(&utc, &r);
    assert_inside(&utc, 10 * S, SOME_DAY, 26 * MS);           /* read at the very start */
    assert_inside(&utc, 10 * S + 50 * MS, SOME_DAY, 26 * MS); /* or at the very end */
}

/* Sentences 100 to 600 ms late: truth stays inside, and many of them leave about the spread of the delays. */
static void gnss_sentences(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_GNSS);
    int64_t delay = 100 * MS;
    for (int64_t i = 0; i < 60; i++) {
        delay = 100 * MS + (i * 7919 % 500) * MS;
        unsigned events = sentence_at(&utc, 1000 * S + i * S + delay, SOME_DAY + i * S, 100 * MS, 600 * MS);
        assert_int_equal(events, i == 0 ? UTCMAP_TAKEN | UTCMAP_SYNCED : UTCMAP_TAKEN);
        assert_inside(&utc, 1000 * S + i * S, SOME_DAY + i * S, 251 * MS + MS);
    }
    assert_inside(&utc, 1059 * S, SOME_DAY + 59 * S, 30 * MS);
    assert_int_equal(utcmap_at(&utc, (mono_ns){1064 * S}).state, CLOCK_SYNCED);
    assert_int_equal(utcmap_at(&utc, (mono_ns){1070 * S}).state, CLOCK_HOLDOVER);
    assert_int_equal(utcmap_poll(&utc, (mono_ns){1070 * S}), UTCMAP_LOST);
    /* An unsynchronised system clock beside it changes nothing. */
    assert_int_equal(system_at(&utc, 1071 * S, 5 * S, false, 0), 0);
    assert_inside(&utc, 1059 * S, SOME_DAY + 59 * S, 30 * MS);
}

static void a_late_sentence_is_no_step(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_GNSS);
    for (int64_t i = 0; i < 10; i++)
        sentence_at(&utc, 1000 * S + i * S + 150 * MS, SOME_DAY + i * S, 100 * MS, 200 * MS);
    assert_int_equal(sentence_at(&utc, 1013 * S, SOME_DAY + 10 * S, 100 * MS, 200 * MS), UTCMAP_LATE);
    assert_int_equal(utc.late, 1);
    assert_inside(&utc, 1013 * S, SOME_DAY + 13 * S, 60 * MS);
    assert_int_equal(sentence_at(&utc, 1014 * S + 150 * MS, SOME_DAY + 14 * S, 100 * MS, 200 * MS),
                     UTCMAP_TAKEN);
}

static void a_receiver_that_corrects_itself(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_GNSS);
    for (int64_t i = 0; i < 10; i++)
        sentence_at(&utc, 1000 * S + i * S + 150 * MS, SOME_DAY + i * S + 3 * S, 100 * MS, 200 * MS);
    for (int64_t i = 10; i < 14; i++)
        assert_int_equal(sentence_at(&utc, 1000 * S + i * S + 150 * MS, SOME_DAY + i * S, 100 * MS, 200 * MS),
                         UTCMAP_LATE);
    assert_int_equal(sentence_at(&utc, 1014 * S + 150 * MS, SOME_DAY + 14 * S, 100 * MS, 200 * MS),
                     UTCMAP_TAKEN | UTCMAP_STEP);
    assert_true(llabs(utc.step_ns + 3 * S) < 100 * MS);
    assert_inside(&utc, 1005 * S, SOME_DAY + 5 * S, 70 * MS);
}

/* Which source was chosen decides; the other never mixes in. */
static void sources_do_not_mix(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_GNSS);
    assert_int_equal(system_at(&utc, 10 * S, SOME_DAY, true, 1000), 0);
    assert_int_equal(utcmap_at(&utc, (mono_ns){10 * S}).state, CLOCK_UNSYNCED);
    utc = utc_of(UTCMAP_SYSTEM);
    assert_int_equal(sentence_at(&utc, 10 * S, SOME_DAY, 0, S), 0);
    assert_false(utcmap_at(&utc, (mono_ns){10 * S}).known);
}

/* True inner time t seconds around the leap of 2016, as POSIX: 23:59:59 twice. */
static int64_t posix_2016(int64_t from_midnight_ns)
{
    return from_midnight_ns < 0 ? NEW_YEAR_2017 + from_midnight_ns : NEW_YEAR_2017 + from_midnight_ns - S;
}

static void assert_around_the_leap(const struct utcmap *utc, int64_t mono_at_midnight, int64_t bound_most)
{
    for (int64_t t = -5 * S; t <= 5 * S; t += 50 * MS) {
        struct utc_answer answer = utcmap_at(utc, (mono_ns){mono_at_midnight + t});
        const bool at_edge = llabs(t) <= bound_most || llabs(t - S) <= bound_most;
        assert_true(answer.bound_ns <= bound_most);
        if (!at_edge) {
            assert_true(llabs(answer.utc.ns - posix_2016(t)) <= answer.bound_ns);
            assert_int_equal(answer.leap_second, t >= 0 && t < S);
        }
    }
}

static void a_leap_announced_by_the_kernel(void **state)
{
    (void)state;
    for (int64_t every = 500 * MS; every <= 5 * S;
         every *= 10) { /* with and without a reading in the second itself */
        struct utcmap utc = utc_of(UTCMAP_SYSTEM);
        unsigned all = 0;
        for (int64_t t = -20 * S + every / 2; t < 20 * S; t += every) {
            struct utcmap_system r = reading(1000 * S + t, posix_2016(t), true, 3000);
            r.leap = t < 0 ? UTCMAP_LEAP_INSERT : t < S ? UTCMAP_LEAP_RUNNING : UTCMAP_LEAP_DONE;
            all |= utcmap_add_system(&utc, &r);
        }
        assert_int_equal(all, UTCMAP_TAKEN | UTCMAP_SYNCED | UTCMAP_LEAPT);
        assert_around_the_leap(&utc, 1000 * S, 10 * MS);
        bool guess;
        struct clockmap_interval mono;
        assert_true(utcmap_inverse(&utc, (utc_ns){NEW_YEAR_2017 + 3 * S}, &mono, &guess));
        assert_true(mono.lo <= 1004 * S && mono.hi >= 1004 * S);
    }
}

/* A receiver says 23:59:60, which reads as midnight, and then midnight again; nobody announced anything. */
static void a_leap_heard_from_gnss(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_GNSS);
    unsigned all = 0;
    for (int64_t i = -20; i < 20; i++) {
        int64_t said = i <= 0 ? NEW_YEAR_2017 + i * S : NEW_YEAR_2017 + (i - 1) * S;
        all |= sentence_at(&utc, 1000 * S + i * S + 50 * MS, said, 20 * MS, 80 * MS);
    }
    assert_int_equal(all, UTCMAP_TAKEN | UTCMAP_SYNCED | UTCMAP_LEAPT);
    assert_around_the_leap(&utc, 1000 * S, 40 * MS);
}

/* The same second anywhere but at the end of a month is a step. */
static void a_second_elsewhere_is_a_step(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    system_at(&utc, 10 * S, SOME_DAY, true, 1000);
    assert_int_equal(system_at(&utc, 20 * S, SOME_DAY + 9 * S, true, 1000), UTCMAP_TAKEN | UTCMAP_STEP);
    /* 2031-03-15T00:00:05Z: past midnight, not past the end of a month */
    const int64_t ides = SOME_DAY - (5 * 3600 + 6 * 60 + 7) * S + 11 * 86400 * S;
    utc = utc_of(UTCMAP_SYSTEM);
    system_at(&utc, 10 * S, ides - 5 * S, true, 1000);
    assert_int_equal(system_at(&utc, 20 * S, ides + 4 * S, true, 1000), UTCMAP_TAKEN | UTCMAP_STEP);
    /* 2031-04-01T00:00:04Z: past the end of March */
    const int64_t april = ides + 17 * 86400 * S;
    utc = utc_of(UTCMAP_SYSTEM);
    system_at(&utc, 10 * S, april - 5 * S, true, 1000);
    assert_int_equal(system_at(&utc, 20 * S, april + 4 * S, true, 1000), UTCMAP_TAKEN | UTCMAP_LEAPT);
    assert_inside(&utc, 10 * S, april - 5 * S, 10 * MS);
    assert_inside(&utc, 20 * S, april + 4 * S, 10 * MS);
}

/* There has never been one, but the kernel knows it: 23:59:58 is followed by 00:00:00. */
static void a_second_left_out(void **state)
{
    (void)state;
    struct utcmap utc = utc_of(UTCMAP_SYSTEM);
    unsigned all = 0;
    for (int64_t t = -20 * S + 250 * MS; t < 20 * S; t += 500 * MS) {
        const int64_t posix = NEW_YEAR_2017 + t + (t < -S ? 0 : S);
        struct utcmap_system r = reading(1000 * S + t, posix, true, 3000);
        r.leap = t < -S ? UTCMAP_LEAP_DELETE : UTCMAP_LEAP_DONE;
        all |= utcmap_add_system(&utc, &r);
    }
    assert_int_equal(all, UTCMAP_TAKEN | UTCMAP_SYNCED | UTCMAP_LEAPT);
    assert_inside(&utc, 990 * S, NEW_YEAR_2017 - 10 * S, 10 * MS);
    assert_inside(&utc, 1010 * S, NEW_YEAR_2017 + 11 * S, 10 * MS);
    assert_false(utcmap_at(&utc, (mono_ns){999 * S + 500 * MS}).leap_second);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_heard_nothing_known),
        cmocka_unit_test(a_synced_system_clock),
        cmocka_unit_test(instants_before_sync_are_timed_later),
        cmocka_unit_test(sync_lost_and_found),
        cmocka_unit_test(a_system_clock_that_steps),
        cmocka_unit_test(readings_without_sense),
        cmocka_unit_test(a_reading_that_was_interrupted),
        cmocka_unit_test(gnss_sentences),
        cmocka_unit_test(a_late_sentence_is_no_step),
        cmocka_unit_test(a_receiver_that_corrects_itself),
        cmocka_unit_test(sources_do_not_mix),
        cmocka_unit_test(a_leap_announced_by_the_kernel),
        cmocka_unit_test(a_leap_heard_from_gnss),
        cmocka_unit_test(a_second_elsewhere_is_a_step),
        cmocka_unit_test(a_second_left_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
