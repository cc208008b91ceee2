/*
 * backoff: how long to wait before the next try: FIRST, then twice as long each time, up to LAST.
 * Not random: a pad that comes back should be found at a time one can reckon with, and there is one daemon.
 */
#ifndef BELLROPE_IO_BACKOFF_H
#define BELLROPE_IO_BACKOFF_H

#include <stdint.h>

struct backoff {
    uint32_t first_ms, last_ms;
    uint32_t next_ms; /* 0: begins anew at first_ms */
};

/* The wait before the next try; the one after it will be longer. */
uint32_t backoff_next_ms(struct backoff *backoff);

/* It worked: begin anew. */
void backoff_reset(struct backoff *backoff);

#endif
