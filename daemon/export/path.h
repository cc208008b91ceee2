/*
 * path: where vehicle and ship went, in order of time, for the formats that draw lines.
 *
 * Fixes closer than a second to the last one are passed over, the ship's too: nobody draws more, and what comes ten times a second is filtered
 * already, so that its errors are not one by one by chance, as a smoother takes them to be.
 * The vehicle's fixes are smoothed as in core/track.h (Rauch, Tung & Striebel 1965), with depth for their noise. That is done for
 * 4,096 fixes at a time with those of 400 s (96 at least) on either side, which the smoother has forgotten by then, so memory is
 * the same for a dive of any length. With the default options and a fix a second, 1 % off of a depth of 1,900 m, it forgets by half in
 * 20 s; a margin of 400 s leaves a part in a million. The ship's positions are taken as they came. A line is broken (`new_run`) where the smoother starts anew, or after 60 s of silence of
 * the ship.
 */
#ifndef BELLROPE_EXPORT_PATH_H
#define BELLROPE_EXPORT_PATH_H

#include "export/export.h"

enum path_of { PATH_VEHICLE, PATH_SHIP };

/* Fixes are a second apart, or so little less that it is the clock's doing. */
#define PATH_CLOSEST_NS (NS_PER_S - NS_PER_S / 20)

struct path_point {
    utc_ns utc;
    double lat_deg, lon_deg; /* WGS 84 */
    double uncertainty_m;    /* 2 drms; negative: not known */
    bool depth_known;
    double depth_m;
    bool new_run;
};
/* False stops. */
typedef bool path_row(void *ctx, const struct path_point *point);

/* Points in [from, to]. 0, or -1: the reader failed, or out of memory. */
int path_walk(struct store_reader *reader, enum path_of of, utc_ns from, utc_ns to, path_row *row, void *ctx);

/* From the dive's begin to its end, or to the latest telemetry where it is open. 0; 1: there is no such range; -1: the reader failed. */
int path_range(struct export_job *job, utc_ns *from, utc_ns *to);

/*
 * The vehicle's way as lines that every map can draw: of two points at least, split at the antimeridian with a vertex on either side of it.
 * `point` is the one that the vertex is, or, on the antimeridian, the one behind it.
 */
struct path_sink {
    void (*begin)(void *ctx);
    void (*vertex)(void *ctx, double lat_deg, double lon_deg, const struct path_point *point);
    void (*end)(void *ctx);
};
int path_lines(struct store_reader *reader, utc_ns from, utc_ns to, const struct path_sink *sink, void *ctx);

/* The same for who walks the way himself: zeroed but for `sink` and `ctx`, each point in order, then the end. */
struct path_liner {
    const struct path_sink *sink;
    void *ctx;
    bool waiting; /* `last` is the first of its line and alone: no line of one point */
    bool open;
    struct path_point last;
};
void path_liner_point(struct path_liner *liner, const struct path_point *point);
void path_liner_end(struct path_liner *liner);

/* The longitude of `b` as it lies next to `a`: they differ by less than 180 degrees, so one of the two may be outside -180..180. */
double path_unwrapped(double a_deg, double b_deg);

/* Whether the shorter way from `a` to `b` crosses the antimeridian, and at which latitude (linear, as RFC 7946 section 3.1.1 has lines). */
bool path_crossing(const struct path_point *a, const struct path_point *b, double *lat_deg);

#endif
