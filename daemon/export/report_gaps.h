/*
 * report_gaps: silences of the feeds, found in what is stored of them. Each feed is judged by its channel with most samples; a silence is longer
 * than ten times its usual interval, and than 5 s.
 */
#ifndef BELLROPE_EXPORT_REPORT_GAPS_H
#define BELLROPE_EXPORT_REPORT_GAPS_H

#include "export/report_data.h"

struct report_gap {
    utc_ns from, to;
};

struct report_feed {
    char name[SOURCE_SIZE], channel[CHANNEL_NAME_SIZE];
    uint64_t samples; /* of that channel */
    utc_ns first, last;
    double interval_s; /* on the mean, silences left out */
    size_t gaps;
    int64_t silent_ns;
    struct report_gap longest[8]; /* the longest ones, in order of time */
    size_t kept;
    /* of the search */
    bool heard; /* its samples were handed over */
    int64_t threshold_ns, spoken_ns;
    uint64_t spoken;
    utc_ns latest;
};

struct report_feeds {
    struct report_feed feed[32];
    size_t count;
};

/* The feeds of the dive's time, nothing heard of them yet. */
void report_feeds_begin(struct report_feeds *feeds, const struct report_data *data);
/* The feed that is judged by that channel; NULL: none. Who reads the channel for himself hands over all its samples, and marks it heard. */
struct report_feed *report_feeds_judged(struct report_feeds *feeds, const char *channel, const char *feed);
void report_feed_hear(struct report_feed *feed, utc_ns at);
/* Reads what was not heard, and closes the search. 0, or -1: the reader says why. */
int report_feeds_end(struct report_feeds *feeds, const struct report_data *data);

#endif
