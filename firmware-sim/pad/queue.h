/*
 * queue: presses that no host has said *kept* to, in the order they were made, and when to offer them again.
 *
 * The head of the queue (at most QUEUE_WINDOW entries) is on offer. A new press is offered at once if it falls within the window.
 * When no answer came for the retry time, the window is offered again from the head, and the retry time doubles up to
 * QUEUE_RETRY_MAX_US; any answer sets it back. Full: the new press is refused, never the oldest overwritten.
 *
 * A small part has room for few presses here. So when the queue is nearly full, a press that is on record in the EEPROM is let go, the
 * newest such first, and fetched again when there is room (spill.h). What is pressed meanwhile finds a place, but is not offered before
 * those that are away: the order holds.
 */
#ifndef PAD_QUEUE_H
#define PAD_QUEUE_H

#include <stdbool.h>
#include <stdint.h>

#ifndef PAD_QUEUE
#define PAD_QUEUE 64u /* unkept presses this build has room for */
#endif

enum {
    QUEUE_WINDOW = PAD_QUEUE < 16 ? 4 : 8,
    QUEUE_RETRY_US = 250000,
    QUEUE_RETRY_MAX_US = 4000000,
    QUEUE_NO_SLOT = 255, /* the press is in RAM alone */
    QUEUE_SPARE = 3,     /* places kept for presses to come, where the EEPROM can take the others */
};

struct queue_press {
    uint32_t boot;
    uint32_t seq;
    uint32_t tick_low;
    uint16_t tick_high;
    uint16_t before_us;
    uint16_t after_us;
    uint8_t key;
    uint8_t gesture;  /* enum wire_gesture */
    uint8_t of_delta; /* seq - of_seq; 0: refers to none */
    uint8_t offers;   /* times sent */
    uint8_t slot;     /* where it lies in the EEPROM, or QUEUE_NO_SLOT */
};

/* Owned by the caller; fields are the module's own. */
struct queue_state {
    struct queue_press press[PAD_QUEUE];
    uint8_t count;
    uint8_t away;    /* presses that are not here, but on record alone */
    uint8_t front;   /* the first so many here are older than any that is away */
    uint8_t offered; /* the first so many have been sent in this round; at most `front` */
    uint32_t round;  /* low 32 bits of the tick of the last offer or answer */
    uint32_t retry_us;
};

void queue_init(struct queue_state *queue);

/* Adds at the end. False when full. */
bool queue_push(struct queue_state *queue, const struct queue_press *press);

/* Adds where its boot and seq belong: the oldest press that was away. False when full. */
bool queue_recover(struct queue_state *queue, const struct queue_press *press);

/* Lets go of the newest press that is on record and neither first nor on offer: it is away then. Names its slot; false when there is none. */
bool queue_let_go(struct queue_state *queue, uint8_t *slot);

/* The press to send now, marked as sent; NULL when there is none. `now`: low 32 bits of the tick. Valid until the next call. */
const struct queue_press *queue_offer(struct queue_state *queue, uint32_t now);

/* Everything on offer is offered again from the head, at once: the link is back. */
void queue_restart(struct queue_state *queue);

/* Takes out the press named; true and its slot in *slot when it was there. */
bool queue_remove(struct queue_state *queue, uint32_t boot, uint32_t seq, uint32_t now, uint8_t *slot);

#endif
