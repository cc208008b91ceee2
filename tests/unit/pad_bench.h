/*
 * pad_bench: a keypad on the bench. Contacts that follow a script, a matrix with its ghosts, a line with a speed and with losses, an
 * EEPROM that takes its time, and a host that keeps what it gets. Time is a number; nothing waits.
 *
 * The loop's turns come either evenly or by fits and starts; the same script must give the same presses under both.
 */
#ifndef PAD_BENCH_H
#define PAD_BENCH_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "pad.h"

enum {
    BENCH_KEYS = 16,
    BENCH_EDGES = 65536,
    BENCH_PRESSES = 16384,
    BENCH_BYTE_US = 87, /* 10 bits at 115200 baud */
    BENCH_EEPROM = 1024,
    BENCH_WRITE_US =
        3400, /* erase and write of one byte, ATmega328P data sheet, table of EEPROM programming time */
    BENCH_LINE = 4096,
};

struct bench_edge {
    uint64_t tick_us;
    uint8_t key;
    bool closed;
};

struct bench_got {
    struct wire_press press;
    unsigned arrivals;
    uint64_t first_us; /* when it first came */
};

struct bench_line {
    uint8_t byte[BENCH_LINE];
    uint64_t due_us[BENCH_LINE];
    unsigned head, tail;
    uint64_t free_us;
};

struct bench {
    struct pad_state pad;
    struct pad_board board;
    uint64_t now_us;
    uint32_t random;
    uint32_t period_us; /* between two turns of the loop */
    bool jumpy;         /* turns come after a tenth to five times the period */

    struct bench_edge *edge;
    unsigned edges, edge_at;
    bool contact[BENCH_KEYS];
    bool touch_set;
    uint64_t touch_us;
    bool moved; /* since the end of the last scan */

    struct bench_line to_host, to_pad;
    bool connected;
    unsigned lose_per_mille; /* of frames, each way: dropped, cut or with a byte spoilt */

    uint8_t eeprom[BENCH_EEPROM];
    uint64_t eeprom_until_us;
    uint16_t eeprom_address;
    uint8_t eeprom_byte;
    uint16_t eeprom_bad_from, eeprom_bad_to; /* bytes that do not take a write */
    unsigned writes[BENCH_EEPROM];

    enum pad_lamp lamp;
    enum pad_tone tone;
    uint64_t lamp_us;
    unsigned lamp_seen[5];
    unsigned tone_seen[3];

    struct wire_decoder decoder;
    bool pings;
    bool keeps;
    uint8_t answer; /* enum wire_result */
    uint64_t answer_after_us;
    uint64_t ping_at_us;
    uint16_t ping_id;
    uint64_t ping_sent_us;
    struct wire_pong pong;
    unsigned pongs;
    struct wire_hello hello;
    unsigned hellos;
    struct wire_fault fault;
    unsigned faults;
    struct wire_flashed flashed;
    unsigned flashes;
    struct bench_got *got;
    unsigned gots;
    uint8_t order[64]; /* types in the order they came, the first 64 */
    unsigned ordered;
};

/* xorshift32 (G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003) */
static inline uint32_t bench_random(struct bench *b)
{
    b->random ^= b->random << 13;
    b->random ^= b->random >> 17;
    b->random ^= b->random << 5;
    return b->random;
}

static inline uint32_t bench_between(struct bench *b, uint32_t least, uint32_t most)
{
    return least + bench_random(b) % (most - least + 1);
}

/* ---- the board ---- */

/* Which rows this column reaches through closed contacts: the ghosts of a matrix without diodes are in it. */
static inline uint8_t bench_read_column(void *ctx, uint8_t column)
{
    struct bench *b = ctx;
    uint8_t direct[8] = {0};
    for (uint8_t k = 0; k < b->board.rows * b->board.cols; k++) {
        if (b->contact[k]) {
            direct[k % b->board.cols] |= (uint8_t)(1u << k / b->board.cols);
        }
    }
    uint8_t rows = direct[column];
    for (unsigned pass = 0; !b->board.diodes && pass < b->board.cols; pass++) {
        for (uint8_t c = 0; c < b->board.cols; c++) {
            rows |= (direct[c] & rows) != 0 ? direct[c] : 0;
        }
    }
    return rows;
}

static inline bool bench_touched(void *ctx, uint64_t *tick_us)
{
    struct bench *b = ctx;
    bool now = false;
    for (unsigned k = 0; k < BENCH_KEYS; k++) {
        now = now || b->contact[k];
    }
    *tick_us = b->touch_set ? b->touch_us : b->now_us;
    now = now || b->touch_set;
    b->touch_set = false;
    return now;
}

static inline bool bench_moved(void *ctx)
{
    struct bench *b = ctx;
    bool moved = b->moved;
    b->moved = false;
    return moved;
}

static inline void bench_line_put(struct bench *b, struct bench_line *line, const uint8_t *bytes, size_t n)
{
    bool spoil = bench_random(b) % 1000 < b->lose_per_mille;
    size_t at = bench_random(b) % n;
    unsigned kind = bench_random(b) % 3;
    for (size_t i = 0; i < n; i++) {
        uint8_t byte = bytes[i];
        line->free_us = (line->free_us > b->now_us ? line->free_us : b->now_us) + BENCH_BYTE_US;
        if (!b->connected || (spoil && (kind == 0 || (kind == 1 && i >= at)))) {
            continue;
        }
        if (spoil && kind == 2 && i == at) {
            byte = (uint8_t)bench_random(b);
        }
        if ((line->tail + 1) % BENCH_LINE != line->head) {
            line->byte[line->tail] = byte;
            line->due_us[line->tail] = line->free_us;
            line->tail = (line->tail + 1) % BENCH_LINE;
        }
    }
}

static inline void bench_uart_send(void *ctx, const uint8_t *bytes, uint8_t n)
{
    struct bench *b = ctx;
    bench_line_put(b, &b->to_host, bytes, n);
}

static inline bool bench_uart_idle(void *ctx)
{
    struct bench *b = ctx;
    return b->to_host.free_us <= b->now_us;
}

static inline void bench_lamp(void *ctx, enum pad_lamp colour)
{
    struct bench *b = ctx;
    b->lamp = colour;
    b->lamp_us = b->now_us;
    b->lamp_seen[colour]++;
}

static inline void bench_sounder(void *ctx, enum pad_tone tone)
{
    struct bench *b = ctx;
    b->tone = tone;
    b->tone_seen[tone]++;
}

static inline void bench_eeprom_settle(struct bench *b)
{
    if (b->eeprom_until_us != 0 && b->eeprom_until_us <= b->now_us) {
        if (b->eeprom_address < b->eeprom_bad_from || b->eeprom_address >= b->eeprom_bad_to) {
            b->eeprom[b->eeprom_address] = b->eeprom_byte;
        }
        b->eeprom_until_us = 0;
    }
}

static inline bool bench_eeprom_ready(void *ctx)
{
    struct bench *b = ctx;
    bench_eeprom_settle(b);
    return b->eeprom_until_us == 0;
}

static inline uint8_t bench_eeprom_read(void *ctx, uint16_t address)
{
    struct bench *b = ctx;
    if (!bench_eeprom_ready(b) || address >= BENCH_EEPROM) {
        abort(); /* the firmware broke the board's contract */
    }
    return b->eeprom[address];
}

static inline void bench_eeprom_write(void *ctx, uint16_t address, uint8_t byte)
{
    struct bench *b = ctx;
    if (!bench_eeprom_ready(b) || address >= BENCH_EEPROM) {
        abort();
    }
    b->eeprom_until_us = b->now_us + BENCH_WRITE_US;
    b->eeprom_address = address;
    b->eeprom_byte = byte;
    b->writes[address]++;
}

/* ---- the host ---- */

static inline void bench_tell(struct bench *b, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    int n = wire_encode(message, frame, sizeof frame);
    bench_line_put(b, &b->to_pad, frame, (size_t)n);
}

static inline void bench_ping(struct bench *b)
{
    struct wire_message message = {.type = WIRE_PING};
    message.u.ping.id = ++b->ping_id;
    b->ping_sent_us = b->now_us;
    bench_tell(b, &message);
}

static inline void bench_keep(struct bench *b, uint32_t boot, uint32_t seq, uint8_t result)
{
    struct wire_message message = {.type = WIRE_KEPT};
    message.u.kept.boot = boot;
    message.u.kept.seq = seq;
    message.u.kept.result = result;
    bench_tell(b, &message);
}

static inline void bench_got_press(struct bench *b, const struct wire_press *press)
{
    unsigned i = 0;
    while (i < b->gots && (b->got[i].press.boot != press->boot || b->got[i].press.seq != press->seq)) {
        i++;
    }
    if (i == b->gots && i < BENCH_PRESSES) {
        b->got[b->gots++] = (struct bench_got){.press = *press, .first_us = b->now_us};
    }
    b->got[i].arrivals++;
    if (b->keeps) {
        bench_keep(b, press->boot, press->seq, b->answer);
    }
}

static inline void bench_message(void *ctx, const struct wire_message *message)
{
    struct bench *b = ctx;
    if (b->ordered < sizeof b->order) {
        b->order[b->ordered++] = message->type;
    }
    switch (message->type) {
    case WIRE_HELLO:
        b->hello = message->u.hello;
        b->hellos++;
        break;
    case WIRE_PRESS:
        bench_got_press(b, &message->u.press);
        break;
    case WIRE_PONG:
        b->pong = message->u.pong;
        b->pongs++;
        break;
    case WIRE_FAULT:
        b->fault = message->u.fault;
        b->faults++;
        break;
    case WIRE_FLASHED:
        b->flashed = message->u.flashed;
        b->flashes++;
        break;
    default:
        abort(); /* a pad sends nothing else */
    }
}

/* ---- time ---- */

static inline void bench_contacts(struct bench *b)
{
    while (b->edge_at < b->edges && b->edge[b->edge_at].tick_us <= b->now_us) {
        const struct bench_edge *edge = &b->edge[b->edge_at++];
        if (edge->closed && !b->contact[edge->key] && !b->touch_set) {
            b->touch_set = true;
            b->touch_us = edge->tick_us;
        }
        b->moved = b->moved || b->contact[edge->key] != edge->closed;
        b->contact[edge->key] = edge->closed;
    }
}

static inline void bench_lines(struct bench *b)
{
    struct bench_line *line = &b->to_pad;
    for (; line->head != line->tail && line->due_us[line->head] <= b->now_us;
         line->head = (line->head + 1) % BENCH_LINE) {
        pad_receive(&b->pad, line->byte[line->head], line->due_us[line->head]);
    }
    line = &b->to_host;
    for (; line->head != line->tail && line->due_us[line->head] <= b->now_us;
         line->head = (line->head + 1) % BENCH_LINE) {
        wire_decoder_feed(&b->decoder, &line->byte[line->head], 1, bench_message, b);
    }
}

static inline void bench_turn(struct bench *b)
{
    uint32_t step = b->jumpy ? bench_between(b, b->period_us / 10 + 1, b->period_us * 5) : b->period_us;
    b->now_us += step;
    bench_contacts(b);
    bench_lines(b);
    if (b->pings && b->now_us >= b->ping_at_us) {
        b->ping_at_us = b->now_us + 1000000;
        bench_ping(b);
    }
    pad_run(&b->pad, b->now_us);
}

static inline void bench_run(struct bench *b, uint64_t for_us)
{
    uint64_t until = b->now_us + for_us;
    while (b->now_us < until) {
        bench_turn(b);
    }
}

/* ---- scripts ---- */

static inline void bench_edge_at(struct bench *b, uint64_t tick_us, uint8_t key, bool closed)
{
    unsigned at = b->edges++;
    if (b->edges > BENCH_EDGES) {
        abort();
    }
    for (; at > b->edge_at && b->edge[at - 1].tick_us > tick_us; at--) {
        b->edge[at] = b->edge[at - 1];
    }
    b->edge[at] = (struct bench_edge){.tick_us = tick_us, .key = key, .closed = closed};
}

/* The contact closes for good at the end of `bounce_us`, having touched first at tick_us and opened `times` times in between. */
static inline void bench_bounce(struct bench *b, uint64_t tick_us, uint8_t key, bool closed,
                                uint32_t bounce_us, unsigned times)
{
    bench_edge_at(b, tick_us, key, closed);
    for (unsigned i = 0; i < times; i++) {
        uint64_t from = tick_us + (uint64_t)bounce_us * (2 * i + 1) / (2 * times);
        uint64_t to = tick_us + (uint64_t)bounce_us * (2 * i + 2) / (2 * times);
        bench_edge_at(b, from, key, !closed);
        bench_edge_at(b, to, key, closed);
    }
}

static inline void bench_press(struct bench *b, uint64_t tick_us, uint8_t key, uint32_t bounce_us,
                               uint64_t hold_us)
{
    bench_bounce(b, tick_us, key, true, bounce_us, bounce_us == 0 ? 0 : 4);
    bench_bounce(b, tick_us + hold_us, key, false, bounce_us / 2, bounce_us == 0 ? 0 : 2);
}

/* ---- life ---- */

static inline void bench_power_up(struct bench *b, uint64_t tick_us)
{
    b->now_us = tick_us;
    b->to_host.head = b->to_host.tail = b->to_pad.head = b->to_pad.tail = 0;
    b->to_host.free_us = b->to_pad.free_us = 0;
    b->eeprom_until_us = 0;
    b->ping_at_us = 0;
    pad_init(&b->pad, &b->board, "", 0x5EED0000u | (bench_random(b) & 0xFFFF), WIRE_HELLO_POWER_ON, tick_us);
}

/* A write in progress leaves its byte as anything: old, erased, new, or a mixture. */
static inline void bench_power_cut(struct bench *b)
{
    bench_eeprom_settle(b);
    if (b->eeprom_until_us != 0) {
        uint8_t old = b->eeprom[b->eeprom_address];
        uint8_t torn[4] = {old, 0xFF, b->eeprom_byte, (uint8_t)bench_random(b)};
        b->eeprom[b->eeprom_address] = torn[bench_random(b) % 4];
    }
}

static inline void bench_init(struct bench *b, uint32_t seed, uint64_t start_us, uint32_t period_us,
                              bool jumpy)
{
    memset(b, 0, sizeof *b);
    b->edge = calloc(BENCH_EDGES, sizeof *b->edge);
    b->got = calloc(BENCH_PRESSES + 1, sizeof *b->got);
    if (b->edge == NULL || b->got == NULL) {
        abort();
    }
    b->random = seed == 0 ? 1 : seed;
    b->period_us = period_us;
    b->jumpy = jumpy;
    b->connected = true;
    b->pings = true;
    b->keeps = true;
    b->answer = WIRE_RESULT_KEPT;
    memset(b->eeprom, 0xFF, sizeof b->eeprom);
    b->board = (struct pad_board){.ctx = b,
                                  .rows = 4,
                                  .cols = 4,
                                  .read_column = bench_read_column,
                                  .touched = bench_touched,
                                  .uart_send = bench_uart_send,
                                  .uart_idle = bench_uart_idle,
                                  .lamp = bench_lamp,
                                  .sounder = bench_sounder,
                                  .eeprom_bytes = BENCH_EEPROM,
                                  .eeprom_ready = bench_eeprom_ready,
                                  .eeprom_read = bench_eeprom_read,
                                  .eeprom_write = bench_eeprom_write};
    wire_decoder_init(&b->decoder);
    bench_power_up(b, start_us);
}

static inline void bench_free(struct bench *b)
{
    free(b->edge);
    free(b->got);
}

/* Every way of turning the loop that a script is replayed under. */
struct bench_pace {
    uint32_t period_us;
    bool jumpy;
    uint64_t start_us;
};

static const struct bench_pace bench_paces[] = {
    {100, false, 0},
    {250, false, 12345},
    {250, true, UINT64_C(4294967295) - 400000}, /* the low 32 bits wrap in the middle of the script */
    {1000, false, UINT64_C(4294967295) - 1700000},
    {1000, true, UINT64_C(99999999999)},
    {2000, false, UINT64_C(281474976710655) - 3600000000}, /* an hour before the end of 48 bits */
};

enum { BENCH_PACES = sizeof bench_paces / sizeof bench_paces[0] };

#endif
