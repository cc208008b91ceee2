/*
 * wire: the keypad protocol, spoken over a serial line between a pad and its host. docs/protocol.md is
 * normative.
 *
 * One frame:   00 | COBS( type u8, payload, crc u16 ) | 00
 *
 *   - 00 never occurs inside a frame, so a receiver that has lost its place finds it again at the next 00.
 * The leading 00 closes whatever garbage came before; empty frames (00 00) are silence.
 *   - crc is CRC-16/IBM-3740 (polynomial 1021, initial FFFF, not reflected, no final XOR; check value 29B1)
 * over type and payload.
 *   - every integer is little-endian. Ticks are 48-bit counts of microseconds since the pad's power-up: 8.9
 * years, no wrap.
 *   - a payload may be longer than a receiver knows: the tail is ignored. Shorter is an error. An unknown
 * type is skipped.
 *
 * COBS: Cheshire & Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2),
 * 1999.
 *
 * This module holds no state of its own, does no I/O and allocates nothing. Firmware and daemon compile the
 * same source, freestanding C99. Not taken: lengths in a header (a damaged length swallows good frames), text
 * lines (a third of the speed).
 */
#ifndef BELLROPE_WIRE_H
#define BELLROPE_WIRE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WIRE_VERSION 1u /* told in HELLO and ASK_HELLO; a change that an older end cannot skip raises it */

enum {
    WIRE_SERIAL_MAX = 15, /* characters of a pad serial: 0-9 A-Z a-z - _ */
    WIRE_BODY_MAX = 64,   /* type, payload and crc; longer frames are counted as bad and dropped */
    WIRE_FRAME_MAX = WIRE_BODY_MAX + 3,
    WIRE_NO_KEY = 255,
};

enum wire_type {
    /* pad to host */
    WIRE_HELLO = 0x01,
    WIRE_PRESS = 0x02,
    WIRE_PONG = 0x03,
    WIRE_FAULT = 0x04,
    WIRE_FLASHED = 0x05,
    /* host to pad */
    WIRE_ASK_HELLO = 0x41,
    WIRE_PING = 0x42,
    WIRE_KEPT = 0x43,
    WIRE_LAMP = 0x44,
    WIRE_SERIAL_SET = 0x45,
    WIRE_FLASH = 0x46,
    WIRE_SETTINGS = 0x47,
};

/* What one press was. Every physical key-down is exactly one press, DOWN or CHORD, sent at once; a HOLD
 * follows its key-down. */
enum wire_gesture {
    WIRE_DOWN = 1,  /* a key went down */
    WIRE_HOLD = 2,  /* the key of press `of_seq` has stayed down for the hold time; tick = that press's tick +
                       hold time */
    WIRE_CHORD = 3, /* a key went down shortly after the key of press `of_seq`, which is still down */
};

enum wire_result {
    WIRE_RESULT_KEPT = 1,    /* committed to disk */
    WIRE_RESULT_REFUSED = 2, /* answered for good, and no marker made (the key has no meaning in the plan) */
    WIRE_RESULT_STRUCK = 3,  /* committed to disk; it struck the last marker */
};

enum wire_fault_code {
    WIRE_FAULT_STUCK = 1, /* key closed longer than 30 s */
    WIRE_FAULT_GHOST =
        2, /* keys down that a matrix without diodes cannot tell apart; the press was refused */
    WIRE_FAULT_QUEUE_FULL =
        3,                 /* no room for another unkept press; `count` presses were refused in this boot */
    WIRE_FAULT_EEPROM = 4, /* a write did not read back; presses may not survive loss of power */
};

/* Lamp and sounder cues the host may ask for. */
enum wire_cue {
    WIRE_CUE_NONE = 0,     /* end the cue; show the pad's own state */
    WIRE_CUE_FAULT = 1,    /* the host cannot keep presses, or needs a person */
    WIRE_CUE_IDENTIFY = 2, /* "this is the pad I mean" */
};

/* Bits of wire_hello.flags. */
enum {
    WIRE_HELLO_POWER_ON = 1u << 0, /* cause of the reset that began this boot; none of the four: unknown */
    WIRE_HELLO_BROWN_OUT = 1u << 1,
    WIRE_HELLO_WATCHDOG = 1u << 2,
    WIRE_HELLO_EXTERNAL = 1u << 3,
    WIRE_HELLO_DIODES = 1u << 4,  /* the matrix has a diode a key: no ghosting */
    WIRE_HELLO_SPILLS = 1u << 5,  /* unkept presses survive loss of power */
    WIRE_HELLO_NUMBERED = 1u << 6 /* the boot id was counted, not guessed: it is certain to be new */
};

/* Bits of wire_pong.faults: faults in force at the moment of sending, bit (code - 1). */
#define WIRE_FAULT_BIT(code) (1u << ((unsigned)(code)-1u))

struct wire_hello {
    uint8_t version;  /* WIRE_VERSION of the pad */
    uint8_t flags;    /* WIRE_HELLO_* */
    uint16_t release; /* firmware release, major * 256 + minor */
    uint32_t boot;    /* one number a power-up: (serial, boot, seq) names a press for ever */
    uint32_t tick_hz; /* 1000000 in version 1 */
    uint8_t rows;
    uint8_t cols;
    uint8_t keys;                     /* keys fitted, at most rows * cols; key index = row * cols + column */
    uint8_t room;                     /* presses the pad can hold unkept */
    uint8_t waiting;                  /* presses it holds now */
    char serial[WIRE_SERIAL_MAX + 1]; /* NUL-terminated; "" when none has been set */
};

struct wire_press {
    uint32_t boot;    /* of the power-up in which the key was pressed: an older one for presses that survived
                         loss of power */
    uint32_t seq;     /* from 1, rising, within one boot */
    uint64_t tick_us; /* the key's first contact, on the clock of `boot`: best estimate */
    uint16_t before_us; /* it lies within [tick_us - before_us, tick_us + after_us]; 65535: 65535 or more */
    uint16_t after_us;
    uint8_t key;
    uint8_t gesture; /* enum wire_gesture; a receiver takes one it does not know as WIRE_DOWN */
    uint32_t of_seq; /* HOLD, CHORD: the press this one refers to, same boot; else 0 */
    uint8_t offer;   /* 1 the first time this press is sent in this boot, then 2, 3 ... 255 */
};

/* A tick means nothing without its boot: every message with a tick names it. */
struct wire_pong {
    uint16_t id;         /* of the ping */
    uint32_t boot;       /* of both ticks */
    uint64_t rx_tick_us; /* not before the ping's last byte was received */
    uint64_t tx_tick_us; /* not after this pong's first byte began to leave */
    uint8_t waiting;     /* presses unkept */
    uint8_t faults;      /* WIRE_FAULT_BIT */
};

struct wire_fault {
    uint8_t code;   /* enum wire_fault_code */
    uint8_t key;    /* or WIRE_NO_KEY */
    uint8_t active; /* 1 began, 0 ended */
    uint32_t boot;
    uint64_t tick_us; /* when */
    uint32_t count;   /* times this fault began in this boot; for QUEUE_FULL presses refused */
};

struct wire_flashed {
    uint16_t id;
    uint32_t boot;
    uint64_t tick_us;   /* the turn of the loop that lit the lamp */
    uint16_t within_us; /* the lamp was lit at most this long after tick_us */
};

struct wire_ask_hello {
    uint8_t version; /* WIRE_VERSION of the host */
};

struct wire_ping {
    uint16_t id;
};

struct wire_kept {
    uint32_t boot;
    uint32_t seq;
    uint8_t result; /* enum wire_result; one not known counts as kept */
};

struct wire_lamp {
    uint8_t cue;      /* enum wire_cue */
    uint16_t time_ms; /* 0: until another LAMP, or until the link is lost */
};

struct wire_serial_set {
    char serial[WIRE_SERIAL_MAX + 1];
};

struct wire_flash {
    uint16_t id;
    uint16_t time_ms; /* how long the lamp stays lit */
};

/* Volatile settings of a pad, 0 = leave as it is. Out of range: taken as the nearest end. docs/protocol.md
 * gives the ranges. */
struct wire_settings {
    uint16_t lockout_ms; /* 5 to 200: a key must have been open this long before it can be pressed again */
    uint16_t hold_ms;    /* 200 to 5000 */
    uint16_t chord_ms;   /* 10 to 500 */
    uint16_t kept_ms;    /* 100 to 10000: how long green stays */
    uint8_t sound;       /* 1 on, 2 off */
};

struct wire_message {
    uint8_t type; /* enum wire_type */
    union {
        struct wire_hello hello;
        struct wire_press press;
        struct wire_pong pong;
        struct wire_fault fault;
        struct wire_flashed flashed;
        struct wire_ask_hello ask_hello;
        struct wire_ping ping;
        struct wire_kept kept;
        struct wire_lamp lamp;
        struct wire_serial_set serial_set;
        struct wire_flash flash;
        struct wire_settings settings;
    } u;
};

enum wire_error {
    WIRE_ERR_TYPE = -1,   /* type not known */
    WIRE_ERR_LENGTH = -2, /* payload shorter than the type needs, or buffer too small */
    WIRE_ERR_VALUE = -3,  /* a field out of its range (a serial with characters outside its set) */
    WIRE_ERR_CRC = -4,
    WIRE_ERR_COBS = -5, /* a block ran past the end of the frame */
};

/* CRC-16/IBM-3740 of n bytes, going on from crc; begin with WIRE_CRC_INIT. */
#define WIRE_CRC_INIT 0xFFFFu
uint16_t wire_crc(uint16_t crc, const uint8_t *bytes, size_t n);

/* Little-endian integers of 1 to 4 bytes. */
void wire_put(uint8_t *out, uint32_t value, uint8_t bytes);
uint32_t wire_get(const uint8_t *in, uint8_t bytes);

/*
 * COBS without delimiters. Encode writes at most n + n/254 + 1 bytes; decode at most n - 1. `out` and `in`
 * must not overlap. Both return the length written, or WIRE_ERR_LENGTH when cap is too small, WIRE_ERR_COBS
 * when `in` is no COBS text.
 */
int wire_cobs_encode(const uint8_t *in, size_t n, uint8_t *out, size_t cap);
int wire_cobs_decode(const uint8_t *in, size_t n, uint8_t *out, size_t cap);

/* Type and payload (without crc) to and from a struct. pack returns the length written, unpack 0; both enum
 * wire_error on failure. */
int wire_pack(const struct wire_message *message, uint8_t *body, size_t cap);
int wire_unpack(const uint8_t *body, size_t n, struct wire_message *message);

/* The whole frame, delimiters included; returns its length or enum wire_error. WIRE_FRAME_MAX is always room
 * enough. */
int wire_encode(const struct wire_message *message, uint8_t *frame, size_t cap);

/*
 * Bytes of a frame of this type on the line, delimiters included, as wire_encode makes it; 0 for a type not
 * known. The time it takes is that many times 10 bits at the line's speed (8N1).
 */
size_t wire_frame_bytes(uint8_t type);

/* A build for a small part may take narrower counters, and room for the messages it knows alone: longer ones are dropped and counted. */
#ifndef WIRE_COUNT
#define WIRE_COUNT uint32_t
#endif
#ifndef WIRE_RECEIVE_MAX
#define WIRE_RECEIVE_MAX WIRE_BODY_MAX
#endif

/* Counters only rise, and wrap. */
struct wire_counters {
    WIRE_COUNT good;    /* messages handed to the sink */
    WIRE_COUNT crc;     /* frames whose crc did not match, or too short to have one */
    WIRE_COUNT cobs;    /* frames that were no COBS text */
    WIRE_COUNT length;  /* frames longer than WIRE_BODY_MAX, or shorter than their type needs */
    WIRE_COUNT value;   /* frames with a field out of range */
    WIRE_COUNT unknown; /* sound frames of a type not known */
};

/* Owned by the caller; one a direction of a line. Fields are the module's own, except the counters, which may
 * be read. */
struct wire_decoder {
    struct wire_counters counters;
    uint8_t body[WIRE_RECEIVE_MAX];
    uint8_t length;
    uint8_t block; /* bytes left in the COBS block */
    bool zero_due; /* the block that ends stands for a zero, should another follow */
    bool begun;    /* any byte since the delimiter */
    bool overlong;
};

/* Called from within wire_decoder_feed once a sound message; `message` is valid during the call. May not feed
 * the same decoder. */
typedef void wire_sink(void *ctx, const struct wire_message *message);

void wire_decoder_init(struct wire_decoder *decoder);

/* Takes any bytes in any chunks. Never fails: what is bad is counted and dropped up to the next delimiter. */
void wire_decoder_feed(struct wire_decoder *decoder, const uint8_t *bytes, size_t n, wire_sink *sink,
                       void *ctx);

/* Names for people and logs: "press", "hold", "kept", "queue-full"; "unknown" for a value not known. Static
 * strings. */
const char *wire_type_name(uint8_t type);
const char *wire_gesture_name(uint8_t gesture);
const char *wire_result_name(uint8_t result);
const char *wire_fault_name(uint8_t code);

/* "A1" for index 0: a letter for the row, a number for the column. False when index or cols is out of range
 * (26 rows, 99 columns). */
bool wire_key_name(uint8_t index, uint8_t cols, char out[4]);
/* The other way: the index of "B3" in a matrix of rows x cols, or WIRE_NO_KEY. */
uint8_t wire_key_index(const char *name, uint8_t rows, uint8_t cols);

/* A serial that may be set: 1 to WIRE_SERIAL_MAX characters out of 0-9 A-Z a-z - _ . `serial` must be
 * NUL-terminated. */
bool wire_serial_valid(const char *serial);

#endif
