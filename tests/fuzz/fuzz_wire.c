/* The decoder and the field code on any bytes: nothing is read or written out of bounds, and what is understood packs to itself. */
#include <stdlib.h>
#include <string.h>

#include "bellrope/wire.h"

static void check(void *ctx, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    size_t *count = ctx;
    int n = wire_encode(message, frame, sizeof frame);
    if (n < 0 || (size_t)n != wire_frame_bytes(message->type)) {
        abort();
    }
    ++*count;
}

/* The decoder must count every frame once, whichever way it went. */
static uint32_t all(const struct wire_counters *c)
{
    return c->good + c->crc + c->cobs + c->length + c->value + c->unknown;
}

static size_t frames_in(const uint8_t *bytes, size_t n)
{
    size_t frames = 0;
    for (size_t i = 1; i < n; i++) {
        frames += bytes[i] == 0 && bytes[i - 1] != 0;
    }
    return frames;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static uint8_t stuffed[4096 + 32], back[4096];
    struct wire_decoder whole, bytewise;
    struct wire_message message;
    size_t got_whole = 0, got_bytewise = 0;

    wire_decoder_init(&whole);
    wire_decoder_init(&bytewise);
    wire_decoder_feed(&whole, data, size, check, &got_whole);
    for (size_t i = 0; i < size; i++) {
        wire_decoder_feed(&bytewise, data + i, 1, check, &got_bytewise);
    }
    if (got_whole != got_bytewise || all(&whole.counters) != frames_in(data, size)) {
        abort();
    }
    if (wire_unpack(data, size, &message) == 0) {
        check(&got_whole, &message);
    }
    if (size <= sizeof back) {
        int n = wire_cobs_encode(data, size, stuffed, sizeof stuffed);
        if (n < 0 || wire_cobs_decode(stuffed, (size_t)n, back, size) != (int)size ||
            memcmp(back, data, size) != 0) {
            abort();
        }
        (void)wire_cobs_decode(data, size, back, sizeof back);
    }
    return 0;
}
