/* Tapes: what was written is read; torn, damaged, foreign and later ones are told apart. */
#include "io/tape.h"

#include "core/crc.h"

#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

enum { HEADER = 16, FRAME = 24 /* a record without its bytes */ };

static char folder[64], path[96];
static char error[256];

static int set_up(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/bellrope-io-tape-XXXXXX");
    if (mkdtemp(folder) == NULL)
        return -1;
    snprintf(path, sizeof path, "%s/tape", folder);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    (void)unlink(path);
    return rmdir(folder);
}

static struct tape_writer *open_well(void)
{
    struct tape_writer *tape = tape_open(path, error, sizeof error);
    if (tape == NULL)
        fail_msg("%s", error);
    return tape;
}

static struct tape_reader *read_well(void)
{
    struct tape_reader *reader = tape_reader_open(path, error, sizeof error);
    if (reader == NULL)
        fail_msg("%s", error);
    return reader;
}

static void write_text(struct tape_writer *tape, enum tape_kind kind, int source, int64_t at_ns,
                       const char *text)
{
    tape_write(tape, kind, source, (mono_ns){at_ns}, text, strlen(text));
}

static void assert_next(struct tape_reader *reader, enum tape_kind kind, int source, int64_t at_ns,
                        const char *text)
{
    struct tape_record record;
    assert_true(tape_reader_next(reader, &record));
    assert_int_equal(record.kind, kind);
    assert_int_equal(record.source, source);
    assert_int_equal(record.at.ns, at_ns);
    assert_int_equal(record.len, strlen(text));
    assert_memory_equal(record.bytes, text, record.len);
}

static void assert_end(struct tape_reader *reader)
{
    struct tape_record record;
    assert_false(tape_reader_next(reader, &record));
    assert_false(tape_reader_next(reader, &record));
}

static long file_size(void)
{
    struct stat info;
    assert_int_equal(stat(path, &info), 0);
    return (long)info.st_size;
}

static void change_byte(long at, uint8_t by)
{
    uint8_t byte = 0;
    int fd = open(path, O_RDWR);
    assert_true(fd >= 0);
    assert_int_equal(pread(fd, &byte, 1, at), 1);
    byte ^= by;
    assert_int_equal(pwrite(fd, &byte, 1, at), 1);
    close(fd);
}

/* The check value that goes with the published parameters of CRC-32C, and the empty and one-byte cases. */
static void test_crc(void **state)
{
    (void)state;
    assert_int_equal(crc_castagnoli(0, "123456789", 9), 0xe3069283);
    assert_int_equal(crc_castagnoli(0, "\0", 1), 0x527d5351);
    assert_int_equal(crc_castagnoli(0, "A", 1), 0xe16dcdee);
    assert_int_equal(crc_castagnoli(0, "", 0), 0);
    assert_int_equal(crc_castagnoli(crc_castagnoli(0, "1234", 4), "56789", 5), 0xe3069283);
}

static void test_round_trip(void **state)
{
    (void)state;
    struct tape_writer *tape = open_well();
    assert_false(tape_is_dirty(tape));
    write_text(tape, TAPE_BEGIN, 0, 1, "op=begin");
    assert_true(tape_is_dirty(tape));
    tape_flush(tape);
    assert_false(tape_is_dirty(tape));
    for (int kind = TAPE_TICK; kind <= TAPE_RESTORE; kind++)
        write_text(tape, (enum tape_kind)kind, kind - 5, INT64_C(1) << (kind * 4), "x=y");
    write_text(tape, TAPE_TICK, 0, INT64_MAX, "");
    assert_int_equal(tape_close(tape), 0);

    struct tape_reader *reader = read_well();
    assert_next(reader, TAPE_BEGIN, 0, 1, "op=begin");
    for (int kind = TAPE_TICK; kind <= TAPE_RESTORE; kind++)
        assert_next(reader, (enum tape_kind)kind, kind - 5, INT64_C(1) << (kind * 4), "x=y");
    assert_next(reader, TAPE_TICK, 0, INT64_MAX, "");
    assert_end(reader);
    const struct tape_damage *damage = tape_reader_damage(reader);
    assert_int_equal(damage->places + damage->bytes + damage->torn_bytes + damage->unknown_kinds, 0);
    assert_int_equal(damage->first_offset, -1);
    tape_reader_close(reader);
}

/* The bytes of version 1, spelt out: a later program must go on reading them. */
static void test_layout_of_version_1(void **state)
{
    (void)state;
    static const uint8_t expected[] = {'B',  'E',  'L',  'L',  'T',  'A',  'P',  'E',  1, 0, 0,   0,    0,
                                       0,    0,    0,    0x7a, 0xb3, 0x05, 0xa5, 0x02, 0, 0, 0,   0x08, 0x07,
                                       0x06, 0x05, 0x04, 0x03, 0x02, 0x01, 3,    0,    0, 0, '$', 'G',  'P'};
    struct tape_writer *tape = open_well();
    tape_write(tape, TAPE_FEED, 2, (mono_ns){INT64_C(0x0102030405060708)}, "$GP", 3);
    assert_int_equal(tape_close(tape), 0);
    uint8_t bytes[64];
    int fd = open(path, O_RDONLY);
    ssize_t got = read(fd, bytes, sizeof bytes);
    close(fd);
    assert_int_equal(got, sizeof expected + 4);
    assert_memory_equal(bytes, expected, sizeof expected);
    uint32_t crc = crc_castagnoli(0, expected + HEADER, sizeof expected - HEADER);
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(bytes[sizeof expected + i], (uint8_t)(crc >> 8 * i));
}

static void test_every_input_kind_has_a_number_of_its_own(void **state)
{
    (void)state;
    for (int i = 0; i < INPUT_KINDS; i++) {
        enum input_kind back;
        enum tape_kind kind = tape_kind_of((enum input_kind)i);
        assert_true(tape_input_kind(kind, &back));
        assert_int_equal(back, i);
        assert_non_null(tape_kind_name(kind));
    }
    enum input_kind none;
    assert_false(tape_input_kind(TAPE_BEGIN, &none));
    assert_null(tape_kind_name((enum tape_kind)200));
}

static void test_runs_are_appended(void **state)
{
    (void)state;
    for (int run = 0; run < 3; run++) {
        struct tape_writer *tape = open_well();
        write_text(tape, TAPE_BEGIN, 0, run, "op=begin");
        write_text(tape, TAPE_END, 0, run, "op=end");
        assert_int_equal(tape_close(tape), 0);
    }
    struct tape_reader *reader = read_well();
    for (int run = 0; run < 3; run++) {
        assert_next(reader, TAPE_BEGIN, 0, run, "op=begin");
        assert_next(reader, TAPE_END, 0, run, "op=end");
    }
    assert_end(reader);
    tape_reader_close(reader);
}

/* Cut at every byte: the records before the cut are there, and the cut is no error. */
static void test_torn_at_every_byte(void **state)
{
    (void)state;
    static const char *const texts[] = {"first", "second one", ""};
    struct tape_writer *tape = open_well();
    for (int i = 0; i < 3; i++)
        write_text(tape, TAPE_FEED, i, i, texts[i]);
    assert_int_equal(tape_close(tape), 0);
    for (long cut = file_size(); cut >= HEADER; cut--) {
        assert_int_equal(truncate(path, cut), 0);
        struct tape_reader *reader = read_well();
        long at = HEADER;
        for (int i = 0; i < 3; i++) {
            long len = FRAME + (long)strlen(texts[i]);
            if (at + len > cut)
                break;
            assert_next(reader, TAPE_FEED, i, i, texts[i]);
            at += len;
        }
        assert_end(reader);
        assert_int_equal(tape_reader_damage(reader)->torn_bytes, cut - at);
        assert_int_equal(tape_reader_damage(reader)->places, 0);
        tape_reader_close(reader);
    }
    assert_int_equal(truncate(path, HEADER - 1), 0);
    assert_null(tape_reader_open(path, error, sizeof error));
    assert_string_equal(error, "is no Bellrope tape");
}

/* A daemon that was killed left half a record; the next run's records behind it are all found. */
static void test_a_run_behind_a_torn_record(void **state)
{
    (void)state;
    struct tape_writer *tape = open_well();
    write_text(tape, TAPE_FEED, 0, 1, "whole");
    write_text(tape, TAPE_FEED, 0, 2, "this one is cut");
    assert_int_equal(tape_close(tape), 0);
    assert_int_equal(truncate(path, file_size() - 9), 0);
    tape = open_well();
    write_text(tape, TAPE_BEGIN, 0, 3, "op=begin");
    assert_int_equal(tape_close(tape), 0);

    struct tape_reader *reader = read_well();
    assert_next(reader, TAPE_FEED, 0, 1, "whole");
    assert_next(reader, TAPE_BEGIN, 0, 3, "op=begin");
    assert_end(reader);
    assert_int_equal(tape_reader_damage(reader)->places, 1);
    assert_int_equal(tape_reader_damage(reader)->bytes, FRAME + 15 - 9);
    assert_int_equal(tape_reader_damage(reader)->first_offset, HEADER + FRAME + 5);
    tape_reader_close(reader);
}

/* Any one byte changed, anywhere: only the record it belongs to is lost, and the loss is counted. */
static void test_any_byte_damaged(void **state)
{
    (void)state;
    static const char *const texts[] = {"alpha", "a longer text in the middle", "omega"};
    struct tape_writer *tape = open_well();
    for (int i = 0; i < 3; i++)
        write_text(tape, TAPE_FEED, i, i, texts[i]);
    assert_int_equal(tape_close(tape), 0);
    long start = HEADER;
    for (int hit = 0; hit < 2; hit++) {
        long len = FRAME + (long)strlen(texts[hit]);
        for (long at = start; at < start + len; at++) {
            change_byte(at, 0x41);
            struct tape_reader *reader = read_well();
            for (int i = 0; i < 3; i++)
                if (i != hit)
                    assert_next(reader, TAPE_FEED, i, i, texts[i]);
            assert_end(reader);
            assert_int_equal(tape_reader_damage(reader)->places, 1);
            assert_int_equal(tape_reader_damage(reader)->bytes, len);
            assert_int_equal(tape_reader_damage(reader)->first_offset, start);
            tape_reader_close(reader);
            change_byte(at, 0x41);
        }
        start += len;
    }
}

static void test_kinds_of_a_later_program_are_passed_over(void **state)
{
    (void)state;
    struct tape_writer *tape = open_well();
    write_text(tape, (enum tape_kind)99, 0, 1, "news");
    write_text(tape, TAPE_FEED, 0, 2, "known");
    assert_int_equal(tape_close(tape), 0);
    struct tape_reader *reader = read_well();
    assert_next(reader, TAPE_FEED, 0, 2, "known");
    assert_end(reader);
    assert_int_equal(tape_reader_damage(reader)->unknown_kinds, 1);
    assert_int_equal(tape_reader_damage(reader)->places, 0);
    tape_reader_close(reader);
}

static void test_large_and_many(void **state)
{
    (void)state;
    static uint8_t large[TAPE_BYTES_MAX];
    for (size_t i = 0; i < sizeof large; i++)
        large[i] = (uint8_t)(i * 7 + i / 251);
    struct tape_writer *tape = open_well();
    for (int i = 0; i < 3; i++) {
        tape_write(tape, TAPE_CONFIG, i, (mono_ns){i}, large, sizeof large - (size_t)i);
        for (int j = 0; j < 1000; j++)
            write_text(tape, TAPE_FEED, j, j, "$GPZDA,201530.00,04,07,2002,00,00*60\r\n");
    }
    assert_int_equal(tape_close(tape), 0);
    struct tape_reader *reader = read_well();
    for (int i = 0; i < 3; i++) {
        struct tape_record record;
        assert_true(tape_reader_next(reader, &record));
        assert_int_equal(record.len, sizeof large - (size_t)i);
        assert_memory_equal(record.bytes, large, record.len);
        for (int j = 0; j < 1000; j++)
            assert_next(reader, TAPE_FEED, j, j, "$GPZDA,201530.00,04,07,2002,00,00*60\r\n");
    }
    assert_end(reader);
    tape_reader_close(reader);
}

/* A second writer, a foreign file, a later version: refused, and the file left as it is. */
static void test_refusals(void **state)
{
    (void)state;
    struct tape_writer *tape = open_well();
    assert_null(tape_open(path, error, sizeof error));
    assert_string_equal(error, "is written by another program");
    assert_int_equal(tape_close(tape), 0);

    change_byte(8, 3); /* version 2 */
    long size = file_size();
    assert_null(tape_open(path, error, sizeof error));
    assert_string_equal(error, "is a tape of version 2; this program reads version 1");
    assert_null(tape_reader_open(path, error, sizeof error));
    assert_string_equal(error, "is a tape of version 2; this program reads version 1");
    assert_int_equal(file_size(), size);

    change_byte(0, 1);
    assert_null(tape_open(path, error, sizeof error));
    assert_string_equal(error, "is no Bellrope tape");
    assert_null(tape_open("/nowhere/tape", error, sizeof error));
    assert_string_equal(error, "cannot be opened: No such file or directory");
    assert_null(tape_reader_open("/nowhere/tape", error, sizeof error));
    assert_string_equal(error, "cannot be opened: No such file or directory");
}

/* A file that may not grow stands for a full disk: told, the rest is not written, and what is there reads well. */
static void test_a_full_disk(void **state)
{
    (void)state;
    struct rlimit old, small = {.rlim_cur = 400, .rlim_max = RLIM_INFINITY};
    struct sigaction ignore = {.sa_handler = SIG_IGN}, before;
    assert_int_equal(sigaction(SIGXFSZ, &ignore, &before), 0);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
    small.rlim_max = old.rlim_max;
    struct tape_writer *tape = open_well();
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    for (int i = 0; i < 100; i++)
        write_text(tape, TAPE_FEED, 0, i, "some bytes");
    int failure = tape_close(tape);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &old), 0);
    assert_int_equal(sigaction(SIGXFSZ, &before, NULL), 0);
    assert_int_equal(failure, EFBIG);
    struct tape_reader *reader = read_well();
    for (int i = 0; i < (400 - HEADER) / (FRAME + 10); i++)
        assert_next(reader, TAPE_FEED, 0, i, "some bytes");
    assert_end(reader);
    tape_reader_close(reader);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_crc),
        cmocka_unit_test_setup_teardown(test_round_trip, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_layout_of_version_1, set_up, tear_down),
        cmocka_unit_test(test_every_input_kind_has_a_number_of_its_own),
        cmocka_unit_test_setup_teardown(test_runs_are_appended, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_torn_at_every_byte, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_run_behind_a_torn_record, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_any_byte_damaged, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_kinds_of_a_later_program_are_passed_over, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_large_and_many, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_refusals, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_full_disk, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
