/*
 * Anything at all as input to the clock maps and the timecode follower: no undefined behaviour (the sanitizers watch), and what comes out keeps
 * its form: lo <= hi, frames within the day, labels that exist, bounds that are not negative, labels that survive a round trip.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "core/tcmap.h"
#include "core/utcmap.h"
#include "core_sim.h"

/* Of every magnitude, with the ends of the range more often than by chance. */
static int64_t any64(void)
{
    static const int64_t ends[] = {0,
                                   1,
                                   -1,
                                   INT64_MAX,
                                   INT64_MIN,
                                   INT64_C(1) << 61,
                                   -(INT64_C(1) << 61),
                                   INT64_C(1) << 60,
                                   INT64_C(1) << 50};
    if (sim_chance(0.05))
        return ends[sim_bits() % (sizeof ends / sizeof ends[0])];
    const int64_t v = (int64_t)(sim_bits() >> (sim_bits() % 64));
    return sim_chance(0.5) ? v : -(v >> 1);
}

static int64_t upto(int64_t most)
{
    return (int64_t)(sim_bits() % (uint64_t)(most + 1));
}

static void clock_maps_take_anything(void **state)
{
    (void)state;
    sim_begin("core_clock_garbage");
    for (int round = 0; round < (sim_long() ? 20000 : 400); round++) {
        struct clockmap map;
        const struct clockmap_params params = {.num = 1 + upto(sim_chance(0.5) ? 3 : 999999999999),
                                               .den = 1 + upto(sim_chance(0.5) ? 3 : 999999999999),
                                               .rate_ppb = upto(100000000),
                                               .wander_ppb_per_s = upto(sim_chance(0.5) ? 1000 : 1000000000),
                                               .wander_ppb = upto(200000000),
                                               .slew_ppb = upto(100000000),
                                               .grain = upto(1000000)};
        assert_int_equal(clockmap_init(&map, &params), 0);
        const bool near = sim_chance(0.5);
        for (int i = 0; i < 150; i++) {
            const int64_t a = near ? any64() >> 20 : any64(), b = near ? any64() >> 20 : any64();
            if (sim_chance(0.3))
                clockmap_two_way(&map, b, a, a + upto(1000000) * (a < INT64_MAX / 2), any64(), any64(),
                                 any64());
            else
                clockmap_add(&map, a, b, sim_chance(0.5) ? any64() : b);
            struct clockmap_interval at, back;
            const int64_t when = any64();
            if (clockmap_at_open(&map, when, &at))
                assert_true(at.lo <= at.hi);
            if (i % 16 == 0 && clockmap_inverse(&map, any64(), &back))
                assert_true(back.lo <= back.hi);
            assert_in_range(clockmap_count(&map), 0, CLOCKMAP_WINDOW);
        }
    }
}

static void utc_takes_anything(void **state)
{
    (void)state;
    for (int round = 0; round < (sim_long() ? 20000 : 400); round++) {
        const enum utcmap_source source = sim_chance(0.5) ? UTCMAP_SYSTEM : UTCMAP_GNSS;
        const struct utcmap_params params = utcmap_params_default(source);
        struct utcmap utc;
        assert_int_equal(utcmap_init(&utc, source, &params), 0);
        const int64_t base = any64() >> 4, mono = any64() >> 4;
        for (int i = 0; i < 100; i++) {
            const bool wild = sim_chance(0.2);
            struct utcmap_system reading = {.before = {wild ? any64() : mono + i * NS_PER_S},
                                            .realtime = {wild ? any64() : base + i * NS_PER_S},
                                            .synced = sim_chance(0.7),
                                            .maxerror_us = wild ? any64() : upto(100000),
                                            .leap = (enum utcmap_leap)upto(4)};
            reading.after.ns = wild ? any64() : reading.before.ns + upto(1000000);
            struct utcmap_gnss sentence = {.arrival = reading.after,
                                           .utc = reading.realtime,
                                           .resolution_ns = wild ? any64() : 0,
                                           .delay_min_ns = wild ? any64() : 0,
                                           .delay_max_ns = wild ? any64() : upto(NS_PER_S),
                                           .valid = sim_chance(0.9)};
            utcmap_add_system(&utc, &reading);
            utcmap_add_gnss(&utc, &sentence);
            utcmap_poll(&utc, (mono_ns){sim_chance(0.5) ? mono + i * NS_PER_S : any64() >> 2});
            const struct utc_answer answer = utcmap_at(&utc, (mono_ns){any64()});
            assert_true(answer.bound_ns >= 0);
            const struct tc_answer timecode = tcmap_time_of_day(&answer, (enum timecode_rate)upto(9));
            assert_true(!timecode.known || timecode_check(timecode.label, timecode.rate) == 0);
            struct clockmap_interval back;
            bool guess;
            if (utcmap_inverse(&utc, (utc_ns){any64()}, &back, &guess))
                assert_true(back.lo <= back.hi);
        }
    }
}

static struct tcmap_word any_word(int64_t sample, enum timecode_rate rate, int64_t frame)
{
    struct tcmap_word word = {
        .off_start = sample, .off_end = sample + upto(5000), .reverse = sim_chance(0.1)};
    if (sim_chance(0.1))
        word.off_start = any64();
    if (sim_chance(0.1))
        word.off_end = any64();
    const struct timecode_word label = {.tc = timecode_from_frame(frame, timecode_word_rate(rate)),
                                        .drop = sim_chance(0.5),
                                        .user_bits = (uint32_t)sim_bits()};
    timecode_word_encode(&label, rate, word.packed);
    if (sim_chance(0.2))
        word.packed[sim_bits() % TIMECODE_WORD_BYTES] = (uint8_t)sim_bits();
    return word;
}

static void timecode_takes_anything(void **state)
{
    (void)state;
    for (int round = 0; round < (sim_long() ? 5000 : 150); round++) {
        const enum timecode_rate rate = (enum timecode_rate)upto(9);
        const struct tcmap_params params = tcmap_params_default(rate, (int32_t)(8000 + upto(376000)),
                                                                upto(NS_PER_S), NS_PER_S + upto(NS_PER_S));
        static struct tcmap map;
        assert_int_equal(tcmap_init(&map, &params), 0);
        int64_t sample = 0, read = any64() >> 4, frame = any64() >> 30;
        for (int i = 0; i < 300; i++) {
            sample += upto(3000);
            read += upto(100 * NS_PER_MS);
            frame += sim_chance(0.9) ? 1 : any64() >> 40;
            tcmap_chunk(&map, sim_chance(0.05) ? any64() : sample,
                        (mono_ns){sim_chance(0.05) ? any64() : read});
            const struct tcmap_word word = any_word(sample, rate, frame);
            tcmap_word(&map, &word);
            if (sim_chance(0.02))
                tcmap_audio_restart(&map);
            tcmap_poll(&map, (mono_ns){any64() >> 2});
            const struct tc_answer answer = tcmap_at(&map, (mono_ns){sim_chance(0.5) ? read : any64()});
            assert_true(!answer.known || timecode_check(answer.label, answer.rate) == 0);
            assert_true(answer.frame >= 0 && answer.frame < timecode_frames_per_day(answer.rate));
            assert_true(answer.bound_uf >= 0 && answer.fraction_uf >= 0 && answer.fraction_uf < 1000000);
            struct clockmap_interval back;
            if (i % 20 == 0 && tcmap_inverse(&map, upto(2000000), &back))
                assert_true(back.lo <= back.hi);
            if (sim_chance(0.02))
                tcmap_clap(&map, (mono_ns){sim_chance(0.5) ? read : any64()}, upto(NS_PER_S), upto(2000000));
        }
    }
}

static void text_takes_anything(void **state)
{
    (void)state;
    static const char letters[] = "0123456789::::;;..,, -_dfnpsNDF/";
    int parsed = 0;
    for (int i = 0; i < (sim_long() ? 20000000 : 300000); i++) {
        char text[16];
        const size_t length = sim_bits() % sizeof text;
        for (size_t k = 0; k < length; k++)
            text[k] =
                sim_chance(0.98) ? letters[sim_bits() % (sizeof letters - 1)] : (char)(1 + sim_bits() % 255);
        text[length] = '\0';
        if (sim_chance(0.5)) /* mostly right */
            snprintf(text, sizeof text, "%02d:%02d:%02d%c%02d", (int)upto(25), (int)upto(61), (int)upto(61),
                     letters[10 + upto(12)], (int)upto(61));
        const enum timecode_rate rate = (enum timecode_rate)upto(9);
        enum timecode_rate named = TC_RATE_24;
        struct timecode tc;
        if (timecode_rate_parse(text, &named) == 0)
            assert_in_range(named, 0, TIMECODE_RATES - 1);
        if (timecode_parse(text, rate, &tc) != 0)
            continue;
        char again[TIMECODE_TEXT];
        struct timecode back;
        timecode_format(tc, rate, again);
        assert_int_equal(timecode_parse(again, rate, &back), 0);
        assert_memory_equal(&tc, &back, sizeof tc);
        parsed++;
    }
    assert_true(parsed > 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clock_maps_take_anything),
        cmocka_unit_test(utc_takes_anything),
        cmocka_unit_test(timecode_takes_anything),
        cmocka_unit_test(text_takes_anything),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
