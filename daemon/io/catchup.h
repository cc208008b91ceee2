/*
 * catchup: reads the journal for one subscriber that is behind the texts in memory, a piece at a time and one piece ahead: while
 * one goes down the connection the next is read, so that disk and peer work at the same time. Loop thread; the reading is done
 * on the journal lane.
 *
 * A piece is small at first and grows while the peer takes all it gets. Many who catch up at once share a bounded amount of
 * memory and get smaller pieces. Rejected: more pieces ahead (the lane reads for all in turn, so they would only wait in memory).
 */
#ifndef BELLROPE_IO_CATCHUP_H
#define BELLROPE_IO_CATCHUP_H

#include "io/subscription.h"

struct session;

struct catchup {
    uint64_t turn; /* a piece asked for by an earlier subscription is thrown away */
    bool reading;
    bool behind;  /* counted in the server's `catching_up` */
    size_t bytes; /* of a piece, if the peer takes all it gets */
    int64_t next; /* where the next piece begins */
    bool has_ready;
    struct piece ready;
};

/* Zeroed memory is one at rest. The subscription has ended, or begins anew: what was read for it is forgotten. */
void catchup_forget(struct session *session);

/* The subscription has nothing to send and what comes next is not in memory. */
void catchup_go_on(struct session *session);

#endif
