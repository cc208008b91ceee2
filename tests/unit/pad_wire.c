/*
 * The wire format against published values.
 *
 * CRC-16/IBM-3740: check value 29B1 (catalogue of parametrised CRC algorithms; the Debian libraries crccheck and crcmod agree).
 * COBS: vectors after Cheshire & Baker, IEEE/ACM Transactions on Networking 7(2), 1999; those for empty, 00, 0000, 001100,
 * 11220033, 11223344, 11000000 and 01..FF were also made with the npm package `cobs`.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "bellrope/wire.h"

static void crc_has_the_published_check_value(void **state)
{
    (void)state;
    static const uint8_t zero = 0x00, letter = 0x41;
    assert_int_equal(wire_crc(WIRE_CRC_INIT, (const uint8_t *)"123456789", 9), 0x29B1);
    assert_int_equal(wire_crc(WIRE_CRC_INIT, &zero, 1), 0xE1F0);
    assert_int_equal(wire_crc(WIRE_CRC_INIT, &letter, 1), 0xB915);
    /* In pieces as in one. */
    uint16_t crc = wire_crc(WIRE_CRC_INIT, (const uint8_t *)"1234", 4);
    assert_int_equal(wire_crc(crc, (const uint8_t *)"56789", 5), 0x29B1);
    /* Its own crc appended with the high byte first leaves 0. */
    assert_int_equal(wire_crc(WIRE_CRC_INIT, (const uint8_t *)"123456789\x29\xB1", 11), 0);
}

static size_t unhex(const char *hex, uint8_t *out)
{
    size_t n = 0;
    for (; *hex != '\0'; hex += 2) {
        unsigned value = 0;
        assert_int_equal(sscanf(hex, "%2x", &value), 1);
        out[n++] = (uint8_t)value;
    }
    return n;
}

/* Bytes in hex, then a run first, first + 1 ... of `count` bytes, then bytes in hex. */
static size_t expand(const char *head, unsigned first, unsigned count, const char *tail, uint8_t *out)
{
    size_t n = unhex(head, out);
    for (unsigned i = 0; i < count; i++) {
        out[n++] = (uint8_t)(first + i);
    }
    return n + unhex(tail, out + n);
}

static void check_cobs(const uint8_t *plain, size_t plain_n, const uint8_t *stuffed, size_t stuffed_n)
{
    uint8_t out[300];
    assert_int_equal(wire_cobs_encode(plain, plain_n, out, sizeof out), stuffed_n);
    assert_memory_equal(out, stuffed, stuffed_n);
    assert_int_equal(wire_cobs_decode(stuffed, stuffed_n, out, sizeof out), plain_n);
    assert_memory_equal(out, plain, plain_n);
    /* Exactly enough room is enough; one byte less is refused. */
    assert_int_equal(wire_cobs_decode(stuffed, stuffed_n, out, plain_n), plain_n);
    if (plain_n > 0) {
        assert_int_equal(wire_cobs_decode(stuffed, stuffed_n, out, plain_n - 1), WIRE_ERR_LENGTH);
    }
}

static void cobs_gives_the_published_texts(void **state)
{
    (void)state;
    static const char *const vectors[][2] = {
        {"", "01"},
        {"00", "0101"},
        {"0000", "010101"},
        {"001100", "01021101"},
        {"11220033", "0311220233"},
        {"11223344", "0511223344"},
        {"11000000", "0211010101"},
        {"31323334353637383929B1", "0C31323334353637383929B1"},
    };
    uint8_t plain[300], stuffed[300];
    for (size_t i = 0; i < sizeof vectors / sizeof vectors[0]; i++) {
        size_t plain_n = unhex(vectors[i][0], plain);
        check_cobs(plain, plain_n, stuffed, unhex(vectors[i][1], stuffed));
    }
    check_cobs(plain, expand("", 1, 254, "", plain), stuffed, expand("FF", 1, 254, "", stuffed));
    check_cobs(plain, expand("", 0, 255, "", plain), stuffed, expand("01FF", 1, 254, "", stuffed));
    check_cobs(plain, expand("", 1, 255, "", plain), stuffed, expand("FF", 1, 254, "02FF", stuffed));
    check_cobs(plain, expand("", 2, 254, "00", plain), stuffed, expand("FF", 2, 254, "0101", stuffed));
    check_cobs(plain, expand("", 3, 253, "0001", plain), stuffed, expand("FE", 3, 253, "0201", stuffed));
}

static void cobs_takes_the_redundant_block_some_encoders_add(void **state)
{
    (void)state;
    uint8_t plain[300], stuffed[300], out[300];
    size_t plain_n = expand("", 1, 254, "", plain);
    size_t stuffed_n = expand("FF", 1, 254, "01", stuffed);
    assert_int_equal(wire_cobs_decode(stuffed, stuffed_n, out, sizeof out), plain_n);
    assert_memory_equal(out, plain, plain_n);
}

static void cobs_refuses_what_is_none(void **state)
{
    (void)state;
    uint8_t out[16];
    static const uint8_t past_end[] = {0x05, 0x11, 0x22};
    static const uint8_t zero_code[] = {0x02, 0x11, 0x00, 0x11};
    static const uint8_t zero_inside[] = {0x04, 0x11, 0x00, 0x11};
    assert_int_equal(wire_cobs_decode(past_end, sizeof past_end, out, sizeof out), WIRE_ERR_COBS);
    assert_int_equal(wire_cobs_decode(zero_code, sizeof zero_code, out, sizeof out), WIRE_ERR_COBS);
    assert_int_equal(wire_cobs_decode(zero_inside, sizeof zero_inside, out, sizeof out), WIRE_ERR_COBS);
    assert_int_equal(wire_cobs_encode(past_end, 3, out, 3), WIRE_ERR_LENGTH);
}

/* ---- messages ---- */

static const struct wire_message samples[] = {
    {WIRE_HELLO, {.hello = {1, 0x51, 0x0203, 0x89ABCDEF, 1000000, 4, 4, 16, 24, 3, "P-03"}}},
    {WIRE_PRESS,
     {.press = {0x01020304, 0xFFFFFFFF, UINT64_C(0xFEDCBA987654), 0x1234, 0xFFFF, 15, WIRE_HOLD, 0xFFFFFFFE,
                255}}},
    {WIRE_PONG, {.pong = {0xBEEF, 0x01020304, UINT64_C(0x0000FFFFFFFF), UINT64_C(0x000100000000), 7, 0x0F}}},
    {WIRE_FAULT, {.fault = {WIRE_FAULT_GHOST, 9, 1, 77, 123456789, 3}}},
    {WIRE_FLASHED, {.flashed = {4711, 78, UINT64_C(0x123456789ABC), 400}}},
    {WIRE_ASK_HELLO, {.ask_hello = {1}}},
    {WIRE_PING, {.ping = {0x00FF}}},
    {WIRE_KEPT, {.kept = {0x01020304, 17, WIRE_RESULT_STRUCK}}},
    {WIRE_LAMP, {.lamp = {WIRE_CUE_IDENTIFY, 3000}}},
    {WIRE_SERIAL_SET, {.serial_set = {"ABCDEFGHIJKLMNO"}}},
    {WIRE_FLASH, {.flash = {4711, 500}}},
    {WIRE_SETTINGS, {.settings = {20, 600, 100, 1500, 2}}},
};

enum { SAMPLES = sizeof samples / sizeof samples[0] };

struct inbox {
    struct wire_message message[8];
    unsigned count;
};

static void collect(void *ctx, const struct wire_message *message)
{
    struct inbox *inbox = ctx;
    if (inbox->count < 8) {
        inbox->message[inbox->count] = *message;
    }
    inbox->count++;
}

/* Structs have padding: two messages are equal when they pack to the same bytes. */
static void expect_same(const struct wire_message *a, const struct wire_message *b)
{
    uint8_t x[WIRE_BODY_MAX], y[WIRE_BODY_MAX];
    int n = wire_pack(a, x, sizeof x);
    assert_true(n > 0);
    assert_int_equal(wire_pack(b, y, sizeof y), n);
    assert_memory_equal(x, y, (size_t)n);
}

static void every_message_survives_the_wire(void **state)
{
    (void)state;
    for (unsigned i = 0; i < SAMPLES; i++) {
        uint8_t frame[WIRE_FRAME_MAX];
        struct wire_decoder decoder;
        struct inbox inbox = {.count = 0};
        int n = wire_encode(&samples[i], frame, sizeof frame);
        assert_int_equal(n, wire_frame_bytes(samples[i].type));
        assert_int_equal(frame[0], 0);
        assert_int_equal(frame[n - 1], 0);
        assert_null(memchr(frame + 1, 0, (size_t)n - 2));
        wire_decoder_init(&decoder);
        for (int k = 0; k < n; k++) { /* in the smallest chunks there are */
            wire_decoder_feed(&decoder, frame + k, 1, collect, &inbox);
        }
        assert_int_equal(inbox.count, 1);
        expect_same(&inbox.message[0], &samples[i]);
        assert_int_equal(decoder.counters.good, 1);
        assert_string_not_equal(wire_type_name(samples[i].type), "unknown");
        for (int cap = 0; cap < n; cap++) {
            assert_int_equal(wire_encode(&samples[i], frame, (size_t)cap), WIRE_ERR_LENGTH);
        }
    }
}

/* Written out by hand from docs/protocol.md, so that the format cannot change unseen. */
static void a_press_has_these_bytes(void **state)
{
    (void)state;
    static const struct wire_message press = {
        WIRE_PRESS, {.press = {0x00000102, 3, UINT64_C(0x0005F5E100), 10, 0, 5, WIRE_DOWN, 0, 1}}};
    static const uint8_t body[] = {0x02, 0x02, 0x01, 0x00, 0x00, 0x03, 0x00, 0x00, 0x00,
                                   0x00, 0xE1, 0xF5, 0x05, 0x00, 0x00, 0x0A, 0x00, 0x00,
                                   0x00, 0x05, 0x01, 0x00, 0x00, 0x00, 0x00, 0x01};
    uint8_t packed[WIRE_BODY_MAX];
    assert_int_equal(wire_pack(&press, packed, sizeof packed), sizeof body);
    assert_memory_equal(packed, body, sizeof body);
}

static int frame_of(const uint8_t *body, size_t n, uint8_t *frame)
{
    uint8_t whole[300];
    memcpy(whole, body, n);
    uint16_t crc = wire_crc(WIRE_CRC_INIT, body, n);
    whole[n] = (uint8_t)crc;
    whole[n + 1] = (uint8_t)(crc >> 8);
    int stuffed = wire_cobs_encode(whole, n + 2, frame + 1, 298);
    frame[0] = frame[stuffed + 1] = 0;
    return stuffed + 2;
}

static struct wire_counters feed_body(const uint8_t *body, size_t n, struct inbox *inbox)
{
    struct wire_decoder decoder;
    uint8_t frame[310];
    wire_decoder_init(&decoder);
    int length = frame_of(body, n, frame);
    wire_decoder_feed(&decoder, frame, (size_t)length, collect, inbox);
    return decoder.counters;
}

static void later_versions_may_add_fields_and_types(void **state)
{
    (void)state;
    struct inbox inbox = {.count = 0};
    static const uint8_t longer[] = {WIRE_PING, 0x34, 0x12, 0xAA, 0xBB};
    static const uint8_t newer[] = {0x3F, 1, 2, 3};
    static const uint8_t shorter[] = {WIRE_PING, 0x34};
    assert_int_equal(feed_body(longer, sizeof longer, &inbox).good, 1);
    assert_int_equal(inbox.message[0].u.ping.id, 0x1234);
    assert_int_equal(feed_body(newer, sizeof newer, &inbox).unknown, 1);
    assert_int_equal(feed_body(shorter, sizeof shorter, &inbox).length, 1);
    assert_int_equal(inbox.count, 1);
}

static void damage_is_counted_by_kind(void **state)
{
    (void)state;
    struct inbox inbox = {.count = 0};
    struct wire_decoder decoder;
    uint8_t frame[WIRE_FRAME_MAX];
    uint8_t flood[500];
    int n = wire_encode(&samples[1], frame, sizeof frame);

    wire_decoder_init(&decoder);
    frame[9] ^= 0x40;
    wire_decoder_feed(&decoder, frame, (size_t)n, collect, &inbox);
    assert_int_equal(decoder.counters.crc + decoder.counters.cobs, 1);

    static const uint8_t torn[] = {0x00, 0x09, 0x11, 0x22, 0x00};
    wire_decoder_init(&decoder);
    wire_decoder_feed(&decoder, torn, sizeof torn, collect, &inbox);
    assert_int_equal(decoder.counters.cobs, 1);

    static const uint8_t empty[] = {0x00, 0x00, 0x00, 0x01, 0x00};
    wire_decoder_init(&decoder);
    wire_decoder_feed(&decoder, empty, sizeof empty, collect, &inbox);
    assert_int_equal(decoder.counters.crc, 1); /* silence is not counted; a frame without a crc is */

    memset(flood, 0x55, sizeof flood);
    wire_decoder_init(&decoder);
    wire_decoder_feed(&decoder, flood, sizeof flood, collect, &inbox);
    wire_decoder_feed(&decoder, torn, 1, collect, &inbox);
    assert_int_equal(decoder.counters.length, 1);

    static const uint8_t serial[] = {WIRE_SERIAL_SET, 'A', 0, 'B', 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0};
    static const uint8_t slash[] = {WIRE_SERIAL_SET, 'A', '/', 'B', 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0};
    assert_int_equal(feed_body(serial, sizeof serial, &inbox).value, 1);
    assert_int_equal(feed_body(slash, sizeof slash, &inbox).value, 1);
    assert_int_equal(inbox.count, 0);
}

static void bad_requests_are_refused(void **state)
{
    (void)state;
    uint8_t frame[WIRE_FRAME_MAX];
    struct wire_message bad = {.type = 0x99};
    assert_int_equal(wire_encode(&bad, frame, sizeof frame), WIRE_ERR_TYPE);
    assert_int_equal(wire_frame_bytes(0x99), 0);
    bad = (struct wire_message){.type = WIRE_SERIAL_SET, .u.serial_set.serial = "P 3"};
    assert_int_equal(wire_encode(&bad, frame, sizeof frame), WIRE_ERR_VALUE);
    assert_int_equal(wire_unpack(frame, 0, &bad), WIRE_ERR_LENGTH);
    assert_string_equal(wire_type_name(0x99), "unknown");
    assert_string_equal(wire_gesture_name(9), "unknown");
    assert_string_equal(wire_result_name(9), "unknown");
    assert_string_equal(wire_fault_name(9), "unknown");
}

static void keys_have_names(void **state)
{
    (void)state;
    char name[4];
    for (uint8_t cols = 1; cols <= 12; cols++) {
        for (uint8_t index = 0; index / cols < 8; index++) {
            assert_true(wire_key_name(index, cols, name));
            assert_int_equal(wire_key_index(name, 8, cols), index);
        }
    }
    assert_true(wire_key_name(5, 4, name));
    assert_string_equal(name, "B2");
    static const char *const bad[] = {"",    "A",    "A0", "a1", "A5",         "E1",
                                      "A1x", "A100", "1A", "AA", "A4294967297"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_int_equal(wire_key_index(bad[i], 4, 4), WIRE_NO_KEY);
    }
    assert_false(wire_key_name(0, 0, name));
    assert_false(wire_key_name(26, 1, name));
}

static void serials_have_rules(void **state)
{
    (void)state;
    assert_true(wire_serial_valid("P-03"));
    assert_true(wire_serial_valid("ABCDEFGHIJKLMNO"));
    assert_false(wire_serial_valid("ABCDEFGHIJKLMNOP"));
    assert_false(wire_serial_valid(""));
    assert_false(wire_serial_valid("P 03"));
    assert_false(wire_serial_valid("P\xC3\xA9"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(crc_has_the_published_check_value),
        cmocka_unit_test(cobs_gives_the_published_texts),
        cmocka_unit_test(cobs_takes_the_redundant_block_some_encoders_add),
        cmocka_unit_test(cobs_refuses_what_is_none),
        cmocka_unit_test(every_message_survives_the_wire),
        cmocka_unit_test(a_press_has_these_bytes),
        cmocka_unit_test(later_versions_may_add_fields_and_types),
        cmocka_unit_test(damage_is_counted_by_kind),
        cmocka_unit_test(bad_requests_are_refused),
        cmocka_unit_test(keys_have_names),
        cmocka_unit_test(serials_have_rules),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
