/* Where videos lie in time, which frames show what, what a copy costs. What is decoded from real files is tests/integration/clips_frames.sh. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "export/clips_keys.h"
#include "export/clips_match.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define T0 INT64_C(1930000000000000000) /* 2031-02-27T23:06:40Z */

/* ---- probing ---- */

static int probe(struct clips_video *video, const char *rate, const char *stream_tags,
                 const char *format_tags, const char *start, char why[CLIPS_WHY_SIZE])
{
    char json[2048];
    snprintf(json, sizeof json,
             "{\"streams\":[{\"codec_type\":\"audio\"},{\"codec_type\":\"video\",\"codec_name\":\"h264\","
             "\"width\":320,\"height\":180,%s,\"duration\":\"60.0\",\"start_time\":\"0.0\",\"tags\":{%s}}],"
             "\"format\":{\"format_name\":\"mov,mp4\",\"duration\":\"60.0\",\"start_time\":\"0.0\",\"tags\":{"
             "%s}}}",
             rate, stream_tags, format_tags);
    *video = (struct clips_video){.path = "x.mov"};
    why[0] = '\0';
    return clips_probe_parse(json, strlen(json), start, video, why);
}
#define R25 "\"avg_frame_rate\":\"25/1\",\"r_frame_rate\":\"25/1\""
#define R2997 "\"avg_frame_rate\":\"30000/1001\",\"r_frame_rate\":\"30000/1001\""

static void timecode_of_a_file(void **state)
{
    (void)state;
    struct clips_video video;
    char why[CLIPS_WHY_SIZE];
    assert_int_equal(probe(&video, R2997, "\"timecode\":\"01:00:00;00\"", "", NULL, why), 0);
    assert_true(video.by_timecode && video.rate == TC_RATE_29_97_DF && video.audio);
    assert_int_equal(video.start_frame, 107892); /* one hour of drop-frame labels, SMPTE ST 12-1 */
    assert_int_equal(video.frames, 1798);
    assert_int_equal(probe(&video, R2997, "\"timecode\":\"01:00:00:00\"", "", NULL, why), 0);
    assert_true(video.rate == TC_RATE_29_97_NDF);
    assert_int_equal(video.start_frame, 108000);
    /* MXF has it with the file, Matroska in capitals */
    assert_int_equal(probe(&video, R25, "", "\"TIMECODE\":\"10:00:00:12\"", NULL, why), 0);
    assert_string_equal(video.start_text, "10:00:00:12");
    /* what is said by hand counts */
    assert_int_equal(probe(&video, R25, "\"timecode\":\"10:00:00:12\"", "", "11:00:00:00", why), 0);
    assert_int_equal(video.start_frame, 990000);
}

static void labels_that_do_not_exist_are_refused(void **state)
{
    (void)state;
    struct clips_video video;
    char why[CLIPS_WHY_SIZE];
    assert_int_equal(probe(&video, R2997, "\"timecode\":\"00:01:00;00\"", "", NULL, why), -1);
    assert_non_null(strstr(why, "00:01:00;00 does not exist"));
    assert_int_equal(probe(&video, R2997, "\"timecode\":\"00:10:00;00\"", "", NULL, why), 0);
    assert_int_equal(probe(&video, R25, "\"timecode\":\"00:01:00:25\"", "", NULL, why), -1);
    assert_int_equal(probe(&video, R25, "\"timecode\":\"00:01:00;10\"", "", NULL, why), -1);
}

static void interlaced_video_counts_pictures_not_fields(void **state)
{
    (void)state;
    struct clips_video video;
    char why[CLIPS_WHY_SIZE];
    const char *rate = "\"avg_frame_rate\":\"25/1\",\"r_frame_rate\":\"50/1\",\"field_order\":\"tt\"";
    assert_int_equal(probe(&video, rate, "\"timecode\":\"10:00:00:00\"", "", NULL, why), 0);
    assert_true(video.rate == TC_RATE_25 && video.interlaced);
    assert_int_equal(video.frames, 1500);
}

static void creation_time_is_a_fall_back_that_is_said(void **state)
{
    (void)state;
    struct clips_video video;
    char why[CLIPS_WHY_SIZE];
    assert_int_equal(probe(&video, R25, "", "\"creation_time\":\"2031-02-27T23:06:40.000000Z\"", NULL, why),
                     0);
    assert_false(video.by_timecode);
    assert_true(video.creation.ns == T0);
    assert_non_null(strstr(video.note, "creation time, 2031-02-27T23:06:40.000Z"));
    /* the epochs of QuickTime and of POSIX are clocks that nobody has set */
    assert_int_equal(probe(&video, R25, "", "\"creation_time\":\"1904-01-01T00:00:00Z\"", NULL, why), -1);
    assert_int_equal(probe(&video, R25, "", "\"creation_time\":\"1970-01-01T00:00:00Z\"", NULL, why), -1);
    assert_int_equal(probe(&video, R25, "", "", NULL, why), -1);
    assert_non_null(strstr(why, "neither a start timecode nor a creation time"));
    assert_int_equal(probe(&video, "\"avg_frame_rate\":\"0/0\"", "", "", NULL, why), -1);
}

/* Any bytes: a sentence or a video, nothing else. */
static void damaged_answers_do_no_harm(void **state)
{
    (void)state;
    static const char good[] =
        "{\"streams\":[{\"codec_type\":\"video\",\"avg_frame_rate\":\"25/"
        "1\",\"duration\":\"60.0\",\"nb_frames\":"
        "\"1500\",\"disposition\":{\"attached_pic\":0},\"tags\":{\"timecode\":\"10:00:00:00\"}}],\"format\":{"
        "\"tags\":{\"creation_time\":\"2031-02-27T23:06:40Z\"}},\"packets\":[{\"pts_time\":\"0.1\",\"flags\":"
        "\"K_\"}]}";
    char text[sizeof good], why[CLIPS_WHY_SIZE];
    unsigned seed = 2031;
    print_message("seed %u\n", seed);
    for (int round = 0; round < 20000; round++) {
        struct clips_video video = {.path = "x", .num = 25, .den = 1};
        struct clips_keys keys = {0};
        memcpy(text, good, sizeof good);
        size_t len = sizeof good - 1;
        for (int i = 0; i < 3; i++) {
            seed = seed * 1664525U + 1013904223U;
            text[seed / 65536 % len] = "0123456789-:;\"{}[]eE.\x80 /"[seed >> 8 & 15];
        }
        if (round % 4 == 0)
            len = (size_t)round / 4 % len;
        if (clips_probe_parse(text, len, NULL, &video, why) == 0)
            assert_true(video.frames > 0 && video.num > 0 && video.den > 0);
        (void)clips_keys_parse(text, len, &video, 10, 20, &keys, why);
    }
}

/* ---- matching ---- */

static struct clips_marker marker(uint32_t number, int64_t frame, enum timecode_rate rate, double at_s)
{
    return (struct clips_marker){.number = number,
                                 .sighting = 1,
                                 .utc_ns = T0 + (int64_t)(at_s * 1e9),
                                 .frame = frame,
                                 .rate = rate,
                                 .still = true,
                                 .bound_frames = 0.04};
}

static struct clips_video video_at(enum timecode_rate rate, const char *label, int64_t frames)
{
    struct clips_video video = {.by_timecode = true, .rate = rate, .frames = frames};
    struct timecode first;
    timecode_rate_fraction(rate, &video.num, &video.den);
    assert_int_equal(timecode_parse(label, rate, &first), 0);
    assert_int_equal(timecode_to_frame(first, rate, &video.start_frame), 0);
    return video;
}

static void midnight_is_passed(void **state)
{
    (void)state;
    struct clips_marker markers[] = {marker(1, 2159900, TC_RATE_25, 0), marker(2, 50, TC_RATE_25, 6)};
    struct clips_record record = {.marker = markers, .marker_count = 2};
    struct clips_video video = video_at(TC_RATE_25, "23:59:50:00", 500);
    int64_t frame, utc;
    bool by_timecode;
    assert_true(clips_marker_frame(&video, &record, &markers[0], &frame, &by_timecode) && by_timecode);
    assert_int_equal(frame, 150);
    assert_true(clips_marker_frame(&video, &record, &markers[1], &frame, NULL));
    assert_int_equal(frame, 300);
    assert_true(clips_frame_at(&video, &record, T0 + 3 * NS_PER_S, &frame));
    assert_int_equal(frame, 225);
    assert_true(clips_utc_at(&video, &record, 0, &utc));
    assert_true(utc == T0 - 6 * NS_PER_S);
    video = video_at(TC_RATE_25, "00:00:00:00", 500); /* the next file */
    assert_true(clips_marker_frame(&video, &record, &markers[0], &frame, NULL));
    assert_int_equal(frame, -100);
}

/* A word names a pair of frames above 30 a second: the half of the pair in which the key went down is the frame. */
static void words_of_pairs(void **state)
{
    (void)state;
    struct clips_marker markers[] = {marker(1, 107892, TC_RATE_29_97_DF, 0),
                                     marker(2, 107893, TC_RATE_29_97_DF, 0.05)};
    struct clips_record record = {.marker = markers, .marker_count = 2};
    struct clips_video video = video_at(TC_RATE_59_94_DF, "01:00:00;00", 600);
    int64_t frame;
    markers[1].within = 0.6;
    assert_true(clips_marker_frame(&video, &record, &markers[0], &frame, NULL));
    assert_int_equal(frame, 0);
    assert_true(clips_marker_frame(&video, &record, &markers[1], &frame, NULL));
    assert_int_equal(frame, 3);
    /* another rate cannot be compared */
    video = video_at(TC_RATE_25, "01:00:00:00", 600);
    assert_false(clips_marker_frame(&video, &record, &markers[0], &frame, NULL));
}

static void two_cameras_two_files_and_a_gap(void **state)
{
    (void)state;
    struct clips_marker markers[] = {marker(1, 900250, TC_RATE_25, 10), marker(2, 901000, TC_RATE_25, 40)};
    struct clips_object sighting = {.letter = 'S',
                                    .number = 1,
                                    .first_marker = 1,
                                    .start_ns = T0 + 8 * NS_PER_S,
                                    .press_ns = T0 + 10 * NS_PER_S,
                                    .end_ns = T0 + 40 * NS_PER_S};
    struct clips_record record = {
        .marker = markers, .marker_count = 2, .object = &sighting, .object_count = 1};
    struct clips_video videos[] = {
        video_at(TC_RATE_25, "10:00:00:00", 500),  /* 0 to 20 s */
        video_at(TC_RATE_25, "10:00:20:00", 250),  /* 20 to 30 s, then nothing until */
        video_at(TC_RATE_25, "10:00:35:00", 1000), /* 35 s */
        video_at(TC_RATE_25, "10:00:12:00", 100)}; /* another camera, 12 to 16 s */
    struct clips_plan plan;
    assert_int_equal(clips_match(&plan, &record, videos, 4, -1, 2 * NS_PER_S), 0);
    assert_int_equal(plan.piece_count, 4);
    assert_true(plan.piece[0].video == 0 && plan.piece[0].from == 200 && plan.piece[0].frames == 300);
    assert_true(plan.piece[0].cut_after && !plan.piece[0].cut_before && plan.piece[0].press == 250);
    assert_true(plan.piece[1].video == 1 && plan.piece[1].from == 0 && plan.piece[1].frames == 250);
    /* 5 s of it, the frame in force at its end, 2 s of tail */
    assert_true(plan.piece[2].video == 2 && plan.piece[2].from == 0 && plan.piece[2].frames == 125 + 1 + 50);
    assert_true(plan.piece[3].video == 3 && plan.piece[3].frames == 100);
    assert_int_equal(plan.shot_count, 2);
    assert_int_equal(plan.gap_count, 2); /* of the dive, and of the sighting */
    for (size_t i = 0; i < 2; i++) {
        assert_int_equal(plan.gap[i].sighting, i);
        assert_true(plan.gap[i].from_ns == T0 + 30 * NS_PER_S && plan.gap[i].to_ns == T0 + 35 * NS_PER_S);
    }
    clips_plan_free(&plan);
}

static void a_video_placed_by_utc(void **state)
{
    (void)state;
    struct clips_marker markers[] = {marker(1, -1, TC_RATE_25, 10)};
    struct clips_record record = {.marker = markers, .marker_count = 1};
    struct clips_video video = {.num = 25, .den = 1, .frames = 500, .has_creation = true, .creation = {T0}};
    int64_t frame;
    bool by_timecode = true;
    assert_true(clips_marker_frame(&video, &record, &markers[0], &frame, &by_timecode));
    assert_int_equal(frame, 250);
    assert_false(by_timecode);
}

/* ---- key frames ---- */

/* Frames in the order in which they are decoded; `keys` marks those that are key frames. */
static int keys_of(const int *frames, const char *keys, int64_t from, int64_t count, struct clips_keys *out,
                   char why[CLIPS_WHY_SIZE])
{
    char json[4096] = "{\"packets\":[";
    size_t len = strlen(json);
    struct clips_video video = {.num = 25, .den = 1, .first_s = 1.4};
    for (size_t i = 0; keys[i] != '\0'; i++)
        len += (size_t)snprintf(json + len, sizeof json - len,
                                "%s{\"pts_time\":\"%.6f\",\"flags\":\"%c_\",\"data_hash\":\"h%d\"}",
                                i > 0 ? "," : "", 1.4 + frames[i] / 25.0, keys[i], frames[i]);
    snprintf(json + len, sizeof json - len, "]}");
    return clips_keys_parse(json, strlen(json), &video, from, count, out, why);
}

static void a_copy_begins_at_a_key_and_has_no_hole(void **state)
{
    (void)state;
    static const int frames[] = {0, 3, 1, 2, 6, 4, 5, 8, 11, 9, 10, 12};
    struct clips_keys keys;
    char why[CLIPS_WHY_SIZE];
    /* frame 4 is wanted: of the group, 0 to 3 come with it, and 5 and 6, which are decoded with it */
    assert_int_equal(keys_of(frames, "K______K____", 4, 1, &keys, why), 0);
    assert_int_equal(keys.first, 0);
    assert_int_equal(keys.frames, 7);
    assert_string_equal(keys.hash, "h0");
    assert_int_equal(keys_of(frames, "K______K____", 8, 3, &keys, why), 0);
    assert_int_equal(keys.first, 8);
    assert_int_equal(keys.frames, 4);
    /* frame 7 is not there: no copy over the hole */
    assert_int_equal(keys_of(frames, "K______K____", 4, 6, &keys, why), 1);
    /* the packets begin too late: ask for earlier ones */
    assert_int_equal(keys_of(frames, "_______K____", 4, 1, &keys, why), 2);
}

static void an_open_group_is_not_copied(void **state)
{
    (void)state;
    static const int frames[] = {4, 2, 3, 7, 5, 6};
    struct clips_keys keys;
    char why[CLIPS_WHY_SIZE];
    assert_int_equal(keys_of(frames, "K_____", 4, 3, &keys, why), 1);
    assert_non_null(strstr(why, "open"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(timecode_of_a_file),
        cmocka_unit_test(labels_that_do_not_exist_are_refused),
        cmocka_unit_test(interlaced_video_counts_pictures_not_fields),
        cmocka_unit_test(creation_time_is_a_fall_back_that_is_said),
        cmocka_unit_test(damaged_answers_do_no_harm),
        cmocka_unit_test(midnight_is_passed),
        cmocka_unit_test(words_of_pairs),
        cmocka_unit_test(two_cameras_two_files_and_a_gap),
        cmocka_unit_test(a_video_placed_by_utc),
        cmocka_unit_test(a_copy_begins_at_a_key_and_has_no_hole),
        cmocka_unit_test(an_open_group_is_not_copied),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
