/*
 * `bellrope decode` and `bellrope timecode` as a person runs them: their standard output, line by line. LTC audio comes from libltc's
 * own encoder (x42 libltc 1.3), frame by frame with the labels that are then expected back; frame counts of drop-frame are those of SMPTE ST 12-1 as
 * libltc counts them (29.97 DF: frame 1800 is 00:01:00;02, 17982 is 00:10:00;00).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "cli/options.h"
#include "cli/verbs.h"

#include <jansson.h>
#include <ltc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char folder[] = "/tmp/bellrope-decode-XXXXXX";
static char input[64], output[64];
static char text[1 << 20];

static int setup(void **state)
{
    (void)state;
    if (mkdtemp(folder) == NULL)
        return -1;
    snprintf(input, sizeof input, "%s/in", folder);
    snprintf(output, sizeof output, "%s/out", folder);
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    unlink(input);
    unlink(output);
    return rmdir(folder);
}

static void write_input(const void *bytes, size_t len)
{
    FILE *file = fopen(input, "wb");
    assert_int_equal(fwrite(bytes, 1, len, file), len);
    fclose(file);
}

/* Runs a verb with its standard output going to `text`; standard error is thrown away. */
static int run(const struct cli_verb *verb, ...)
{
    char *argv[24] = {(char *)(uintptr_t) "verb"};
    int argc = 1;
    va_list args;
    va_start(args, verb);
    for (char *at = va_arg(args, char *); at != NULL; at = va_arg(args, char *))
        argv[argc++] = at;
    va_end(args);
    fflush(stdout);
    int saved[2] = {dup(1), dup(2)};
    FILE *to = fopen(output, "w+b");
    FILE *nowhere = fopen("/dev/null", "w");
    dup2(fileno(to), 1);
    dup2(fileno(nowhere), 2);
    int result = options_run(verb, argc, argv);
    fflush(stdout);
    fflush(stderr);
    for (int i = 0; i < 2; i++) {
        dup2(saved[i], i + 1);
        close(saved[i]);
    }
    fclose(nowhere);
    rewind(to);
    text[fread(text, 1, sizeof text - 1, to)] = '\0';
    fclose(to);
    return result;
}

/* The next line as JSON; NULL at the end. */
static json_t *line(const char **at)
{
    size_t len = strcspn(*at, "\n");
    if (len == 0)
        return NULL;
    json_error_t error;
    json_t *json = json_loadb(*at, len, JSON_REJECT_DUPLICATES, &error);
    if (json == NULL)
        fail_msg("%s in %.*s", error.text, (int)len, *at);
    *at += len + 1;
    return json;
}

static const char *text_in(const json_t *json, const char *name)
{
    const char *value = json_string_value(json_object_get(json, name));
    return value != NULL ? value : "(none)";
}

/* `count` frames from a label on, as 48 kHz audio; the labels are noted. */
static void encode(double fps, bool drop, SMPTETimecode tc, int count, char labels[][12])
{
    LTCEncoder *encoder = ltc_encoder_create(48000, fps, fps == 25 ? LTC_TV_625_50 : LTC_TV_525_60, 0);
    static ltcsnd_sample_t frame[4096];
    static short audio[48000 * 8];
    size_t len = 0;
    ltc_encoder_set_timecode(encoder, &tc);
    if (drop) {
        LTCFrame raw;
        ltc_encoder_get_frame(encoder, &raw);
        raw.dfbit = 1;
        ltc_frame_set_parity(&raw, LTC_TV_525_60);
        ltc_encoder_set_frame(encoder, &raw);
    }
    for (int i = 0; i < count; i++) {
        ltc_encoder_get_timecode(encoder, &tc);
        snprintf(labels[i], 12, "%02d:%02d:%02d%c%02d", tc.hours, tc.mins, tc.secs, drop ? ';' : ':',
                 tc.frame);
        ltc_encoder_encode_frame(encoder);
        int got = ltc_encoder_copy_buffer(encoder, frame);
        for (int k = 0; k < got; k++)
            audio[len++] = (short)((frame[k] - 128) * 200);
        ltc_encoder_inc_timecode(encoder);
    }
    ltc_encoder_free(encoder);
    write_input(audio, len * sizeof audio[0]);
}

static void ltc_round_trip(const char *rate, double fps, bool drop, SMPTETimecode start)
{
    enum { FRAMES = 120 };
    static char labels[FRAMES][12];
    encode(fps, drop, start, FRAMES, labels);
    assert_int_equal(run(&verb_decode, "--format", "ltc", "--rate", rate, input, NULL), CLI_DONE);
    const char *at = text;
    json_t *word;
    int expected = -1, found = 0;
    json_int_t last_end = -1;
    while ((word = line(&at)) != NULL) {
        assert_string_equal(text_in(word, "verdict"), "ok");
        if (expected < 0) /* the decoder may need a frame to find its feet */
            expected = strcmp(text_in(word, "timecode"), labels[0]) == 0 ? 0 : 1;
        assert_string_equal(text_in(word, "timecode"), labels[expected]);
        assert_true(json_is_false(json_object_get(word, "reverse")));
        json_int_t begin = json_integer_value(json_object_get(word, "start"));
        json_int_t end = json_integer_value(json_object_get(word, "end"));
        assert_true(end > begin && begin > last_end - 64);
        last_end = end;
        expected++;
        found++;
        json_decref(word);
    }
    assert_true(found >= FRAMES - 2);
}

static void ltc_at_25(void **state)
{
    (void)state;
    ltc_round_trip("25", 25, false, (SMPTETimecode){.hours = 23, .mins = 59, .secs = 58, .frame = 0});
}

static void ltc_at_29_97_drop(void **state)
{
    (void)state;
    ltc_round_trip("29.97df", 30000.0 / 1001, true,
                   (SMPTETimecode){.hours = 1, .mins = 8, .secs = 58, .frame = 0});
}

static void ltc_of_another_rate_is_said(void **state)
{
    (void)state;
    enum { FRAMES = 60 };
    static char labels[FRAMES][12];
    encode(25, false, (SMPTETimecode){.hours = 1}, FRAMES, labels);
    assert_int_equal(run(&verb_decode, "--format", "ltc", "--rate", "29.97df", input, NULL), CLI_DONE);
    assert_non_null(strstr(text, "another rate"));
    assert_null(strstr(text, "\"ok\""));
}

static void silence_and_noise_are_no_timecode(void **state)
{
    (void)state;
    static unsigned char bytes[200001];
    write_input(bytes, sizeof bytes); /* an odd number: half a sample at the end */
    assert_int_equal(run(&verb_decode, "--format", "ltc", input, NULL), CLI_DONE);
    assert_string_equal(text, "");
    uint32_t noise = 1;
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (unsigned char)((noise = noise * 1664525 + 1013904223) >> 24);
    write_input(bytes, sizeof bytes);
    assert_int_equal(run(&verb_decode, "--format", "ltc", input, NULL), CLI_DONE);
    assert_null(strstr(text, "\"verdict\":\"ok\""));
}

static void sentences_become_values_and_channels(void **state)
{
    (void)state;
    /* the usual published example of a GGA sentence, checksum 47 */
    static const char lines[] = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
                                "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*48\r\n"
                                "\r\n$XXXYZ,1*00\nnoise \"with\" \x01 bytes\xff\n";
    write_input(lines, sizeof lines - 1);
    assert_int_equal(run(&verb_decode, "--format", "nmea", "--as", "ship", input, NULL), CLI_DONE);
    const char *at = text;
    json_t *json = line(&at);
    assert_string_equal(text_in(json, "verdict"), "ok");
    assert_string_equal(text_in(json, "type"), "GGA");
    assert_string_equal(text_in(json, "time"), "12:35:19.000");
    assert_null(json_object_get(json, "text"));
    double lat = json_number_value(json_object_get(json_object_get(json, "channels"), "ship.lat_deg"));
    assert_true(lat > 48.1172999 && lat < 48.1173001);
    json_decref(json);
    json = line(&at);
    assert_string_equal(text_in(json, "verdict"), "bad checksum");
    assert_non_null(strstr(text_in(json, "text"), "*48"));
    assert_null(json_object_get(json, "channels"));
    json_decref(json);
    json_decref(line(&at));
    json = line(&at);
    assert_int_equal(json_integer_value(json_object_get(json, "line")), 4);
    assert_string_equal(text_in(json, "text"), "noise \"with\" \x01 bytes\xef\xbf\xbd");
    json_decref(json);
    assert_null(line(&at));
    assert_int_equal(run(&verb_decode, "--format", "nmea", "--as", "vehicle", input, NULL), CLI_DONE);
    assert_non_null(strstr(text, "\"vehicle.lat_deg\":48.1173"));
}

static void columns_become_channels(void **state)
{
    (void)state;
    static const char lines[] = "# a comment\nCTD;12.5;3.75\nCTD;x;3\nCTD;1\nGYRO;1;2\n";
    write_input(lines, sizeof lines - 1);
    assert_int_equal(run(&verb_decode, "--format", "columns", "--separator", "semicolon", "--prefix", "CTD",
                         "--column", "2=water.temperature_C", "--column", "3=x.raw", input, NULL),
                     CLI_DONE);
    assert_non_null(strstr(
        text,
        "{\"line\":2,\"verdict\":\"ok\",\"channels\":{\"water.temperature_C\":12.5,\"x.raw\":3.75}}\n"));
    assert_non_null(strstr(text, "\"line\":3,\"verdict\":\"not a number\""));
    assert_non_null(strstr(text, "\"line\":4,\"verdict\":\"too short\""));
    assert_non_null(strstr(text, "\"line\":5,\"verdict\":\"passed over\""));
}

static void misuse_of_decode(void **state)
{
    (void)state;
    write_input("", 0);
    assert_int_equal(run(&verb_decode, input, NULL), CLI_USAGE);
    assert_int_equal(run(&verb_decode, "--format", "xml", input, NULL), CLI_USAGE);
    assert_int_equal(run(&verb_decode, "--format", "nmea", "--as", "whale", input, NULL), CLI_USAGE);
    assert_int_equal(run(&verb_decode, "--format", "ltc", "--rate", "29.97", input, NULL), CLI_USAGE);
    assert_int_equal(run(&verb_decode, "--format", "columns", input, NULL), CLI_USAGE);
    assert_int_equal(run(&verb_decode, "--format", "columns", "--column", "2", input, NULL), CLI_USAGE);
    assert_int_equal(run(&verb_decode, "--format", "columns", "--column", "2=no.such_channel", input, NULL),
                     CLI_USAGE);
    assert_int_equal(run(&verb_decode, "--format", "nmea", "/nowhere/at/all", NULL), CLI_FAILED);
    assert_int_equal(run(&verb_decode, "--format", "nmea", input, NULL), CLI_DONE);
    assert_string_equal(text, "");
}

static void is_timecode(const char *what, const char *rate, const char *add, const char *label,
                        json_int_t frame)
{
    assert_int_equal(run(&verb_timecode, what, "--rate", rate, "--add", add, "--json", NULL), CLI_DONE);
    const char *at = text;
    json_t *json = line(&at);
    assert_string_equal(text_in(json, "timecode"), label);
    assert_true(json_integer_value(json_object_get(json, "frame")) == frame);
    json_decref(json);
}

static void timecode_and_frames(void **state)
{
    (void)state;
    is_timecode("1800", "29.97df", "0", "00:01:00;02", 1800);
    is_timecode("17982", "29.97df", "0", "00:10:00;00", 17982);
    is_timecode("00:10:00;00", "29.97df", "-1", "00:09:59;29", 17981);
    is_timecode("23:59:59:24", "25", "1", "00:00:00:00", 0);
    is_timecode("00:00:00:00", "25", "-00:00:00:01", "23:59:59:24", 2159999);
    is_timecode("-1", "25", "0", "23:59:59:24", 2159999);
    is_timecode("01:00:00:00", "59.94ndf", "00:00:01:00", "01:00:01:00", 216060);
    assert_int_equal(run(&verb_timecode, "00:01:00;00", "--rate", "29.97df", NULL), CLI_FAILED);
    assert_int_equal(run(&verb_timecode, "00:00:00:25", "--rate", "25", NULL), CLI_FAILED);
    assert_int_equal(run(&verb_timecode, "whale", "--rate", "25", NULL), CLI_FAILED);
    assert_int_equal(run(&verb_timecode, "9999999999999999999", "--rate", "25", NULL), CLI_FAILED);
    assert_int_equal(run(&verb_timecode, "1", "--rate", "29.97", NULL), CLI_USAGE);
    assert_int_equal(run(&verb_timecode, "1", NULL), CLI_USAGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ltc_at_25),
        cmocka_unit_test(ltc_at_29_97_drop),
        cmocka_unit_test(ltc_of_another_rate_is_said),
        cmocka_unit_test(silence_and_noise_are_no_timecode),
        cmocka_unit_test(sentences_become_values_and_channels),
        cmocka_unit_test(columns_become_channels),
        cmocka_unit_test(misuse_of_decode),
        cmocka_unit_test(timecode_and_frames),
    };
    return cmocka_run_group_tests(tests, setup, teardown);
}
