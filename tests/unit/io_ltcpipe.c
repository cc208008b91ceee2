/*
 * Timecode as audio: made by libltc's encoder (the same library's other half; its packed words are published in its
 * header), sent through a fifo or a command, and read back word for word.
 */
#include "io/ltcpipe.h"

#include "core/fields.h"
#include "io/ltcgain.h"

#include <errno.h>
#include <fcntl.h>
#include <ltc.h>
#include <signal.h>
#include <sys/stat.h>

#include "io_bench.h"

enum { RATE_HZ = 48000, FPS = 25, FRAME_SAMPLES = RATE_HZ / FPS, FRAMES = 60 };

static struct ltcpipe *audio;
static char path[128];
static int16_t made[FRAMES * FRAME_SAMPLES];

static int set_up(void **state)
{
    int result = bench_set_up(state);
    snprintf(path, sizeof path, "%s/audio", bench.folder);
    audio = NULL;
    return result;
}

static int tear_down(void **state)
{
    ltcpipe_close(audio);
    audio = NULL;
    int result = bench_tear_down(state);
    if (result != 0) {
        (void)unlink(path);
        result = rmdir(bench.folder);
    }
    return result;
}

static void begin(enum config_audio kind, const char *source)
{
    struct ltcpipe_plan plan = {.kind = kind,
                                .source = source,
                                .folder = bench.folder,
                                .sample_rate_hz = RATE_HZ,
                                .frames_per_s = FPS,
                                .deliver = bench_deliver};
    audio = ltcpipe_new(&bench.loop, &plan);
    assert_non_null(audio);
}

/* 01:02:03:00 and on, at 25 frames a second; `peak` of 32767 is full scale. */
static void make_audio(int peak)
{
    LTCEncoder *encoder = ltc_encoder_create(RATE_HZ, FPS, LTC_TV_625_50, 0);
    SMPTETimecode from = {.hours = 1, .mins = 2, .secs = 3};
    assert_non_null(encoder);
    ltc_encoder_set_timecode(encoder, &from);
    size_t at = 0;
    for (int i = 0; i < FRAMES; i++) {
        ltcsnd_sample_t *samples = NULL;
        ltc_encoder_encode_frame(encoder);
        int len = ltc_encoder_get_bufferptr(encoder, &samples, 1);
        for (int j = 0; j < len && at < FRAMES * FRAME_SAMPLES; j++)
            made[at++] = (int16_t)((samples[j] - 128) * peak / 128);
        ltc_encoder_inc_timecode(encoder);
    }
    assert_int_equal(at, FRAMES * FRAME_SAMPLES);
    ltc_encoder_free(encoder);
}

static int open_writer(void)
{
    for (;;) {
        int fd = open(path, O_WRONLY | O_NONBLOCK | O_CLOEXEC);
        if (fd >= 0)
            return fd;
        assert_int_equal(errno, ENXIO); /* nobody reads yet */
        bench_turn();
    }
}

/* In pieces of an odd number of bytes: samples are cut in two. */
static void write_audio(int fd)
{
    const uint8_t *bytes = (const uint8_t *)made;
    for (size_t at = 0; at < sizeof made;) {
        size_t piece = sizeof made - at < 3001 ? sizeof made - at : 3001;
        ssize_t put = write(fd, bytes + at, piece);
        if (put > 0)
            at += (size_t)put;
        else
            assert_int_equal(errno, EAGAIN);
        bench_turn();
    }
}

static int64_t field_of(int i, const char *name)
{
    struct fields fields;
    int64_t value = -1;
    assert_true(fields_parse(&fields, bench.seen[i].text, strlen(bench.seen[i].text)));
    return fields_int(&fields, name, &value) ? value : -1;
}

static int64_t last_end(void)
{
    int64_t end = 0;
    for (int i = 0; i < bench.count; i++)
        if (bench.seen[i].kind == INPUT_AUDIO && field_of(i, "end") >= 0)
            end = field_of(i, "end");
    return end;
}

static void run_until_end(int64_t samples)
{
    while (last_end() < samples)
        uv_run(&bench.loop, UV_RUN_ONCE);
}

/* Frames, seconds ... of the packed word of frame `n` after 01:02:03:00, its flags (polarity) aside. */
static void assert_word(int i, int n)
{
    struct fields fields;
    char word[LTCPIPE_WORD_SIZE];
    unsigned bytes[10];
    assert_true(fields_parse(&fields, bench.seen[i].text, strlen(bench.seen[i].text)));
    assert_true(fields_text(&fields, "word", word, sizeof word));
    for (int j = 0; j < 10; j++)
        assert_int_equal(sscanf(word + 2 * j, "%2x", &bytes[j]), 1);
    int frames = n % FPS, seconds = 3 + n / FPS;
    assert_int_equal(bytes[0] & 15, frames % 10);
    assert_int_equal(bytes[1] & 3, frames / 10);
    assert_int_equal(bytes[2] & 15, seconds % 10);
    assert_int_equal(bytes[4] & 15, 2);
    assert_int_equal(bytes[6] & 15, 1);
    assert_int_equal(bytes[8], 0xfc);
    assert_int_equal(bytes[9], 0xbf);
}

/* Every word but those at the two ends of the stream, each of a frame's length and in its place. */
static void assert_words(int from)
{
    int words = 0, first = -1;
    int64_t end = 0;
    for (int i = from; i < bench.count; i++) {
        if (bench.seen[i].kind == INPUT_AUDIO && field_of(i, "end") >= 0)
            end = field_of(i, "end");
        if (bench.seen[i].kind != INPUT_LTC)
            continue;
        int64_t start = field_of(i, "start");
        int n = (int)((start + FRAME_SAMPLES / 2) / FRAME_SAMPLES);
        if (first < 0)
            first = n;
        assert_int_equal(n, first + words);
        assert_word(i, n);
        assert_true(llabs(start - (int64_t)n * FRAME_SAMPLES) <= 4);
        assert_true(llabs(field_of(i, "end") - start + 1 - FRAME_SAMPLES) <= 8);
        assert_true(field_of(i, "end") < end + FRAME_SAMPLES / 80); /* its audio was told before it */
        assert_int_equal(field_of(i, "reverse"), 0);
        words++;
    }
    assert_true(first >= 0 && first <= 2);
    assert_true(words >= FRAMES - 4);
}

static void test_words_from_a_fifo(void **state)
{
    (void)state;
    make_audio(25600);
    assert_int_equal(mkfifo(path, 0600), 0);
    begin(CONFIG_AUDIO_FIFO, path);
    int writer = open_writer();
    write_audio(writer);
    run_until_end(FRAMES * FRAME_SAMPLES);
    assert_words(0);

    /* The recorder leaves and comes back: said, and samples begin anew. */
    int from = bench.count;
    close(writer);
    bench_run_until_seen(from + 1);
    assert_int_equal(bench.seen[from].kind, INPUT_AUDIO);
    assert_string_equal(bench.seen[from].text, "op=audio\x1fwhy=the writer closed the fifo");
    bench.count = 0;
    writer = open_writer();
    write_audio(writer);
    run_until_end(FRAMES * FRAME_SAMPLES);
    assert_int_equal(last_end(), FRAMES * FRAME_SAMPLES);
    assert_words(0);
    close(writer);
    (void)unlink(path);
}

static void write_file(void)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, made, sizeof made), sizeof made);
    close(fd);
}

static void test_words_from_a_command(void **state)
{
    (void)state;
    make_audio(25600);
    write_file();
    begin(CONFIG_AUDIO_EXEC, "cat audio"); /* in the folder of the configuration */
    run_until_end(FRAMES * FRAME_SAMPLES);
    assert_words(0);

    /* It ends: said once, and started again by itself. */
    int end = bench.count;
    bench_run_until_seen(end + 1);
    assert_string_equal(bench.seen[end].text, "op=audio\x1fwhy=the command's output ended");
    bench.count = 0;
    run_until_end(FRAMES * FRAME_SAMPLES);
    assert_words(0);
    (void)unlink(path);
}

/* At -60 dB, and from there to nearly full scale and back within one stream: few words are lost where the level leaps. */
static void test_levels(void **state)
{
    (void)state;
    make_audio(33);
    write_file();
    begin(CONFIG_AUDIO_EXEC, "cat audio");
    run_until_end(FRAMES * FRAME_SAMPLES);
    assert_words(0);
    ltcpipe_close(audio);
    bench_run_until_closed();

    make_audio(33);
    for (size_t i = 0; i < FRAMES * FRAME_SAMPLES; i++)
        if (i / (10 * FRAME_SAMPLES) % 2 == 1)
            made[i] = (int16_t)(made[i] * 900);
    (void)unlink(path);
    write_file();
    bench.count = 0;
    begin(CONFIG_AUDIO_EXEC, "cat audio");
    run_until_end(FRAMES * FRAME_SAMPLES);
    int words = 0;
    for (int i = 0; i < bench.count; i++)
        words += bench.seen[i].kind == INPUT_LTC;
    assert_true(words >= FRAMES - 12);
    (void)unlink(path);
}

static void test_gain(void **state)
{
    (void)state;
    struct ltcgain gain = {0};
    short block[480];
    for (int i = 0; i < 480; i++)
        block[i] = (short)(i % 20 < 10 ? 100 : -100);
    ltcgain_apply(&gain, block, 200, 480); /* too short to judge by */
    assert_int_equal(gain.shift, 0);
    ltcgain_apply(&gain, block, 480, 480);
    assert_int_equal(gain.shift, 5);
    assert_int_equal(block[0], 100); /* from the next block on */
    ltcgain_apply(&gain, block, 480, 480);
    assert_int_equal(block[0], 3200);
    assert_int_equal(block[15], -3200);
    for (int i = 0; i < 480; i++)
        block[i] = i % 20 < 10 ? 32767 : -32768;
    ltcgain_apply(&gain, block, 480, 480); /* nothing is ever clipped */
    assert_int_equal(gain.shift, 0);
    assert_int_equal(block[0], 32767);
    assert_int_equal(block[15], -32768);
}

/* A command whose child holds the output: closing leaves neither behind, and the loop waits for the reaping. */
static void test_a_command_is_killed_with_its_children(void **state)
{
    (void)state;
    begin(CONFIG_AUDIO_EXEC, "echo $$ >audio; cat /dev/zero & cat /dev/zero; wait");
    (void)bench_run_until_kind(0, INPUT_AUDIO);
    int pid = 0;
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    assert_int_equal(fscanf(file, "%d", &pid), 1);
    fclose(file);
    assert_int_equal(getsid(pid), pid);
    ltcpipe_close(audio);
    audio = NULL;
    bench_run_until_closed();
    assert_int_equal(kill(pid, 0), -1); /* reaped */
    assert_int_equal(errno, ESRCH);
    (void)unlink(path);
}

static void test_a_command_that_fails(void **state)
{
    (void)state;
    begin(CONFIG_AUDIO_EXEC, "exit 3");
    for (int i = 0; i < 3; i++)
        uv_run(&bench.loop, UV_RUN_ONCE);
    assert_int_equal(bench.count, 0); /* a stream without a sample has no end */
}

static void test_silence_has_no_words(void **state)
{
    (void)state;
    memset(made, 0, sizeof made);
    write_file();
    begin(CONFIG_AUDIO_EXEC, "cat audio");
    run_until_end(FRAMES * FRAME_SAMPLES);
    for (int i = 0; i < bench.count; i++)
        assert_int_equal(bench.seen[i].kind, INPUT_AUDIO);
    (void)unlink(path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_words_from_a_fifo, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_words_from_a_command, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_levels, set_up, tear_down),
        cmocka_unit_test(test_gain),
        cmocka_unit_test_setup_teardown(test_a_command_is_killed_with_its_children, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_command_that_fails, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_silence_has_no_words, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
