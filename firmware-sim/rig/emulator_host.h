/*
 * emulator_host: a host for the emulated pad: it pings several times a second, stores what it gets by (boot, seq), and answers *kept* after a
 * while, as a disk does. It outlives the pad's power-ups. Cycles are those of the chip's power-up in hand.
 */
#ifndef BELLROPE_RIG_EMULATOR_HOST_H
#define BELLROPE_RIG_EMULATOR_HOST_H

#include "chance.h"
#include "emulator_chip.h"
#include "bellrope/wire.h"

#include <stddef.h>

struct host_row {
    struct wire_press press;
    unsigned stored;   /* 1, or the host is broken */
    unsigned arrivals; /* times the pad sent it */
};

struct host {
    struct chance chance;
    struct wire_decoder decoder;
    struct chip *chip;
    bool connected;
    bool keeps;

    struct host_row *row;
    size_t rows, room;

    struct pending {
        uint64_t cycle; /* the commit is done */
        uint32_t boot, seq;
    } pending[64];
    unsigned pendings;

    /* Bytes that have left the chip, with the cycle of their last bit. */
    uint8_t byte[512];
    uint64_t byte_at[512];
    unsigned byte_head, byte_tail;

    uint64_t ping_at;
    uint16_t ping_id;
    uint64_t ping_in; /* its last bit */
    unsigned pongs;   /* in this power-up */
    uint8_t waiting;  /* what the last pong said */
    /* Over this power-up: the least that a ping's stamp came after its last bit, and a pong's before its first, in cycles. */
    int64_t least_rx_late, most_rx_late, least_tx_early, most_tx_early;
    struct wire_hello hello;
    unsigned hellos, faults;
};

void host_init(struct host *host, uint64_t seed);
void host_free(struct host *host);

/* The pad has come up: a new chip at cycle 0. */
void host_attach(struct host *host, struct chip *chip, bool connected);

/* From chip_sink.sent. */
void host_byte(struct host *host, uint64_t cycle, uint8_t byte);

/* Does what is due up to the chip's present cycle. */
void host_run(struct host *host);

/* NULL where it has no such press. */
const struct host_row *host_find(const struct host *host, uint32_t boot, uint32_t seq);

#endif
