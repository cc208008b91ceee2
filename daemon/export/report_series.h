/*
 * report_series: samples of one channel in memory, and values derived from several. A channel that several feeds give is taken from the
 * feed with most samples; feeds are never mixed.
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

/* `parts` as in query_telemetry. Leaves an empty series where nobody gave the channel. 0, or -1. */
int report_series_read(struct report_series *series, const struct report_data *data, const char *channel,
                       const char *feed, uint32_t parts);
/* Depth, temperature, salinity, each as it came or else derived, thinned to about `parts` lowest and highest. 0, or -1. */
int report_series_depth(struct report_series *series, const struct report_data *data, uint32_t parts);
int report_series_temperature(struct report_series *series, const struct report_data *data, uint32_t parts);
int report_series_salinity(struct report_series *series, const struct report_data *data, uint32_t parts);
void report_series_free(struct report_series *series);

/* The sample nearest before or at an instant, starting the search at *from, which moves on; NULL: none yet. For rising instants. */
const struct report_sample *report_series_before(const struct report_series *series, utc_ns at, size_t *from);

#endif
