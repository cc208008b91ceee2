/* emulator_host: see emulator_host.h. */
#include "emulator_host.h"

#include <stdlib.h>
#include <string.h>

enum { US = CHIP_CYCLES_PER_US, PING_US = 300000 };

void host_init(struct host *host, uint64_t seed)
{
    memset(host, 0, sizeof *host);
    host->chance = chance_split(seed, 2);
    host->keeps = true;
}

void host_free(struct host *host)
{
    free(host->row);
}

void host_attach(struct host *host, struct chip *chip, bool connected)
{
    host->chip = chip;
    host->connected = connected;
    host->pendings = 0;
    host->byte_head = host->byte_tail = 0;
    host->ping_at = (uint64_t)chance_range(&host->chance, 0, PING_US) * US;
    host->pongs = 0;
    host->least_rx_late = host->least_tx_early = INT64_MAX;
    host->most_rx_late = host->most_tx_early = INT64_MIN;
    wire_decoder_init(&host->decoder);
}

/* Answers when the frame's last bit is in. */
static uint64_t say(struct host *host, uint64_t cycle, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    uint64_t end = cycle;
    int n = wire_encode(message, frame, sizeof frame);
    for (int i = 0; i < n; i++) {
        end = chip_receive(host->chip, cycle, frame[i]);
    }
    return end;
}

const struct host_row *host_find(const struct host *host, uint32_t boot, uint32_t seq)
{
    for (size_t i = host->rows; i > 0; i--) {
        const struct host_row *row = &host->row[i - 1];
        if (row->press.boot == boot && row->press.seq == seq) {
            return row;
        }
    }
    return NULL;
}

static void store(struct host *host, const struct wire_press *press)
{
    struct host_row *known = (struct host_row *)host_find(host, press->boot, press->seq);
    if (known != NULL) {
        known->arrivals++;
        return;
    }
    if (host->rows == host->room) {
        host->room = host->room == 0 ? 1024 : 2 * host->room;
        host->row = realloc(host->row, host->room * sizeof *host->row);
        if (host->row == NULL) {
            abort();
        }
    }
    host->row[host->rows++] = (struct host_row){.press = *press, .stored = 1, .arrivals = 1};
}

/* Commits take what they take on a paced disk: half a millisecond, now and then much longer. */
static void on_press(struct host *host, uint64_t cycle, const struct wire_press *press)
{
    store(host, press);
    if (!host->keeps || host->pendings == sizeof host->pending / sizeof host->pending[0]) {
        return;
    }
    double ms = 0.3 + 0.25 * chance_exponential(&host->chance);
    if (chance_unit(&host->chance) < 0.01) {
        ms += 40 * chance_unit(&host->chance);
    }
    host->pending[host->pendings++] =
        (struct pending){.cycle = cycle + (uint64_t)(ms * 1000 * US), .boot = press->boot, .seq = press->seq};
}

/* Both stamps of a pong against the truth: when the ping's last bit was in, and when the pong's first bit went out. */
static void on_pong(struct host *host, uint64_t cycle, const struct wire_pong *pong)
{
    if (pong->id != host->ping_id) {
        return;
    }
    int64_t zero = (int64_t)chip_tick_zero(host->chip);
    int64_t in = (int64_t)host->ping_in - zero;
    int64_t out = (int64_t)(cycle - wire_frame_bytes(WIRE_PONG) * CHIP_BYTE_CYCLES) - zero;
    int64_t late = (int64_t)pong->rx_tick_us * US - in;
    int64_t early = out - (int64_t)pong->tx_tick_us * US;
    host->least_rx_late = late < host->least_rx_late ? late : host->least_rx_late;
    host->most_rx_late = late > host->most_rx_late ? late : host->most_rx_late;
    host->least_tx_early = early < host->least_tx_early ? early : host->least_tx_early;
    host->most_tx_early = early > host->most_tx_early ? early : host->most_tx_early;
    host->waiting = pong->waiting;
    host->pongs++;
}

struct arrival {
    struct host *host;
    uint64_t cycle;
};

static void on_message(void *ctx, const struct wire_message *message)
{
    struct arrival *arrival = ctx;
    struct host *host = arrival->host;
    switch (message->type) {
    case WIRE_HELLO:
        host->hello = message->u.hello;
        host->hellos++;
        break;
    case WIRE_PRESS:
        on_press(host, arrival->cycle, &message->u.press);
        break;
    case WIRE_PONG:
        on_pong(host, arrival->cycle, &message->u.pong);
        break;
    case WIRE_FAULT:
        host->faults++;
        break;
    default:
        break;
    }
}

void host_byte(struct host *host, uint64_t cycle, uint8_t byte)
{
    unsigned after = (host->byte_tail + 1) % (sizeof host->byte);
    if (after != host->byte_head) {
        host->byte[host->byte_tail] = byte;
        host->byte_at[host->byte_tail] = cycle;
        host->byte_tail = after;
    }
}

static void answer(struct host *host, uint64_t now)
{
    for (unsigned i = 0; i < host->pendings;) {
        if (host->pending[i].cycle > now) {
            i++;
            continue;
        }
        struct wire_message message = {.type = WIRE_KEPT};
        message.u.kept.boot = host->pending[i].boot;
        message.u.kept.seq = host->pending[i].seq;
        message.u.kept.result = WIRE_RESULT_KEPT;
        (void)say(host, now, &message);
        memmove(&host->pending[i], &host->pending[i + 1], (--host->pendings - i) * sizeof host->pending[0]);
    }
}

void host_run(struct host *host)
{
    uint64_t now = chip_cycle(host->chip);
    while (host->byte_head != host->byte_tail && host->byte_at[host->byte_head] <= now) {
        struct arrival arrival = {host, host->byte_at[host->byte_head]};
        uint8_t byte = host->byte[host->byte_head];
        host->byte_head = (host->byte_head + 1) % (unsigned)(sizeof host->byte);
        if (host->connected) {
            wire_decoder_feed(&host->decoder, &byte, 1, on_message, &arrival);
        }
    }
    if (!host->connected) {
        host->pendings = 0;
        return;
    }
    answer(host, now);
    if (now >= host->ping_at) {
        struct wire_message message = {.type = WIRE_PING};
        message.u.ping.id = ++host->ping_id;
        host->ping_at = now + (uint64_t)PING_US * US;
        host->ping_in = say(host, now, &message);
    }
}
