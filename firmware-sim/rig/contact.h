/*
 * contact: how the contacts of a key behave when a finger closes and opens it.
 *
 * A press is a list of edges: the contact closes, chatters, stays closed, opens, chatters, stays open. How long it chatters
 * is drawn from a truncated exponential distribution that agrees with the published figures for about 18 kinds of switch:
 * mean about 1.56 ms, worst 6.2 ms (J. Ganssle, "A Guide to Debouncing", 2004, revised 2008; figures from memory). The
 * lengths of the single contacts and gaps within are our judgement: 20 us to 1 ms, 150 us in the mean.
 *
 * The truth of a press is its first edge: the instant the metal first touched.
 */
#ifndef BELLROPE_RIG_CONTACT_H
#define BELLROPE_RIG_CONTACT_H

#include "chance.h"

#include <stdbool.h>
#include <stddef.h>

enum { CONTACT_EDGES_MAX = 256 };

struct contact_edge {
    int64_t at_ns;
    bool closed;
};

struct contact_press {
    size_t count;
    struct contact_edge edge[CONTACT_EDGES_MAX]; /* in order of time; the first closes, the last opens */
};

/*
 * Fills `press` with the edges of a key closed at `down_ns` for `hold_ns` (until the finger lifts; at least 1 ms). When
 * `bounces` is false there are two edges. Chatter of the closing never reaches past the lift.
 */
void contact_make(struct contact_press *press, struct chance *chance, int64_t down_ns, int64_t hold_ns,
                  bool bounces);

/* One length of chatter in ns, 0 to 6.2 ms, mean about 1.56 ms. */
int64_t contact_chatter_ns(struct chance *chance);

#endif
