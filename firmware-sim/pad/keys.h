/*
 * keys: from contacts that bounce to key-downs with the instant of their first contact.
 *
 * Model. A contact that closes touches, bounces (published: mean about 1.6 ms, worst of 18 switch types 6.2 ms; J. Ganssle, "A
 * Guide to Debouncing", 2004) and stays closed. Noise and knocks close it for less than a press. So:
 *   - the first closure is remembered as the candidate's instant;
 *   - it becomes a press when closed time less open time since then reaches confirm_us (3 ms): shorter spikes never make one;
 *   - it is forgotten when the contact stays open for KEYS_FORGET_US, or has not made up its mind in KEYS_UNDECIDED_US;
 *   - after a press the key must be open for lockout_us on end before it can be pressed again. Any closure in between is bounce.
 * Time between two scans counts as closed only when both saw it closed, and then as at most KEYS_STEP_US; else as open. So a train of
 * spikes does not add up, a firmware that was held up cannot mistake two spikes for a press, and a worn contact that opens now and
 * then under the finger still makes one. A gap shorter than the scan goes unseen, unless the board tells that a contact moved between
 * two scans: that time counts for a quarter, so that a train of spikes makes no press and noise on a line does not keep one from being
 * made. Turn the loop once a millisecond or more often.
 *
 * Rejected: an N-equal-samples filter (stamps the end of the bounce, not its beginning); a press at the very first closure (a
 * spike would make a marker).
 *
 * Ghosts. Without diodes, three keys at the corners of a rectangle close the fourth. A key that comes down while it is a corner
 * of a closed rectangle cannot be told from its ghost: it is refused, and reported, until it opens.
 */
#ifndef PAD_KEYS_H
#define PAD_KEYS_H

#include "board.h"

#define KEYS_MAX 64u
#ifndef PAD_KEYS
#define PAD_KEYS KEYS_MAX /* keys this build has room for */
#endif

enum {
    KEYS_FORGET_US = 8000,
    KEYS_UNDECIDED_US = 40000,
    KEYS_STEP_US = 1000,
    KEYS_BOUNCE_US =
        6200, /* a first touch that no latch saw may precede the first closure seen by this much */
};

struct keys_settings {
    uint32_t confirm_us; /* 3000 */
    uint32_t lockout_us; /* 20000 */
    uint32_t hold_us;    /* 600000; longer than chord_us */
    uint32_t chord_us;   /* 100000 */
    uint32_t stuck_us;   /* 30000000 */
};

enum keys_event_kind {
    KEYS_DOWN,      /* a key went down; `with` is the key it makes a chord with, or 255 */
    KEYS_HOLD,      /* it has stayed down for hold_us; tick_us is its key-down's tick + hold_us */
    KEYS_GHOST,     /* it cannot be told from its ghost and was refused */
    KEYS_GHOST_END, /* no rectangle is closed any more; key 255 */
    KEYS_STUCK,     /* it has been closed for stuck_us */
    KEYS_STUCK_END, /* a stuck key has opened */
};

struct keys_event {
    uint8_t kind; /* enum keys_event_kind */
    uint8_t key;  /* row * cols + column */
    uint8_t with;
    uint16_t
        before_us; /* DOWN, HOLD: the first contact lies within [tick_us - before_us, tick_us + after_us] */
    uint16_t after_us;
    uint64_t tick_us;
};

/* May be called several times within one keys_scan. */
typedef void keys_sink(void *ctx, const struct keys_event *event);

struct keys_key {
    uint8_t state : 2;
    bool closed : 1;
    bool held : 1;
    bool stuck : 1;
    uint16_t score_us;
    uint16_t before_us;
    uint16_t after_us;
    uint32_t edge; /* low 32 bits of the first contact's tick */
    uint32_t open; /* since when it has been open */
};

/* Owned by the caller; fields are the module's own. */
struct keys_state {
    struct keys_key key[PAD_KEYS];
    uint32_t
        touch; /* the touch that woke the scan, or a minute ago if that is later; low 32 bits of ticks here */
    uint32_t last_scan; /* the last look at the matrix */
    uint32_t last_move; /* the last touch or movement between scans */
    uint32_t chatter;   /* candidates that came to nothing */
    uint8_t engaged;    /* keys that are not at rest */
    bool looked;        /* last_scan is set */
    bool awake;         /* the matrix is being scanned */
    bool touch_fresh;   /* the touch has not been given to a key yet */
    bool ghosting;
};

void keys_init(struct keys_state *keys);

/* One look at the matrix. Ticks must not go backwards; any distance between them is allowed. */
void keys_scan(struct keys_state *keys, const struct pad_board *board, const struct keys_settings *settings,
               uint64_t tick_us, keys_sink *sink, void *ctx);

#endif
