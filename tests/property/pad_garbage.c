/*
 * Both ends recover from any garbage within one frame: whatever bytes came before, in whatever chunks, the frame that follows is
 * received whole, because it opens with a delimiter of its own. And what was never sent is never received, but for the one in
 * 65,536 that any crc of 16 bits lets through.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <string.h>

#include "bellrope/wire.h"
#include "property/pad_seed.h"

struct inbox {
    struct wire_message last;
    unsigned count;
};

static void collect(void *ctx, const struct wire_message *message)
{
    struct inbox *inbox = ctx;
    inbox->last = *message;
    inbox->count++;
}

static struct wire_message any_message(void)
{
    struct wire_message m = {.type = seed_pick(2) ? WIRE_PRESS : WIRE_PING};
    if (m.type == WIRE_PING) {
        m.u.ping.id = (uint16_t)seed_random();
        return m;
    }
    m.u.press = (struct wire_press){.boot = seed_random(),
                                    .seq = seed_random(),
                                    .tick_us = (uint64_t)(seed_random() & 0xFFFF) << 32 | seed_random(),
                                    .key = (uint8_t)seed_pick(16),
                                    .gesture = WIRE_DOWN};
    return m;
}

/* Random bytes; bytes with many zeros; sound frames cut, with bits flipped, run together; a flood without a delimiter. */
static size_t any_garbage(uint8_t *out, size_t cap)
{
    size_t n = 0;
    unsigned kind = seed_pick(5);
    size_t most = 1 + seed_pick((uint32_t)cap - WIRE_FRAME_MAX - 1);
    if (kind < 3) {
        while (n < most) {
            uint8_t byte = (uint8_t)seed_random();
            out[n++] = kind == 1 && seed_pick(3) == 0 ? 0 : kind == 2 && byte == 0 ? 1 : byte;
        }
        return n;
    }
    while (n < most) {
        struct wire_message m = any_message();
        int length = wire_encode(&m, out + n, WIRE_FRAME_MAX);
        if (kind == 3) {
            out[n + seed_pick((uint32_t)length)] ^= (uint8_t)(1u << seed_pick(8));
            n += (size_t)length;
        } else {
            n += seed_pick((uint32_t)length) + 1u;
        }
    }
    return n;
}

static void feed_in_chunks(struct wire_decoder *decoder, const uint8_t *bytes, size_t n, struct inbox *inbox)
{
    for (size_t at = 0; at < n;) {
        size_t chunk = 1 + seed_pick(64);
        chunk = chunk < n - at ? chunk : n - at;
        wire_decoder_feed(decoder, bytes + at, chunk, collect, inbox);
        at += chunk;
    }
}

static void expect_same(const struct wire_message *a, const struct wire_message *b)
{
    uint8_t x[WIRE_BODY_MAX], y[WIRE_BODY_MAX];
    int n = wire_pack(a, x, sizeof x);
    assert_int_equal(wire_pack(b, y, sizeof y), n);
    assert_memory_equal(x, y, (size_t)n);
}

static void a_good_frame_after_any_garbage_is_received(void **state)
{
    (void)state;
    static uint8_t bytes[2048];
    struct wire_decoder decoder;
    wire_decoder_init(&decoder);
    for (unsigned round = 0; round < 20000; round++) {
        struct inbox inbox = {.count = 0};
        feed_in_chunks(&decoder, bytes, any_garbage(bytes, sizeof bytes), &inbox);
        struct wire_message sent = any_message();
        unsigned before = inbox.count;
        int n = wire_encode(&sent, bytes, sizeof bytes);
        feed_in_chunks(&decoder, bytes, (size_t)n, &inbox);
        assert_true(inbox.count > before);
        expect_same(&inbox.last, &sent);
    }
}

static void noise_makes_no_messages(void **state)
{
    (void)state;
    struct wire_decoder decoder;
    struct inbox inbox = {.count = 0};
    uint8_t chunk[256];
    wire_decoder_init(&decoder);
    for (unsigned i = 0; i < 40000; i++) { /* ten million bytes */
        for (size_t k = 0; k < sizeof chunk; k++) {
            chunk[k] = (uint8_t)(seed_random() >> 9);
        }
        wire_decoder_feed(&decoder, chunk, sizeof chunk, collect, &inbox);
    }
    /* About 40,000 frames between zeros; most are too long or of no known type before the crc is even asked. */
    uint32_t bad = decoder.counters.crc + decoder.counters.cobs + decoder.counters.length;
    assert_true(bad > 30000);
    assert_true(inbox.count <= 3);
}

static void stuffing_is_undone(void **state)
{
    (void)state;
    static uint8_t plain[1100], stuffed[1200], out[1100];
    for (unsigned round = 0; round < 20000; round++) {
        size_t n = seed_pick(3) == 0 ? 250 + seed_pick(12) : seed_pick(1100);
        unsigned zeros = 1 + seed_pick(300);
        for (size_t i = 0; i < n; i++) {
            plain[i] = seed_pick(zeros) == 0 ? 0 : (uint8_t)seed_random();
        }
        int length = wire_cobs_encode(plain, n, stuffed, sizeof stuffed);
        assert_in_range(length, n + 1, n + n / 254 + 1);
        assert_null(memchr(stuffed, 0, (size_t)length));
        assert_int_equal(wire_cobs_decode(stuffed, (size_t)length, out, sizeof out), n);
        assert_memory_equal(out, plain, n);
    }
}

static void any_bytes_unpack_safely(void **state)
{
    (void)state;
    uint8_t bytes[WIRE_BODY_MAX], again[WIRE_BODY_MAX];
    unsigned sound = 0;
    for (unsigned round = 0; round < 200000; round++) {
        struct wire_message message;
        size_t n = seed_pick(sizeof bytes + 1);
        for (size_t i = 0; i < n; i++) {
            bytes[i] = seed_pick(4) == 0 ? 0 : (uint8_t)seed_random();
        }
        bytes[0] = (uint8_t)(seed_pick(2) ? 1 + seed_pick(5) : 0x41 + seed_pick(7));
        if (wire_unpack(bytes, n, &message) == 0) {
            /* What was understood says the same when it is said again. */
            int length = wire_pack(&message, again, sizeof again);
            assert_in_range(length, 1, n);
            assert_memory_equal(again, bytes, (size_t)length);
            sound++;
        }
    }
    assert_true(sound > 50000);
}

int main(void)
{
    seed_begin("pad_garbage");
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_good_frame_after_any_garbage_is_received),
        cmocka_unit_test(noise_makes_no_messages),
        cmocka_unit_test(stuffing_is_undone),
        cmocka_unit_test(any_bytes_unpack_safely),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
