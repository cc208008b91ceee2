/*
 * rig_recorder: what the rig's recorder plays is what it says it plays. Its audio goes through libltc's decoder, which is not ours, and
 * every word read must be the frame that the recorder's own arithmetic gives for the instant of the word's first sample.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>
#include <ltc.h>

#include "recorder.h"

enum { SECONDS = 12, SAMPLES_MAX = RECORDER_HZ * (SECONDS + 1) };

static int16_t heard[SAMPLES_MAX];
static size_t heard_count;

static void hear(void *ctx, int64_t now_ns, const int16_t *samples, size_t count)
{
    (void)ctx;
    (void)now_ns;
    assert_true(heard_count + count <= SAMPLES_MAX);
    memcpy(heard + heard_count, samples, count * sizeof samples[0]);
    heard_count += count;
}

static struct script_recorder_plan plan_of(enum timecode_rate rate, struct timecode start)
{
    struct script_recorder_plan plan = {.used = true, .rate = rate, .level_db = -12, .noise_db = (double)NAN};
    assert_int_equal(timecode_to_frame(start, rate, &plan.start_frame), 0);
    return plan;
}

static int64_t instant_of(const struct script_recorder_plan *plan, int64_t start_ns, double sample)
{
    return start_ns + (int64_t)(sample / RECORDER_HZ * 1e9 / (1 + plan->clock_ppm * 1e-6));
}

static int64_t frame_of(const LTCFrame *word, enum timecode_rate rate)
{
    struct timecode tc = {(uint8_t)(word->hours_units + 10 * word->hours_tens),
                          (uint8_t)(word->mins_units + 10 * word->mins_tens),
                          (uint8_t)(word->secs_units + 10 * word->secs_tens),
                          (uint8_t)(word->frame_units + 10 * word->frame_tens)};
    int64_t frame = -1;
    assert_int_equal(timecode_to_frame(tc, timecode_word_rate(rate), &frame), 0);
    return timecode_nominal_fps(rate) > 30 ? 2 * frame : frame;
}

/* Decodes all that was heard; each word's middle must lie in its own frame (or pair). Returns how many words there were. */
static int check_words(const struct recorder *recorder, const struct script_recorder_plan *plan,
                       int64_t start_ns, int64_t ignore_from, int64_t ignore_to)
{
    int32_t num = 0;
    int32_t den = 1;
    timecode_rate_fraction(timecode_word_rate(plan->rate), &num, &den);
    LTCDecoder *decoder = ltc_decoder_create(RECORDER_HZ * den / num, 64);
    int words = 0;
    for (size_t at = 0; at < heard_count; at += 240) {
        ltc_decoder_write_s16(decoder, heard + at, 240, (ltc_off_t)at);
        LTCFrameExt word;
        while (ltc_decoder_read(decoder, &word)) {
            double middle = ((double)word.off_start + (double)word.off_end) / 2;
            int64_t frame = 0;
            double within = 0;
            if (middle >= (double)ignore_from && middle <= (double)ignore_to)
                continue;
            assert_true(recorder_frame_at(recorder, instant_of(plan, start_ns, middle), &frame, &within));
            int64_t pair = timecode_nominal_fps(plan->rate) > 30 ? frame - frame % 2 : frame;
            assert_int_equal(frame_of(&word.ltc, plan->rate), pair);
            assert_int_equal(word.ltc.dfbit, timecode_is_drop(plan->rate));
            words++;
        }
    }
    ltc_decoder_free(decoder);
    return words;
}

/* Over a full minute's mark, where drop-frame leaves labels out; started at odd instants, run in odd steps. */
static void every_rate_is_read_back(void **state)
{
    (void)state;
    for (int rate = 0; rate < TIMECODE_RATES; rate++) {
        struct script_recorder_plan plan = plan_of((enum timecode_rate)rate, (struct timecode){9, 58, 54, 0});
        const int64_t start_ns = 123456789;
        plan.clock_ppm = 37;
        heard_count = 0;
        struct recorder *recorder = recorder_new(&plan, 5, start_ns, hear, NULL);
        for (int64_t now_ns = start_ns; now_ns < start_ns + SECONDS * INT64_C(1000000000); now_ns += 1234567)
            recorder_run(recorder, now_ns);
        int words = check_words(recorder, &plan, start_ns, 1, 0);
        int32_t num = 0;
        int32_t den = 1;
        timecode_rate_fraction(timecode_word_rate(plan.rate), &num, &den);
        assert_in_range(words, SECONDS * num / den - 3, SECONDS * num / den + 1);
        recorder_free(recorder);
    }
}

/* No sample is handed out before its instant, and none is kept back longer than one portion of 5 ms. */
static void samples_come_when_their_time_has_passed(void **state)
{
    struct script_recorder_plan plan = plan_of(TC_RATE_25, (struct timecode){0, 0, 0, 0});
    (void)state;
    heard_count = 0;
    struct recorder *recorder = recorder_new(&plan, 5, 0, hear, NULL);
    for (int64_t now_ns = 0; now_ns < 3000000000; now_ns += 777777) {
        recorder_run(recorder, now_ns);
        int64_t passed = now_ns * RECORDER_HZ / 1000000000;
        assert_in_range((int64_t)heard_count, passed > 240 ? passed - 240 : 0, passed);
    }
    recorder_free(recorder);
}

static void a_jump_is_in_the_audio_where_it_is_told(void **state)
{
    struct script_recorder_plan plan = plan_of(TC_RATE_29_97_DF, (struct timecode){10, 0, 0, 0});
    int64_t before = 0;
    int64_t after = 0;
    double within = 0;
    (void)state;
    heard_count = 0;
    struct recorder *recorder = recorder_new(&plan, 5, 0, hear, NULL);
    recorder_run(recorder, 4000000000);
    assert_true(recorder_frame_at(recorder, 4000000000, &before, &within));
    recorder_jump(recorder, true, 17982);
    assert_true(recorder_frame_at(recorder, 4000000000, &after, &within));
    assert_int_equal(before, after); /* what was told once stays true */
    recorder_run(recorder, 8000000000);
    assert_true(recorder_frame_at(recorder, 8000000000, &after, &within));
    assert_in_range(after - before, 17982 + 119, 17982 + 121);
    /* libltc reads the word at the break itself as it likes */
    assert_in_range(check_words(recorder, &plan, 0, 190000, 198000), 220, 240);
    recorder_free(recorder);
}

static double loudness(size_t from, size_t to)
{
    double sum = 0;
    for (size_t i = from; i < to; i++)
        sum += (double)heard[i] * heard[i];
    return sqrt(sum / (double)(to - from));
}

static void silence_level_and_noise_do_as_told(void **state)
{
    struct script_recorder_plan plan = plan_of(TC_RATE_25, (struct timecode){10, 0, 0, 0});
    (void)state;
    heard_count = 0;
    struct recorder *recorder = recorder_new(&plan, 5, 0, hear, NULL);
    recorder_run(recorder, 2000000000);
    recorder_silence(recorder, 2000000000, 1000000000);
    recorder_run(recorder, 3500000000);
    recorder_level(recorder, -32);
    recorder_run(recorder, 5000000000);
    assert_true(loudness(2 * 48000 + 4000, 3 * 48000 - 4000) < 1);
    double loud = loudness(48000, 90000);
    double soft = loudness(4 * 48000, 4 * 48000 + 40000);
    assert_true(fabs(20 * log10(loud / soft) - 20) < 1);
    recorder_level(recorder, -12);
    recorder_noise(recorder, 20);
    recorder_run(recorder, 7000000000);
    assert_in_range(check_words(recorder, &plan, 0, 95000, 152000), 130, 150);
    recorder_free(recorder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_rate_is_read_back),
        cmocka_unit_test(samples_come_when_their_time_has_passed),
        cmocka_unit_test(a_jump_is_in_the_audio_where_it_is_told),
        cmocka_unit_test(silence_level_and_noise_do_as_told),
    };
    return cmocka_run_group_tests_name("rig_recorder", tests, NULL, NULL);
}
