/*
 * Timecode against published counts and an independent library.
 *
 * Day, hour, ten-minute and minute counts: SMPTE ST 12-1 drop-frame rule (two labels skipped each minute but every tenth). The frame table
 * and the packed words: computed apart from this program; the 29.97 DF cells also by libltc 1.3.2, the words by its ltc_time_to_frame
 * and ltc_frame_set_parity, the last row also by npm smpte-timecode. Word layout: ltc.h of libltc.
 *
 * With --list it prints many labels of every rate for readers/timecode_npm.sh to compare.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "core/timecode.h"

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static struct timecode label(const char *text, enum timecode_rate rate)
{
    struct timecode tc = {0, 0, 0, 0};
    assert_int_equal(timecode_parse(text, rate, &tc), 0);
    return tc;
}

static int64_t frame_of(const char *text, enum timecode_rate rate)
{
    int64_t frame = -1;
    assert_int_equal(timecode_to_frame(label(text, rate), rate, &frame), 0);
    return frame;
}

static void assert_label(int64_t frame, enum timecode_rate rate, const char *expected)
{
    char text[TIMECODE_TEXT];
    timecode_format(timecode_from_frame(frame, rate), rate, text);
    assert_string_equal(text, expected);
    assert_int_equal(frame_of(expected, rate), frame);
}

static void counts_of_a_day(void **state)
{
    (void)state;
    static const struct {
        enum timecode_rate rate;
        int64_t first_minute, other_minute, ten, hour, day;
    } table[] = {
        {TC_RATE_23_976, 1440, 1440, 14400, 86400, 2073600},
        {TC_RATE_24, 1440, 1440, 14400, 86400, 2073600},
        {TC_RATE_25, 1500, 1500, 15000, 90000, 2160000},
        {TC_RATE_29_97_DF, 1800, 1798, 17982, 107892, 2589408},
        {TC_RATE_29_97_NDF, 1800, 1800, 18000, 108000, 2592000},
        {TC_RATE_30, 1800, 1800, 18000, 108000, 2592000},
        {TC_RATE_50, 3000, 3000, 30000, 180000, 4320000},
        {TC_RATE_59_94_DF, 3600, 3596, 35964, 215784, 5178816},
        {TC_RATE_59_94_NDF, 3600, 3600, 36000, 216000, 5184000},
        {TC_RATE_60, 3600, 3600, 36000, 216000, 5184000},
    };
    assert_int_equal(COUNT(table), TIMECODE_RATES);
    for (size_t i = 0; i < COUNT(table); i++) {
        enum timecode_rate rate = table[i].rate;
        const bool drop = timecode_is_drop(rate);
        const char *second =
            drop ? (timecode_nominal_fps(rate) == 60 ? "00:01:00;04" : "00:01:00;02") : "00:01:00:00";
        const char *third =
            drop ? (timecode_nominal_fps(rate) == 60 ? "00:02:00;04" : "00:02:00;02") : "00:02:00:00";
        assert_int_equal(frame_of(second, rate), table[i].first_minute);
        assert_int_equal(frame_of(third, rate) - frame_of(second, rate), table[i].other_minute);
        assert_int_equal(frame_of("00:10:00:00", rate), table[i].ten);
        assert_int_equal(frame_of("01:00:00:00", rate), table[i].hour);
        assert_int_equal(timecode_frames_per_day(rate), table[i].day);
    }
}

static void labels_of_some_frames(void **state)
{
    (void)state;
    static const int64_t frames[] = {1799, 1800, 3600, 17981, 17982, 107892, 123456, 1000000};
    static const struct {
        enum timecode_rate rate;
        const char *label[8];
    } table[] = {
        {TC_RATE_24,
         {"00:01:14:23", "00:01:15:00", "00:02:30:00", "00:12:29:05", "00:12:29:06", "01:14:55:12",
          "01:25:44:00", "11:34:26:16"}},
        {TC_RATE_23_976,
         {"00:01:14:23", "00:01:15:00", "00:02:30:00", "00:12:29:05", "00:12:29:06", "01:14:55:12",
          "01:25:44:00", "11:34:26:16"}},
        {TC_RATE_25,
         {"00:01:11:24", "00:01:12:00", "00:02:24:00", "00:11:59:06", "00:11:59:07", "01:11:55:17",
          "01:22:18:06", "11:06:40:00"}},
        {TC_RATE_29_97_DF,
         {"00:00:59;29", "00:01:00;02", "00:02:00;04", "00:09:59;29", "00:10:00;00", "01:00:00;00",
          "01:08:39;10", "09:16:06;22"}},
        {TC_RATE_29_97_NDF,
         {"00:00:59:29", "00:01:00:00", "00:02:00:00", "00:09:59:11", "00:09:59:12", "00:59:56:12",
          "01:08:35:06", "09:15:33:10"}},
        {TC_RATE_30,
         {"00:00:59:29", "00:01:00:00", "00:02:00:00", "00:09:59:11", "00:09:59:12", "00:59:56:12",
          "01:08:35:06", "09:15:33:10"}},
        {TC_RATE_50,
         {"00:00:35:49", "00:00:36:00", "00:01:12:00", "00:05:59:31", "00:05:59:32", "00:35:57:42",
          "00:41:09:06", "05:33:20:00"}},
        {TC_RATE_59_94_DF,
         {"00:00:29;59", "00:00:30;00", "00:01:00;04", "00:04:59;57", "00:04:59;58", "00:30:00;00",
          "00:34:19;40", "04:38:03;24"}},
        {TC_RATE_59_94_NDF,
         {"00:00:29:59", "00:00:30:00", "00:01:00:00", "00:04:59:41", "00:04:59:42", "00:29:58:12",
          "00:34:17:36", "04:37:46:40"}},
        {TC_RATE_60,
         {"00:00:29:59", "00:00:30:00", "00:01:00:00", "00:04:59:41", "00:04:59:42", "00:29:58:12",
          "00:34:17:36", "04:37:46:40"}},
    };
    for (size_t r = 0; r < COUNT(table); r++)
        for (size_t i = 0; i < COUNT(frames); i++)
            assert_label(frames[i], table[r].rate, table[r].label[i]);
}

static bool same(struct timecode a, struct timecode b)
{
    return a.hh == b.hh && a.mm == b.mm && a.ss == b.ss && a.ff == b.ff;
}

/* Counts labels up by the rule alone and compares with the formula: every label of a day, at every rate. */
static void every_label_of_a_day_round_trips(void **state)
{
    (void)state;
    for (int r = 0; r < TIMECODE_RATES; r++) {
        const enum timecode_rate rate = (enum timecode_rate)r;
        struct timecode tc = {0, 0, 0, 0};
        int64_t day = timecode_frames_per_day(rate), bad = 0;
        for (int64_t n = 0; n < day; n++) {
            int64_t frame = -1;
            if (timecode_to_frame(tc, rate, &frame) != 0 || frame != n ||
                !same(timecode_from_frame(n, rate), tc))
                bad++;
            if (++tc.ff == timecode_nominal_fps(rate)) {
                tc.ff = 0;
                if (++tc.ss == 60) {
                    tc.ss = 0;
                    tc.mm++;
                    if (timecode_is_drop(rate) && tc.mm % 10 != 0)
                        tc.ff = timecode_nominal_fps(rate) == 60 ? 4 : 2;
                    if (tc.mm == 60) {
                        tc.mm = 0;
                        tc.hh++;
                    }
                }
            }
        }
        assert_int_equal(bad, 0);
        assert_int_equal(tc.hh, 24);
    }
}

static void labels_that_do_not_exist(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        enum timecode_rate rate;
        int error;
    } table[] = {
        {"00:01:00;00", TC_RATE_29_97_DF, TIMECODE_EDROPPED},
        {"00:01:00;01", TC_RATE_29_97_DF, TIMECODE_EDROPPED},
        {"23:59:00;01", TC_RATE_29_97_DF, TIMECODE_EDROPPED},
        {"00:01:00;03", TC_RATE_59_94_DF, TIMECODE_EDROPPED},
        {"00:10:00;00", TC_RATE_29_97_DF, 0},
        {"00:01:00;02", TC_RATE_29_97_DF, 0},
        {"00:01:01;00", TC_RATE_29_97_DF, 0},
        {"00:01:00;04", TC_RATE_59_94_DF, 0},
        {"00:01:00:00", TC_RATE_29_97_DF, TIMECODE_EDROPPED},
        {"00:01:00:00", TC_RATE_29_97_NDF, 0},
        {"24:00:00:00", TC_RATE_25, TIMECODE_ERANGE},
        {"00:60:00:00", TC_RATE_25, TIMECODE_ERANGE},
        {"00:00:60:00", TC_RATE_25, TIMECODE_ERANGE},
        {"00:00:00:25", TC_RATE_25, TIMECODE_ERANGE},
        {"00:00:00:24", TC_RATE_25, 0},
        {"00:00:00:24", TC_RATE_23_976, TIMECODE_ERANGE},
        {"00:00:00:59", TC_RATE_60, 0},
        {"00:00:00;10", TC_RATE_25, TIMECODE_ESYNTAX},
        {"1:2:3:4", TC_RATE_25, 0},
        {"00:01:00.02", TC_RATE_29_97_DF, 0},
        {"", TC_RATE_25, TIMECODE_ESYNTAX},
        {"00:00:00", TC_RATE_25, TIMECODE_ESYNTAX},
        {"00:00:00:", TC_RATE_25, TIMECODE_ESYNTAX},
        {"00:00:00:000", TC_RATE_25, TIMECODE_ESYNTAX},
        {"00:00:00:00 ", TC_RATE_25, TIMECODE_ESYNTAX},
        {"-1:00:00:00", TC_RATE_25, TIMECODE_ESYNTAX},
        {"00;00:00:00", TC_RATE_29_97_DF, TIMECODE_ESYNTAX},
        {"aa:00:00:00", TC_RATE_25, TIMECODE_ESYNTAX},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        struct timecode tc = {9, 9, 9, 9};
        assert_int_equal(timecode_parse(table[i].text, table[i].rate, &tc), table[i].error);
        if (table[i].error != 0)
            assert_true(same(tc, (struct timecode){9, 9, 9, 9}));
    }
}

static void sums_go_over_midnight(void **state)
{
    (void)state;
    struct timecode sum;
    assert_int_equal(timecode_add(label("23:59:59;29", TC_RATE_29_97_DF), 1, TC_RATE_29_97_DF, &sum), 0);
    assert_true(same(sum, (struct timecode){0, 0, 0, 0}));
    assert_int_equal(timecode_add(label("00:00:00:00", TC_RATE_25), -1, TC_RATE_25, &sum), 0);
    assert_true(same(sum, (struct timecode){23, 59, 59, 24}));
    assert_int_equal(timecode_add(label("00:00:59;29", TC_RATE_29_97_DF), 1, TC_RATE_29_97_DF, &sum), 0);
    assert_true(same(sum, (struct timecode){0, 1, 0, 2}));
    assert_int_equal(timecode_add(label("12:00:00:00", TC_RATE_50), INT64_MIN + 1, TC_RATE_50, &sum), 0);
    assert_int_equal(timecode_add((struct timecode){0, 1, 0, 0}, 1, TC_RATE_29_97_DF, &sum),
                     TIMECODE_EDROPPED);
    assert_int_equal(timecode_wrap(-1, TC_RATE_29_97_DF), 2589407);
    assert_int_equal(timecode_wrap_near(2159999, TC_RATE_25), -1);
    assert_int_equal(timecode_wrap_near(1080000, TC_RATE_25), 1080000);
    assert_int_equal(timecode_wrap_near(-1079999, TC_RATE_25), -1079999);
    assert_int_equal(timecode_wrap(2589408 * INT64_C(3) + 5, TC_RATE_29_97_DF), 5);
}

static void frames_and_nanoseconds(void **state)
{
    (void)state;
    /* Lengths of label-days and hours against the wall clock, computed from the real rates (30000/1001 ...). */
    assert_int_equal(timecode_frame_start_ns(2589408, TC_RATE_29_97_DF), INT64_C(86399913600000));
    assert_int_equal(timecode_frame_start_ns(2592000, TC_RATE_29_97_NDF), INT64_C(86486400000000));
    assert_int_equal(timecode_frame_start_ns(107892, TC_RATE_29_97_DF), INT64_C(3599996400000));
    assert_int_equal(timecode_frame_start_ns(108000, TC_RATE_29_97_NDF), INT64_C(3603600000000));
    assert_int_equal(timecode_frame_start_ns(90000, TC_RATE_25), INT64_C(3600000000000));
    assert_int_equal(timecode_frame_start_ns(1, TC_RATE_23_976), 41708334); /* 41,708,333.3 */
    static const int64_t some[] = {-5178817,           -1, 0, 1, 2, 1001, 2589407, 5178815, INT64_C(1) << 36,
                                   -(INT64_C(1) << 36)};
    for (int r = 0; r < TIMECODE_RATES; r++)
        for (size_t i = 0; i < COUNT(some); i++) {
            const enum timecode_rate rate = (enum timecode_rate)r;
            const int64_t start = timecode_frame_start_ns(some[i], rate);
            assert_int_equal(timecode_frame_at_ns(start, rate), some[i]);
            assert_int_equal(timecode_frame_at_ns(start - 1, rate), some[i] - 1);
        }
    assert_int_equal(timecode_uf_at_ns(20000000, TC_RATE_25), 500000);
    assert_int_equal(timecode_uf_at_ns(-1, TC_RATE_25), -1);
}

static void names_of_rates(void **state)
{
    (void)state;
    static const char *const names[] = {"23.976", "24", "25",      "29.97df",  "29.97ndf",
                                        "30",     "50", "59.94df", "59.94ndf", "60"};
    enum timecode_rate rate = TC_RATE_24;
    for (int r = 0; r < TIMECODE_RATES; r++) {
        assert_string_equal(timecode_rate_name((enum timecode_rate)r), names[r]);
        assert_int_equal(timecode_rate_parse(names[r], &rate), 0);
        assert_int_equal(rate, r);
    }
    assert_int_equal(timecode_rate_parse("29.97 DF", &rate), 0);
    assert_int_equal(rate, TC_RATE_29_97_DF);
    assert_int_equal(timecode_rate_parse("23,98 fps", &rate), 0);
    assert_int_equal(rate, TC_RATE_23_976);
    assert_int_equal(timecode_rate_parse("60000/1001-NDF", &rate), 0);
    assert_int_equal(rate, TC_RATE_59_94_NDF);
    assert_int_equal(timecode_rate_parse("29.97", &rate), TIMECODE_EAMBIGUOUS);
    assert_int_equal(timecode_rate_parse("59.94fps", &rate), TIMECODE_EAMBIGUOUS);
    assert_int_equal(timecode_rate_parse("", &rate), TIMECODE_ESYNTAX);
    assert_int_equal(timecode_rate_parse("fps", &rate), TIMECODE_ESYNTAX);
    assert_int_equal(timecode_rate_parse("48", &rate), TIMECODE_ESYNTAX);
    assert_int_equal(timecode_rate_parse("25 frames in every single second", &rate), TIMECODE_ESYNTAX);
    assert_int_equal(rate, TC_RATE_59_94_NDF);
}

static void words_as_libltc_packs_them(void **state)
{
    (void)state;
    static const struct {
        struct timecode tc;
        enum timecode_rate rate;
        uint8_t packed[TIMECODE_WORD_BYTES];
    } table[] = {
        {{1, 2, 3, 4}, TC_RATE_25, {0x04, 0, 0x03, 0, 0x02, 0, 0x01, 0, 0xFC, 0xBF}},
        {{1, 2, 3, 4}, TC_RATE_30, {0x04, 0, 0x03, 0, 0x02, 0, 0x01, 0, 0xFC, 0xBF}},
        {{1, 2, 3, 4}, TC_RATE_29_97_DF, {0x04, 0x04, 0x03, 0x08, 0x02, 0, 0x01, 0, 0xFC, 0xBF}},
        {{23, 59, 59, 29}, TC_RATE_29_97_DF, {0x09, 0x06, 0x09, 0x05, 0x09, 0x05, 0x03, 0x02, 0xFC, 0xBF}},
        {{23, 59, 59, 24}, TC_RATE_25, {0x04, 0x02, 0x09, 0x05, 0x09, 0x05, 0x03, 0x02, 0xFC, 0xBF}},
        {{0, 0, 0, 0}, TC_RATE_25, {0, 0, 0, 0, 0, 0, 0, 0x08, 0xFC, 0xBF}},
        {{0, 0, 0, 0}, TC_RATE_30, {0, 0, 0, 0x08, 0, 0, 0, 0, 0xFC, 0xBF}},
        {{0, 0, 0, 0}, TC_RATE_50, {0, 0, 0, 0, 0, 0, 0, 0x08, 0xFC, 0xBF}},
    };
    for (size_t i = 0; i < COUNT(table); i++) {
        struct timecode_word word = {.tc = table[i].tc, .drop = timecode_is_drop(table[i].rate)}, back;
        uint8_t packed[TIMECODE_WORD_BYTES];
        timecode_word_encode(&word, table[i].rate, packed);
        assert_memory_equal(packed, table[i].packed, sizeof packed);
        assert_int_equal(timecode_word_decode(packed, table[i].rate, &back), 0);
        assert_true(same(back.tc, word.tc));
        assert_int_equal(back.drop, word.drop);
        assert_int_equal(back.user_bits, 0);
    }
}

static unsigned zeros(const uint8_t *packed)
{
    unsigned n = 0;
    for (int bit = 0; bit < 80; bit++)
        n += (packed[bit / 8] >> (bit % 8) & 1) == 0;
    return n;
}

static void words_keep_user_bits_and_flags(void **state)
{
    (void)state;
    uint32_t bits = 0x12345678;
    for (int i = 0; i < 4000; i++) {
        bits = bits * 1664525u + 1013904223u;
        const enum timecode_rate rate = (enum timecode_rate)(i % 6);
        struct timecode_word word = {.tc = {(uint8_t)(i % 24), (uint8_t)(i % 60), (uint8_t)(i * 7 % 60),
                                            (uint8_t)(i % 24)},
                                     .user_bits = bits,
                                     .drop = bits >> 30 & 1,
                                     .colour = bits >> 29 & 1,
                                     .bgf = (uint8_t)(bits >> 20 & 7)},
                             back;
        uint8_t packed[TIMECODE_WORD_BYTES];
        timecode_word_encode(&word, rate, packed);
        assert_int_equal(zeros(packed) % 2, 0);
        assert_int_equal(timecode_word_decode(packed, rate, &back), 0);
        assert_true(same(back.tc, word.tc));
        assert_int_equal(back.user_bits, word.user_bits);
        assert_int_equal(back.bgf, word.bgf);
        assert_int_equal(back.drop, word.drop);
        assert_int_equal(back.colour, word.colour);
    }
}

/* Bit numbers of the flags, from the table in ltc.h. */
static void flags_have_their_places(void **state)
{
    (void)state;
    static const struct {
        enum timecode_rate rate;
        unsigned bit[3];
    } table[] = {{TC_RATE_25, {27, 58, 43}}, {TC_RATE_30, {43, 58, 59}}, {TC_RATE_24, {43, 58, 59}}};
    for (size_t i = 0; i < COUNT(table); i++)
        for (unsigned flag = 0; flag < 3; flag++) {
            struct timecode_word word = {.bgf = (uint8_t)(1u << flag)};
            uint8_t packed[TIMECODE_WORD_BYTES];
            timecode_word_encode(&word, table[i].rate, packed);
            assert_int_equal(packed[table[i].bit[flag] / 8] >> (table[i].bit[flag] % 8) & 1, 1);
        }
    struct timecode_word user = {.user_bits = 0xF0000001u};
    uint8_t packed[TIMECODE_WORD_BYTES];
    timecode_word_encode(&user, TC_RATE_25, packed);
    assert_int_equal(packed[0], 0x10);
    assert_int_equal(packed[7] & 0xF0, 0xF0);
}

static void words_that_are_none(void **state)
{
    (void)state;
    static const uint8_t table[][TIMECODE_WORD_BYTES] = {
        {0x04, 0, 0x03, 0, 0x02, 0, 0x01, 0, 0xFC, 0x3F}, /* no sync */
        {0x04, 0, 0x03, 0, 0x02, 0, 0x01, 0, 0xBF, 0xFC}, /* sync backwards */
        {0x0A, 0, 0x03, 0, 0x02, 0, 0x01, 0, 0xFC, 0xBF}, /* frame units 10 */
        {0, 0x03, 0x03, 0, 0x02, 0, 0x01, 0, 0xFC, 0xBF}, /* frame 30 */
        {0, 0, 0, 0x06, 0x02, 0, 0x01, 0, 0xFC, 0xBF},    /* second 60 */
        {0, 0, 0, 0, 0, 0x06, 0x01, 0, 0xFC, 0xBF},       /* minute 60 */
        {0, 0, 0, 0, 0, 0, 0x04, 0x02, 0xFC, 0xBF},       /* hour 24 */
    };
    struct timecode_word word = {.user_bits = 77};
    for (size_t i = 0; i < COUNT(table); i++) {
        assert_int_equal(timecode_word_decode(table[i], TC_RATE_25, &word), TIMECODE_ESYNTAX);
        assert_int_equal(word.user_bits, 77);
    }
}

/* A word names a pair of frames at 50 and 60: twice the count of the word's rate, drop-frame included. */
static void words_count_pairs(void **state)
{
    (void)state;
    for (int r = TC_RATE_50; r <= TC_RATE_60; r++) {
        const enum timecode_rate rate = (enum timecode_rate)r, word = timecode_word_rate(rate);
        assert_int_equal(timecode_frames_per_day(rate), 2 * timecode_frames_per_day(word));
        for (int64_t n = 0; n < timecode_frames_per_day(word); n += 997) {
            struct timecode whole = timecode_from_frame(2 * n, rate), pair = timecode_from_frame(n, word);
            assert_true(same(whole, (struct timecode){pair.hh, pair.mm, pair.ss, (uint8_t)(2 * pair.ff)}));
        }
    }
}

static void print_label(char kind, int64_t frame, struct timecode tc, enum timecode_rate rate)
{
    char text[TIMECODE_TEXT];
    timecode_format(tc, rate, text);
    printf("%c %lld %s\n", kind, (long long)frame, text);
}

/* "r num den drop" before each rate; "f frame label" for more than 100,000 frames spread over the day and for those around every whole
 * minute; "x 0 label" for labels that drop-frame leaves out. */
static void list_labels(void)
{
    for (int r = 0; r < TIMECODE_RATES; r++) {
        const enum timecode_rate rate = (enum timecode_rate)r;
        const int64_t day = timecode_frames_per_day(rate);
        int32_t num, den;
        timecode_rate_fraction(rate, &num, &den);
        printf("r %d %d %d\n", num, den, timecode_is_drop(rate));
        for (int64_t n = 0; n < day; n += day / 110000)
            print_label('f', n, timecode_from_frame(n, rate), rate);
        for (int minute = 0; minute < 1440; minute++) {
            struct timecode tc = {(uint8_t)(minute / 60), (uint8_t)(minute % 60), 0, 0};
            int64_t frame = 0;
            while (timecode_to_frame(tc, rate, &frame) != 0) {
                print_label('x', 0, tc, rate);
                tc.ff++;
            }
            for (int64_t n = frame - 2; n < frame + 3; n++)
                print_label('f', timecode_wrap(n, rate), timecode_from_frame(n, rate), rate);
        }
    }
}

int main(int argc, char **argv)
{
    if (argc == 2 && strcmp(argv[1], "--list") == 0) {
        list_labels();
        return 0;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(counts_of_a_day),
        cmocka_unit_test(labels_of_some_frames),
        cmocka_unit_test(every_label_of_a_day_round_trips),
        cmocka_unit_test(labels_that_do_not_exist),
        cmocka_unit_test(sums_go_over_midnight),
        cmocka_unit_test(frames_and_nanoseconds),
        cmocka_unit_test(names_of_rates),
        cmocka_unit_test(words_as_libltc_packs_them),
        cmocka_unit_test(words_keep_user_bits_and_flags),
        cmocka_unit_test(flags_have_their_places),
        cmocka_unit_test(words_that_are_none),
        cmocka_unit_test(words_count_pairs),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
