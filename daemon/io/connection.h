/*
 * connection: one peer's descriptor. Cuts what comes into lines, and sends replies and events without ever cutting into a
 * line. Knows no JSON. Loop thread.
 *
 * Reading stops while the owner admits no more lines or too many replies wait to be fetched: a peer that only asks and never
 * reads costs a bounded amount of memory. A line longer than the limit is told once and skipped to its end. When the peer
 * has closed its side, what it asked for is still answered, and a subscription goes on until sending fails.
 */
#ifndef BELLROPE_IO_CONNECTION_H
#define BELLROPE_IO_CONNECTION_H

#include "io/bytes.h"
#include "io/subscription.h"

#include <uv.h>

struct connection;

struct connection_events {
    /* May the next line be taken? False pauses reading until connection_resume(). */
    bool (*admit)(struct connection *connection);
    void (*line)(struct connection *connection, const char *line, size_t len);
    void (*overlong)(struct connection *connection);
    /* Rows from sub.next on are to be fetched for the subscription. */
    void (*wants_piece)(struct connection *connection);
    /* It can go on: call connection_flush() in a later turn of the loop, when those before it have had theirs. */
    void (*again)(struct connection *connection);
    /* Whether something is under way that will be answered, so that a half-closed connection has to wait. */
    bool (*waits)(const struct connection *connection);
    /* It is closing: take it off lists. Its memory stays until `freed`. */
    void (*closed)(struct connection *connection);
    void (*freed)(struct connection *connection);
};

struct connection {
    const struct connection_events *events;
    const struct event_log *log;
    size_t message_bytes;
    int fd;
    int mask; /* what the poll watches; 0: stopped */
    uv_poll_t poll;
    uv_timer_t timer; /* the owner's, for resuming or lingering */
    unsigned handles;
    struct bytes in;
    struct bytes replies; /* whole lines */
    size_t replies_sent;
    struct subscription sub;
    uint64_t sent; /* bytes ever sent */
    bool skipping; /* inside an over-long line */
    bool paused;
    bool eof;
    bool blocked;   /* waits until the peer takes more */
    bool finishing; /* no more lines are taken; closes once everything is sent */
    bool closing;
};

/* Zeroed memory before. Takes over `fd` also where it fails (-1). */
int connection_open(struct connection *connection, uv_loop_t *loop, int fd,
                    const struct connection_events *events, const struct event_log *log,
                    size_t message_bytes);

/* Sends what can be sent now: replies first, then events. */
void connection_flush(struct connection *connection);
/* Takes up reading again. */
void connection_resume(struct connection *connection);
/* Ends the subscription and closes when all that is in hand is sent. */
void connection_finish(struct connection *connection);
void connection_close(struct connection *connection);

#endif
