/*
 * listeners: subscribers that come back. Each says the last seq it has, counts what it misses or gets twice, and all must get the same bytes.
 */
#ifndef BELLROPE_TESTS_FAULT_LISTENERS_H
#define BELLROPE_TESTS_FAULT_LISTENERS_H

#include <stdbool.h>
#include <stdint.h>
#include <uv.h>

struct listeners;

struct listeners *listeners_new(uv_loop_t *loop, const char *socket, int count);
/* To be called often: connects those that are not connected. */
void listeners_watch(struct listeners *listeners, int64_t now_ns);
/* Closes all; the loop must turn once more before listeners_free(). */
void listeners_close(struct listeners *listeners);
void listeners_free(struct listeners *listeners);

struct listeners_count {
    int64_t events, reconnects;
    int64_t missed, twice, different;
    int64_t least; /* the lowest of the last seqs */
};
void listeners_count(const struct listeners *listeners, struct listeners_count *out);

/* Of the text of an event, as the journal has it; 0 where nobody heard it. */
uint64_t listeners_hash(const char *text, uint64_t len);
uint64_t listeners_heard(const struct listeners *listeners, int64_t seq);

#endif
