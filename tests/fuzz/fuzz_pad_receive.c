/*
 * A pad at the end of a line that carries anything. The first byte chooses: bytes as they are, or bodies to which this harness adds
 * the crc and the framing, so that the messages themselves are reached. Keys go down in between. The pad must stay sound, and whatever
 * it sends must be a good frame.
 */
#include <stdlib.h>
#include <string.h>

#include "pad.h"

static uint8_t memory[1024];
static uint8_t contacts; /* column 0 */
static struct wire_decoder said;

static uint8_t read_column(void *ctx, uint8_t column)
{
    (void)ctx;
    return column == 0 ? contacts : 0;
}

static bool touched(void *ctx, uint64_t *tick_us)
{
    (void)ctx;
    (void)tick_us;
    return contacts != 0;
}

static void count(void *ctx, const struct wire_message *message)
{
    (void)ctx;
    (void)message;
}

static void uart_send(void *ctx, const uint8_t *bytes, uint8_t n)
{
    (void)ctx;
    uint32_t before = said.counters.good;
    wire_decoder_feed(&said, bytes, n, count, NULL);
    if (said.counters.good != before + 1) {
        abort();
    }
}

static bool yes(void *ctx)
{
    (void)ctx;
    return true;
}

static void lamp(void *ctx, enum pad_lamp colour)
{
    (void)ctx;
    if (colour > PAD_LAMP_WHITE) {
        abort();
    }
}

static void sounder(void *ctx, enum pad_tone tone)
{
    (void)ctx;
    (void)tone;
}

static uint8_t eeprom_read(void *ctx, uint16_t address)
{
    (void)ctx;
    if (address >= sizeof memory) {
        abort();
    }
    return memory[address];
}

static void eeprom_write(void *ctx, uint16_t address, uint8_t byte)
{
    (void)ctx;
    if (address >= sizeof memory) {
        abort();
    }
    memory[address] = byte;
}

static const struct pad_board board = {.rows = 4,
                                       .cols = 4,
                                       .read_column = read_column,
                                       .touched = touched,
                                       .uart_send = uart_send,
                                       .uart_idle = yes,
                                       .lamp = lamp,
                                       .sounder = sounder,
                                       .eeprom_bytes = sizeof memory,
                                       .eeprom_ready = yes,
                                       .eeprom_read = eeprom_read,
                                       .eeprom_write = eeprom_write};

/* A pad some turns after power-up, with its memory: every run starts from a copy. */
static struct pad_state fresh_pad;
static uint8_t fresh_memory[sizeof memory];

static void prepare(void)
{
    memset(memory, 0xFF, sizeof memory);
    pad_init(&fresh_pad, &board, "", 7, 0, 0);
    for (uint64_t tick = 0; tick < 20000; tick += 250) {
        pad_run(&fresh_pad, tick);
    }
    memcpy(fresh_memory, memory, sizeof memory);
}

static uint64_t feed(struct pad_state *pad, const uint8_t *bytes, size_t n, uint64_t tick)
{
    for (size_t i = 0; i < n; i++) {
        tick += 87;
        pad_receive(pad, bytes[i], tick);
        if (i % 16 == 15) {
            pad_run(pad, tick);
        }
    }
    return tick;
}

/* One body: a length, then so many bytes. Answers how many bytes of the input it used. */
static size_t feed_body(struct pad_state *pad, const uint8_t *data, size_t size, uint64_t *tick)
{
    uint8_t body[WIRE_BODY_MAX + 2], frame[WIRE_FRAME_MAX + 4];
    size_t n = data[0] % (WIRE_BODY_MAX - 1);
    n = n < size - 1 ? n : size - 1;
    memcpy(body, data + 1, n);
    uint16_t crc = wire_crc(WIRE_CRC_INIT, body, n);
    body[n] = (uint8_t)crc;
    body[n + 1] = (uint8_t)(crc >> 8);
    frame[0] = 0;
    int length = wire_cobs_encode(body, n + 2, frame + 1, sizeof frame - 2);
    frame[length + 1] = 0;
    *tick = feed(pad, frame, (size_t)length + 2, *tick);
    return n + 1;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct pad_state pad;
    uint64_t tick = 20000;

    if (fresh_pad.board == NULL) {
        prepare();
    }
    if (size == 0) {
        return 0;
    }
    pad = fresh_pad;
    memcpy(memory, fresh_memory, sizeof memory);
    wire_decoder_init(&said);
    contacts = data[0] >> 1 & 0x0F;
    if ((data[0] & 1) == 0) {
        tick = feed(&pad, data + 1, size - 1, tick);
    } else {
        for (size_t at = 1; at < size;) {
            at += feed_body(&pad, data + at, size - at, &tick);
            contacts ^= data[0] >> 4;
        }
    }
    for (unsigned i = 0; i < 12; i++) {
        tick += i % 4 == 3 ? 400000 : 1000;
        pad_run(&pad, tick);
    }
    if (pad.queue.count > PAD_QUEUE || pad.queue.offered > pad.queue.front ||
        pad.queue.front > pad.queue.count || (pad.serial[0] != '\0' && !wire_serial_valid(pad.serial)) ||
        pad.keys_set.chord_us > pad.keys_set.hold_us / 2) {
        abort();
    }
    return 0;
}
