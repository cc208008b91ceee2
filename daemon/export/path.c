#include "export/path.h"

#include "core/geo.h"
#include "core/track.h"
#include "export/window.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { CORE = 4096, MARGIN_LEAST = 96, MARGIN_MOST = 512, ROOM = CORE + 2 * MARGIN_MOST };
#define MARGIN_NS (400 * NS_PER_S)
#define STRETCH_NS (1200 * NS_PER_S) /* read at a time */
#define AROUND_NS MARGIN_NS          /* beside the range, for the smoother */
#define SHIP_GAP_NS (60 * NS_PER_S)

static const char *const VEHICLE[] = {"vehicle.lat_deg", "vehicle.lon_deg", "vehicle.depth_m",
                                      "vehicle.position_uncertainty_m", NULL};
static const char *const SHIP[] = {"ship.lat_deg", "ship.lon_deg", NULL};

struct path {
    enum path_of of;
    utc_ns from, to;
    path_row *row;
    void *ctx;
    struct window window;
    bool stopped, begun;
    int64_t taken_ns; /* the last fix */
    int64_t last_ns;  /* of the last point handed over */
    size_t count;     /* fixes waiting, the first `before` of them only as a margin */
    size_t before;
    struct track_fix fix[ROOM];
    struct track_point point[ROOM];
};

int path_range(struct export_job *job, utc_ns *from, utc_ns *to)
{
    if (job->row == NULL || job->row->begun.trust == CLOCK_TRUST_NONE)
        return 1;
    *from = job->row->begun.utc;
    *to = job->row->ended.utc;
    if (!job->row->open)
        return job->row->ended.trust == CLOCK_TRUST_NONE ? 1 : 0;
    return window_last(job->reader, *from, to) == 0 ? 0 : export_reader_failed(job);
}

double path_unwrapped(double a_deg, double b_deg)
{
    return a_deg + geo_wrap_180(b_deg - a_deg);
}

bool path_crossing(const struct path_point *a, const struct path_point *b, double *lat_deg)
{
    if (fabs(b->lon_deg - a->lon_deg) < 180)
        return false;
    double lon = path_unwrapped(a->lon_deg, b->lon_deg);
    if (lon >= -180 && lon <= 180)
        return false;
    double edge = lon > 180 ? 180 : -180;
    double fraction = (edge - a->lon_deg) / (lon - a->lon_deg);
    *lat_deg = a->lat_deg + fraction * (b->lat_deg - a->lat_deg);
    return true;
}

static void hand(struct path *path, struct path_point *point)
{
    if (path->stopped || point->utc.ns < path->from.ns || point->utc.ns > path->to.ns)
        return;
    if (path->of == PATH_SHIP && path->begun)
        point->new_run = point->utc.ns - path->last_ns > SHIP_GAP_NS;
    point->new_run |= !path->begun;
    path->begun = true;
    path->last_ns = point->utc.ns;
    path->stopped = !path->row(path->ctx, point);
}

static void hand_fix(struct path *path, const struct track_fix *fix)
{
    struct path_point point = {.utc = {fix->at.ns},
                               .lat_deg = fix->lat_deg,
                               .lon_deg = fix->lon_deg,
                               .uncertainty_m = -1,
                               .depth_known = fix->depth_known,
                               .depth_m = fix->depth_m};
    hand(path, &point);
}

/* So many of the `count` fixes at `fix`, counted from their end, are margin of what comes behind them, or of what is before. */
static size_t margin_before(const struct track_fix *fix, size_t count)
{
    size_t margin = 0;
    while (margin < count && margin < MARGIN_MOST &&
           (margin < MARGIN_LEAST || fix[count - 1].at.ns - fix[count - 1 - margin].at.ns < MARGIN_NS))
        margin++;
    return margin;
}

/* Smooths what waits and hands over all but the margins; `last`: nothing comes after it. */
static void smooth(struct path *path, bool last)
{
    size_t core_end = path->count - (last ? 0 : margin_before(path->fix, path->count));
    if (core_end <= path->before)
        return;
    int64_t first_ns = path->fix[path->before].at.ns, last_ns = path->fix[core_end - 1].at.ns;
    struct track_options options;
    track_options_default(&options);
    size_t points = track_smooth_part(&options, path->fix, path->count, (mono_ns){first_ns},
                                      (mono_ns){last_ns}, path->point);
    size_t fix = 0;
    for (size_t i = 0; i < points; i++) {
        const struct track_point *from = &path->point[i];
        if (from->at.ns < first_ns || from->at.ns > last_ns)
            continue;
        while (path->fix[fix].at.ns < from->at.ns)
            fix++;
        struct path_point point = {.utc = {from->at.ns},
                                   .lat_deg = from->lat_deg,
                                   .lon_deg = from->lon_deg,
                                   .uncertainty_m = from->uncertainty_m,
                                   .depth_known = path->fix[fix].depth_known,
                                   .depth_m = path->fix[fix].depth_m,
                                   .new_run = i > 0 && from->run != path->point[i - 1].run};
        hand(path, &point);
    }
    size_t kept = path->count - core_end + margin_before(path->fix, core_end);
    memmove(path->fix, path->fix + path->count - kept, kept * sizeof path->fix[0]);
    path->before = kept - (path->count - core_end);
    path->count = kept;
}

/* What the positioning system says of its own fix, a radius of 2 drms over both axes (core/track.h). Another feed speaks of something else. */
static void take_claim(struct path *path, struct track_fix *fix)
{
    const struct window_channel *lat = &path->window.channel[0], *claim = &path->window.channel[3];
    double radius_m;
    fix->sigma_known = strcmp(lat->feed, claim->feed) == 0 &&
                       window_value(&path->window, 3, (utc_ns){fix->at.ns}, &radius_m) && radius_m > 0;
    if (fix->sigma_known)
        fix->sigma_m = track_sigma_of_radius_m(radius_m);
}

static void take_fix(struct path *path, int64_t at_ns, double lat_deg, double lon_deg)
{
    if (fabs(lat_deg) > 90 || fabs(lon_deg) > 180)
        return;
    if (at_ns < path->taken_ns + PATH_CLOSEST_NS)
        return;
    path->taken_ns = at_ns;
    if (path->count == ROOM)
        smooth(path, false);
    struct track_fix *fix = &path->fix[path->count];
    *fix = (struct track_fix){.at = {at_ns}, .position_known = true, .lat_deg = lat_deg, .lon_deg = lon_deg};
    if (path->of == PATH_SHIP) {
        hand_fix(path, fix);
        return;
    }
    fix->depth_known = window_value(&path->window, 2, (utc_ns){at_ns}, &fix->depth_m);
    take_claim(path, fix);
    path->count++;
}

/* Latitude and longitude of one fix have one instant. */
static void take_stretch(struct path *path, int64_t from_ns, int64_t to_ns)
{
    const struct window_channel *lat = &path->window.channel[0], *lon = &path->window.channel[1];
    for (size_t i = 0, k = 0; i < lat->count && !path->stopped; i++) {
        int64_t at_ns = lat->sample[i].utc_ns;
        while (k < lon->count && lon->sample[k].utc_ns < at_ns)
            k++;
        if (at_ns < from_ns || at_ns >= to_ns || k == lon->count || lon->sample[k].utc_ns != at_ns)
            continue;
        take_fix(path, at_ns, lat->sample[i].value, lon->sample[k].value);
    }
}

/* The smoother looks at what lies around the range. */
static int walk(struct path *path)
{
    int64_t around = path->of == PATH_VEHICLE ? AROUND_NS : 0;
    int64_t end = path->to.ns + around + 1;
    for (int64_t at = path->from.ns - around; at < end && !path->stopped; at += STRETCH_NS) {
        int64_t next = at + STRETCH_NS < end ? at + STRETCH_NS : end;
        /* depth is asked for within the stretch: what window_value() wants around it is there, so that it loads nothing */
        if (window_load(&path->window, at - 2 * WINDOW_GAP_NS, next + 2 * WINDOW_GAP_NS) != 0)
            return -1;
        take_stretch(path, at, next);
    }
    if (path->of == PATH_VEHICLE)
        smooth(path, true);
    return 0;
}

int path_walk(struct store_reader *reader, enum path_of of, utc_ns from, utc_ns to, path_row *row, void *ctx)
{
    struct path *path = calloc(1, sizeof *path);
    if (path == NULL)
        return -1;
    path->of = of;
    path->taken_ns = INT64_MIN / 2;
    path->from = from;
    path->to = to;
    path->row = row;
    path->ctx = ctx;
    int result = window_open(&path->window, reader, from, to, of == PATH_SHIP ? SHIP : VEHICLE);
    if (result == 0)
        result = walk(path);
    window_close(&path->window);
    free(path);
    return result;
}
