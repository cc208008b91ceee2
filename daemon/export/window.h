/*
 * window: telemetry of a few channels, a stretch of time at a time, so that memory stays the same however long the dive is. For
 * callers that go forward in time. Of each channel one feed is used: the one with the most samples in the whole range.
 */
#ifndef BELLROPE_EXPORT_WINDOW_H
#define BELLROPE_EXPORT_WINDOW_H

#include "store/query.h"

#define WINDOW_CHANNELS_MAX 12
#define WINDOW_GAP_NS (10 * NS_PER_S) /* no value is made up over a longer silence */

struct window_sample {
    int64_t utc_ns;
    double value;
};

struct window_channel {
    const char *name;
    char feed[SOURCE_SIZE];       /* empty: no feed has it */
    bool angle;                   /* interpolated by the shorter arc */
    struct window_sample *sample; /* of the stretch, in order of time */
    size_t count, size, at;
};

struct window {
    struct store_reader *reader;
    int64_t from_ns, to_ns; /* the stretch that is loaded */
    struct window_channel channel[WINDOW_CHANNELS_MAX];
    size_t channels;
    bool failed; /* out of memory, or the reader says why */
};

/* Chooses the feeds for the range. `names` ends with NULL. 0, or -1: the reader failed. After both window_close(). */
int window_open(struct window *window, struct store_reader *reader, utc_ns from, utc_ns to,
                const char *const *names);
void window_close(struct window *window);

/* Loads [from, to] of every channel. 0 or -1. */
int window_load(struct window *window, int64_t from_ns, int64_t to_ns);

/* The value at an instant: on the line between its neighbours, else the one before it if not older than the gap. Loads what is needed. */
bool window_value(struct window *window, size_t channel, utc_ns utc, double *value);

/* The lowest and the highest sample in [from, to], both included. False: there is none, or window->failed. Loads what is needed. */
bool window_extremes(struct window *window, size_t channel, utc_ns from, utc_ns to, double *low,
                     double *high);

/* The latest instant of any telemetry from `from` on; `from` itself where there is none. 0 or -1. */
int window_last(struct store_reader *reader, utc_ns from, utc_ns *last);

#endif
