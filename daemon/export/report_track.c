#include "export/report_track.h"

#include "export/path.h"

#include <stdlib.h>

bool report_track_add(struct report_track *track, const struct track_fix *fix)
{
    size_t count = track->fixes;
    int64_t apart_ns = count > 0 ? fix->at.ns - track->fix[count - 1].at.ns : INT64_MAX;
    if (count > 0 && apart_ns > track->longest_ns)
        track->longest_ns = apart_ns;
    if (apart_ns < PATH_CLOSEST_NS) {
        track->thinned++;
        return true;
    }
    if ((count & (count - 1)) == 0) { /* full at each power of two */
        struct track_fix *grown = realloc(track->fix, (count == 0 ? 1 : count * 2) * sizeof *grown);
        if (grown == NULL)
            return false;
        track->fix = grown;
    }
    track->fix[track->fixes++] = *fix;
    return true;
}

bool report_track_smooth(struct report_track *track)
{
    struct track_options options;
    track->point = calloc(track->fixes + 1, sizeof *track->point);
    if (track->point == NULL)
        return false;
    track_options_default(&options);
    track->points = track_smooth(&options, track->fix, track->fixes, track->point);
    for (size_t i = 0; i < track->points; i++)
        track->outliers += track->point[i].verdict == TRACK_OUTLIER ? 1 : 0;
    return true;
}

void report_track_free(struct report_track *track)
{
    free(track->fix);
    free(track->point);
    *track = (struct report_track){0};
}

/* The last point before an instant; the first where there is none. */
static size_t point_before(const struct report_track *track, utc_ns at)
{
    size_t low = 0, high = track->points;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (track->point[middle].at.ns < at.ns)
            low = middle + 1;
        else
            high = middle;
    }
    return low > 0 ? low - 1 : 0;
}

bool report_track_length(const struct report_track *track, utc_ns from, utc_ns to, struct track_distance *out)
{
    size_t first = point_before(track, from);
    return track->points > first + 1 && track_length(track->point + first, track->points - first,
                                                     (mono_ns){from.ns}, (mono_ns){to.ns}, out);
}
