/*
 * pad: the keypad firmware as one state machine. Portable, freestanding, static memory; time is an argument.
 *
 *     pad_init(&pad, &board, "", boot_seed, reset_flags, tick);
 *     for (;;) {
 *         for each byte received: pad_receive(&pad, byte, tick of its arrival);
 *         pad_run(&pad, tick now);
 *     }
 *
 * Ticks are microseconds since power-up, 48 bits, never backwards; any start and any distance between turns works, the
 * distance being the error of a stamp where the board has no touch latch. Nothing here may be called from an interrupt.
 *
 * A press's life: first contact -> confirmed -> queued, amber -> PRESS sent -> (250 ms, or nobody there: written to EEPROM) -> KEPT -> green, forgotten.
 */
#ifndef PAD_PAD_H
#define PAD_PAD_H

#include "board.h"
#include "keys.h"
#include "lamp.h"
#include "queue.h"
#include "spill.h"
#include "bellrope/wire.h"

#define PAD_RELEASE 0x0001u /* major * 256 + minor */

enum {
    PAD_FRAME_MAX = 40,        /* the longest frame a pad sends */
    PAD_FAULTS = 4,            /* codes of enum wire_fault_code */
    PAD_LINK_US = 3000000,     /* no sound frame for this long: nobody listens */
    PAD_ANNOUNCE_US = 1000000, /* HELLO this often while nobody listens */
    PAD_SPILL_US = 250000,     /* unkept for this long: to the EEPROM; at once while nobody listens */
};

struct pad_fault {
    uint8_t holders; /* keys that have it now; in force while not 0 */
    bool due;        /* to be told */
    uint8_t key;
    uint32_t count;
    uint64_t tick_us;
};

/* Owned by the caller, zero or more of them; may be read in tests, written only through the functions below. */
struct pad_state {
    const struct pad_board *board;
    struct keys_settings keys_set;
    uint32_t kept_us;
    bool sound;

    struct keys_state keys;
    struct queue_state queue;
    struct spill_state spill;
    struct lamp_state lamp;
    struct wire_decoder decoder;
    struct pad_fault fault[PAD_FAULTS];

    char serial[WIRE_SERIAL_MAX + 1];
    uint8_t hello_flags;
    uint32_t boot;
    uint32_t boot_seed; /* the boot id to fall back on when the counted one cannot be put on record */
    uint32_t seq;
    uint8_t down_seq[PAD_KEYS];             /* of each key's last key-down, its low 8 bits */
    uint8_t down_taken[(PAD_KEYS + 7) / 8]; /* whether it found room in the queue */

    uint64_t now_us; /* of the turn or byte in hand */
    uint32_t heard;  /* low 32 bits of ticks from here on */
    uint32_t announced;
    uint32_t cue_from;
    uint32_t cue_us; /* 0: no end */
    uint8_t cue;     /* enum wire_cue */
    bool linked;
    bool ready; /* the boot id is on record, or there is no record to be had */
    bool hello_due;
    bool ping_due;
    bool flash_due;
    bool flashed_due;
    uint16_t ping_id;
    uint64_t ping_rx_us;
    uint16_t flash_ms;
    struct wire_flashed flashed;

    uint8_t frame[PAD_FRAME_MAX];
};

/*
 * `serial` ("" for none) and `boot` are used where the EEPROM has none: `boot` is then the boot id itself and should be as random as
 * the board can make it (0 is taken as 1). reset_flags: the WIRE_HELLO_* bits that say why this boot began. The board must outlive the pad.
 */
void pad_init(struct pad_state *pad, const struct pad_board *board, const char *serial, uint32_t boot,
              uint8_t reset_flags, uint64_t tick_us);

/* One turn of the loop. Scans, sends, writes and shows at most a little; call it again soon. */
void pad_run(struct pad_state *pad, uint64_t tick_us);

/*
 * The same turn in its three parts, in this order, for a board slow enough that each is better given a tick of its own: scan the keys,
 * send a frame, then lamp, sounder and EEPROM.
 */
void pad_scan(struct pad_state *pad, uint64_t tick_us);
void pad_send(struct pad_state *pad, uint64_t tick_us);
void pad_show(struct pad_state *pad, uint64_t tick_us);

/* One byte from the host, with the tick of its arrival: not before its last bit. Any bytes are safe. */
void pad_receive(struct pad_state *pad, uint8_t byte, uint64_t tick_us);

/* Presses the host has not kept. */
uint8_t pad_waiting(const struct pad_state *pad);

#endif
