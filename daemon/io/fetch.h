/*
 * fetch: a piece of the journal for one subscriber, read on the journal lane.
 */
#ifndef BELLROPE_IO_FETCH_H
#define BELLROPE_IO_FETCH_H

#include "io/lane.h"
#include "io/socket.h"
#include "io/subscription.h"

#define FETCH_BYTES_FIRST ((size_t)32 * 1024)
#define FETCH_BYTES_MOST ((size_t)1024 * 1024)

struct fetch {
    /* wanted */
    int64_t after, upto;
    uint32_t types;
    size_t bytes;  /* enough when a piece has this many */
    uint64_t turn; /* the caller's */
    /* found */
    struct piece piece; /* its memory, if it has any, is used again */
    bool failed;
    char why[SOCKET_WHY_SIZE];
};

/* Calls `done` on the loop's thread, once; what is left in `fetch` afterwards is freed. False, and no call, and `want` unchanged: out of memory. */
bool fetch_start(struct lane *lane, const struct socket_backend *backend, const struct fetch *want,
                 void (*done)(void *ctx, struct fetch *fetch), void *ctx);

#endif
