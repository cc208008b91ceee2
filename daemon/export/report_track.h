/*
 * report_track: the vehicle's raw fixes as stored and the smoothed track made of them (core/track.h), after the dive.
 *
 * The feed with most fixes is taken. Fixes closer than 1 s to the one before are left out, since an acoustic system that repeats itself faster
 * gives no more; their count is told. The monotonic time of the smoother is UTC here, so that runs of the daemon join.
 */
#ifndef BELLROPE_EXPORT_REPORT_TRACK_H
#define BELLROPE_EXPORT_REPORT_TRACK_H

#include "core/track.h"
#include "export/report_data.h"

struct report_track {
    char feed[SOURCE_SIZE]; /* empty: no fixes */
    struct track_fix *fix;
    struct track_point *point;
    size_t fixes, points;
    size_t thinned;     /* left out because they came so soon */
    size_t outliers;    /* told apart by the smoother */
    int64_t longest_ns; /* between two fixes */
};

/* Takes fixes in order of time. False: out of memory. */
bool report_track_add(struct report_track *track, const struct track_fix *fix);
/* Smooths what was taken. False: out of memory. */
bool report_track_smooth(struct report_track *track);
void report_track_free(struct report_track *track);

/* False where no piece of track lies in it. */
bool report_track_length(const struct report_track *track, utc_ns from, utc_ns to,
                         struct track_distance *out);

#endif
