/*
 * report_series: samples of one channel in memory, thinned, or values derived from several. A channel that several feeds give is taken from
 * the feed with most samples; feeds are never mixed.
 */
#ifndef BELLROPE_EXPORT_REPORT_SERIES_H
#define BELLROPE_EXPORT_REPORT_SERIES_H

#include "export/report_data.h"

struct report_sample {
    utc_ns utc;
    double value;
};

struct report_series {
    char feed[SOURCE_SIZE]; /* empty: nobody gave it */
    const char *derived;    /* what it was worked out from, for people; NULL: as it came */
    struct report_sample *sample;
    size_t count;
    int64_t gap_ns; /* a longer silence breaks a line through them */
    double low, high;
    utc_ns low_at, high_at;
};

/* The feed that gives most of a channel between the data's two ends; false: none does. */
bool report_series_feed(const struct report_data *data, const char *channel, char feed[SOURCE_SIZE],
                        uint64_t *samples);
/* Whether a feed gives a channel. */
bool report_series_gives(const struct report_data *data, const char *channel, const char *feed);

/* Begins an empty series of a channel, by the feed that gives most of it, to be thinned to so many parts. False: none does. */
bool report_series_begin(struct report_series *series, const struct report_data *data, const char *channel,
                         uint32_t parts);
void report_series_free(struct report_series *series);

/* Turns pressure in dbar into depth in metres (core/seawater.h). False: out of memory. */
bool report_series_to_depth(struct report_series *series, const struct report_data *data);

/* Takes samples in order of time and keeps the lowest and the highest of each part of the dive's time, so that no spike is lost. */
struct report_thinner {
    struct report_series *out; /* NULL: takes nothing */
    double from_ns, part_ns;
    int64_t part; /* -1: none yet */
    struct report_sample low, high;
    bool failed; /* out of memory */
};
struct report_thinner report_thin_into(struct report_series *out, const struct report_data *data,
                                       uint32_t parts);
void report_thin_add(struct report_thinner *thinner, struct report_sample sample);
/* Nothing before that instant comes any more: a part that ended before it is done. */
void report_thin_until(struct report_thinner *thinner, utc_ns at);
void report_thin_end(struct report_thinner *thinner);

/* The sample nearest before or at an instant, starting the search at *from, which moves on; NULL: none yet. For rising instants. */
const struct report_sample *report_series_before(const struct report_series *series, utc_ns at, size_t *from);

#endif
