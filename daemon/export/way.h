/*
 * way: the vehicle's smoothed way, worked out once and kept in a temporary file (40 bytes a fix), for formats that draw all of it and then
 * pieces of it: transects and spans. A piece has the fixes of the whole, without their depths; it is not smoothed again by itself, which takes as
 * long and, with other fixes around, gives other places.
 */
#ifndef BELLROPE_EXPORT_WAY_H
#define BELLROPE_EXPORT_WAY_H

#include "export/path.h"

#define WAY_POINTS 1024 /* in memory at a time */

/* A fix as it is kept. */
struct way_point {
    utc_ns utc;
    double lat_deg, lon_deg, uncertainty_m;
    bool new_run;
};

struct way {
    struct export_job *job;
    struct way_point *points; /* WAY_POINTS of them, from `loaded` on; NULL: not open */
    int fd;                   /* all of them, in order of time */
    int64_t count, loaded;
    utc_ns from, to;
    bool failed;
};

/* Walks from `from` to `to`, draws that and keeps it. 0, or -1 with a sentence in job->why; after both way_close(). */
int way_open(struct way *way, struct export_job *job, utc_ns from, utc_ns to, const struct path_sink *sink,
             void *ctx);
void way_close(struct way *way);

/* Draws a piece of it; what reaches beyond it is walked as path_lines() does. 0, or -1 as above. */
int way_lines(struct way *way, utc_ns from, utc_ns to, const struct path_sink *sink, void *ctx);

#endif
