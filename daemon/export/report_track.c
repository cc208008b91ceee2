#include "export/report_track.h"

#include "export/report_series.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CLOSEST_NS NS_PER_S
/* Depth and uncertainty go with a fix where they are no older than this. */
#define BESIDE_NS (10 * NS_PER_S)

struct beside {
    struct report_series series;
    size_t at;
};

static bool value_beside(struct beside *beside, utc_ns at, double *value)
{
    const struct report_sample *sample = report_series_before(&beside->series, at, &beside->at);
    if (sample == NULL || at.ns - sample->utc.ns > BESIDE_NS)
        return false;
    *value = sample->value;
    return true;
}

struct parts_of_fix {
    struct report_series lat, lon;
    struct beside uncertainty, depth;
};

static struct track_fix fix_of(struct parts_of_fix *parts, utc_ns at, double lat_deg, double lon_deg)
{
    struct track_fix fix = {.at = {at.ns}, .lat_deg = lat_deg, .lon_deg = lon_deg, .position_known = true};
    double radius_m;
    fix.depth_known = value_beside(&parts->depth, at, &fix.depth_m);
    /* 2 drms to one axis: core/track.h */
    fix.sigma_known = value_beside(&parts->uncertainty, at, &radius_m) && radius_m > 0;
    if (fix.sigma_known)
        fix.sigma_m = radius_m / 2.8284;
    return fix;
}

/* Both halves of a fix have one instant; UTC of a sample is interpolated, so that it may differ by some microseconds. */
static void join_halves(struct report_track *track, struct parts_of_fix *parts)
{
    const struct report_series *lat = &parts->lat, *lon = &parts->lon;
    int64_t last_ns = INT64_MIN;
    for (size_t i = 0, k = 0; i < lat->count && k < lon->count;) {
        int64_t apart = lat->sample[i].utc.ns - lon->sample[k].utc.ns;
        if (apart < -NS_PER_MS) {
            i++;
        } else if (apart > NS_PER_MS) {
            k++;
        } else {
            utc_ns at = lat->sample[i].utc;
            if (last_ns != INT64_MIN && at.ns - last_ns > track->longest_ns)
                track->longest_ns = at.ns - last_ns;
            if (last_ns != INT64_MIN && at.ns - last_ns < CLOSEST_NS - NS_PER_S / 20) {
                track->thinned++;
            } else {
                track->fix[track->fixes++] = fix_of(parts, at, lat->sample[i].value, lon->sample[k].value);
                last_ns = at.ns;
            }
            i++;
            k++;
        }
    }
}

static int smooth(struct report_track *track, struct parts_of_fix *parts, bool *no_memory)
{
    size_t most = parts->lat.count;
    if (most == 0 || parts->lon.count == 0)
        return 0;
    snprintf(track->feed, sizeof track->feed, "%s", parts->lat.feed);
    track->fix = calloc(most, sizeof *track->fix);
    if (track->fix != NULL)
        join_halves(track, parts);
    track->point = track->fix != NULL ? calloc(track->fixes + 1, sizeof *track->point) : NULL;
    *no_memory = track->point == NULL;
    if (*no_memory)
        return -1;
    struct track_options options;
    track_options_default(&options);
    track->points = track_smooth(&options, track->fix, track->fixes, track->point);
    for (size_t i = 0; i < track->points; i++)
        track->outliers += track->point[i].verdict == TRACK_OUTLIER ? 1 : 0;
    return 0;
}

int report_track_gather(struct report_track *track, const struct report_data *data, bool *no_memory)
{
    struct parts_of_fix parts = {0};
    *track = (struct report_track){0};
    *no_memory = false;
    int result = report_series_read(&parts.lat, data, "vehicle.lat_deg", NULL, 0);
    if (result == 0 && parts.lat.count > 0)
        result = report_series_read(&parts.lon, data, "vehicle.lon_deg", parts.lat.feed, 0) |
                 report_series_read(&parts.uncertainty.series, data, "vehicle.position_uncertainty_m",
                                    parts.lat.feed, 0) |
                 report_series_read(&parts.depth.series, data, "vehicle.depth_m", NULL, 20000);
    if (result == 0)
        result = smooth(track, &parts, no_memory);
    report_series_free(&parts.lat);
    report_series_free(&parts.lon);
    report_series_free(&parts.uncertainty.series);
    report_series_free(&parts.depth.series);
    return result;
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
