/*
 * rate: a bucket that fills with `per_s` permits a second and holds one second's worth. Time is an argument.
 */
#ifndef BELLROPE_IO_RATE_H
#define BELLROPE_IO_RATE_H

#include <stdint.h>

struct rate {
    unsigned per_s; /* 0: no limit */
    int64_t credit; /* in billionths of a permit */
    int64_t at_ns;
};

/* Full at `now_ns`. */
void rate_start(struct rate *rate, unsigned per_s, int64_t now_ns);
/* Takes a permit and returns 0, or returns in how many nanoseconds there will be one. */
int64_t rate_take(struct rate *rate, int64_t now_ns);

#endif
