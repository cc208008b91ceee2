/*
 * way: the vehicle's smoothed way, worked out once and kept in a temporary file (40 bytes a fix), for formats that draw all of it and then
 * pieces of it: transects and spans. A piece has the fixes of the whole, without their depths; it is not smoothed again by itself, which takes as
 * long and, with other fixes around, gives other places.
 */
#ifndef BELLROPE_EXPORT_WAY_H
#define BELLROPE_EXPORT_WAY_H

#include "export/path.h"
#include "export/timefile.h"

struct way {
    struct export_job *job;
    struct timefile *points; /* NULL: not open */
    utc_ns from, to;
};

/* Walks from `from` to `to`, draws that and keeps it. 0, or -1 with a sentence in job->why; after both way_close(). */
int way_open(struct way *way, struct export_job *job, utc_ns from, utc_ns to, const struct path_sink *sink,
             void *ctx);
void way_close(struct way *way);

/* Draws a piece of it; what reaches beyond it is walked as path_lines() does. 0, or -1 as above. */
int way_lines(struct way *way, utc_ns from, utc_ns to, const struct path_sink *sink, void *ctx);

#endif
