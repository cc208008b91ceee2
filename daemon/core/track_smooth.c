/*
 * track_smooth: the track after the dive (see track.h): forward filter, backward smoother, lengths.
 *
 * The error of a length. L is the sum of |x[k+1] - x[k]| over smoothed positions, whose errors are correlated along the track; adding
 * them up as if independent would claim far too much. The errors follow e[k] = C[k] e[k+1] + w[k], w of covariance D[k] (`link`), because
 * the smoothed states are a Markov chain backward in time. So the variance of sum g[k].e[k], with g the gradient of L, is folded up in one
 * pass: h[0] = g[0]; variance += h[k]' D[k] h[k]; h[k+1] = g[k+1] + C[k]' h[k]; at the end the last state's own covariance.
 *
 * The bias of a length. What noise is left in a piece makes it longer, never shorter: a vehicle at rest seems to travel. The smoother for this
 * model passes a signal at frequency w (in units of its own bandwidth) with gain 1/(1 + w^4). For velocity, the part of the error's
 * variance that is noise passed through, and not truth held back, is
 *   integral w^2/(1 + w^4)^2 dw / integral w^2/(1 + w^4) dw = 1/4
 * so a piece d with error variance v per axis has |d|^2 too large by 2 v/4, which is taken off before the root.
 * tests/property/core_track_dives.c shows what that does.
 */
#include <math.h>

#include "core/track_observe.h"

static const double noise_share = 0.25;

/* ---- forward ---- */

struct forward {
    const struct track_options *options;
    const struct track_fix *fixes;
    struct geo_plane plane;
    struct track_point *points;
    size_t count;          /* points written */
    int run;               /* of the last point */
    int outliers;          /* in a row */
    size_t outlier_fix;    /* the first of them */
    size_t outlier_points; /* how many points there were before it */
};

static double seconds_between(mono_ns from, mono_ns to)
{
    return (double)(to.ns - from.ns) / 1e9;
}

static void start_run(struct forward *f, const struct track_fix *fix, enum track_verdict verdict)
{
    if (f->count == 0) {
        geo_plane_at(&f->plane, fix->lat_deg, fix->lon_deg);
        f->run = 0;
    } else {
        f->run = f->points[f->count - 1].run + 1;
    }
    struct track_point *point = &f->points[f->count++];
    *point = (struct track_point){.at = fix->at, .verdict = verdict, .run = f->run};
    track_state_start(f->options, &f->plane, fix, &point->state);
    f->outliers = 0;
}

/* Whether the last of `count` points is the only one of its run: a fix with which nothing after it agreed, so the outlier itself. */
static bool alone(const struct forward *f, size_t count)
{
    return count == 1 || (count > 1 && f->points[count - 2].run != f->points[count - 1].run);
}

/* Takes one fix; returns the index of the fix to take next, which is an earlier one where a run starts anew. */
static size_t take(struct forward *f, size_t index)
{
    const struct track_fix *fix = &f->fixes[index];
    const struct track_point *last = f->count > 0 ? &f->points[f->count - 1] : NULL;

    if (!track_observation_ok(fix) || (last != NULL && fix->at.ns <= last->at.ns)) {
        return index + 1;
    }
    if (last == NULL || fix->at.ns - last->at.ns > f->options->gap_ns) {
        if (fix->position_known) {
            start_run(f, fix, TRACK_STARTED);
        }
        return index + 1;
    }
    struct track_point *point = &f->points[f->count];
    *point =
        (struct track_point){.at = fix->at, .verdict = TRACK_ACCEPTED, .run = f->run, .state = last->state};
    kalman_predict(&point->state, seconds_between(last->at, fix->at), f->options->acceleration_psd);
    if (track_state_update(f->options, &f->plane, fix, &point->state)) {
        f->outliers = 0;
        f->count++;
        return index + 1;
    }
    point->verdict = TRACK_OUTLIER;
    if (!fix->position_known) {
        f->count++;
        return index + 1;
    }
    if (f->outliers++ == 0) {
        f->outlier_fix = index;
        f->outlier_points = f->count;
    }
    bool single = alone(f, f->outlier_points);
    if (f->options->restart_after > 0 && f->outliers >= (single ? 1 : f->options->restart_after)) {
        f->count = f->outlier_points - single;
        start_run(f, &f->fixes[f->outlier_fix], TRACK_RESTARTED);
        return f->outlier_fix + 1;
    }
    f->count++;
    return index + 1;
}

/* ---- backward ---- */

static void smooth_run(struct track_point *points, size_t first, size_t last, double q)
{
    for (size_t k = last; k > first; k--) {
        struct track_point *point = &points[k - 1];
        const struct track_point *next = &points[k];
        kalman_smooth(&point->state, seconds_between(point->at, next->at), q, &next->state, &point->link);
    }
}

/* The last point of the run that begins at `first`. */
static size_t end_of_run(const struct track_point *points, size_t count, size_t first)
{
    size_t last = first;

    while (last + 1 < count && points[last + 1].run == points[first].run) {
        last++;
    }
    return last;
}

/* The first of the points not before the instant. */
static size_t first_from(const struct track_point *points, size_t count, mono_ns from)
{
    size_t first = 0;

    while (first < count && points[first].at.ns < from.ns) {
        first++;
    }
    return first;
}

size_t track_smooth_part(const struct track_options *options, const struct track_fix *fixes, size_t count,
                         mono_ns from, mono_ns to, struct track_point *out)
{
    struct forward f = {.options = options, .fixes = fixes, .points = out};

    for (size_t i = 0; i < count;) {
        i = take(&f, i);
    }
    size_t wanted = first_from(out, f.count, from);
    for (size_t first = wanted; first < f.count && out[first].at.ns <= to.ns;) {
        size_t last = end_of_run(out, f.count, first);
        smooth_run(out, first, last, options->acceleration_psd);
        first = last + 1;
    }
    for (size_t i = wanted; i < f.count && out[i].at.ns <= to.ns; i++) {
        struct track_point *point = &out[i];
        geo_from_plane(&f.plane, point->state.north_m, point->state.east_m, &point->lat_deg, &point->lon_deg);
        point->uncertainty_m = track_uncertainty_m(&point->state);
        point->north_m_s = point->state.north_m_s;
        point->east_m_s = point->state.east_m_s;
    }
    return f.count;
}

size_t track_smooth(const struct track_options *options, const struct track_fix *fixes, size_t count,
                    struct track_point *out)
{
    return track_smooth_part(options, fixes, count, (mono_ns){INT64_MIN}, (mono_ns){INT64_MAX}, out);
}

/* ---- lengths ---- */

/* One piece of track between neighbours: its length, direction, and the part of it that lies in the window. */
struct piece {
    double length_m;    /* less the bias */
    double bias_m;      /* what was taken off */
    double north, east; /* unit vector */
    double weight;
};

/* h and the variance so far; see the head of this file. Both axes have their own h and share C and D. */
struct fold {
    double pos[2], vel[2];
    double variance;
};

/* Error variance, per axis, of the piece from a to b: their positions' errors are correlated through the link. */
static double variance_of_piece(const struct track_point *a, const struct track_point *b)
{
    double shared = a->link.gain[0] * b->state.var_pos + a->link.gain[1] * b->state.cov;

    return fmax(a->state.var_pos + b->state.var_pos - 2.0 * shared, 0.0);
}

static struct piece piece_of(const struct track_point *a, const struct track_point *b, mono_ns from,
                             mono_ns to)
{
    int64_t start = a->at.ns > from.ns ? a->at.ns : from.ns;
    int64_t end = b->at.ns < to.ns ? b->at.ns : to.ns;

    if (end <= start) { /* outside of the window: most pieces of a dive are, of a transect's */
        return (struct piece){.weight = 0.0};
    }
    double north = b->state.north_m - a->state.north_m;
    double east = b->state.east_m - a->state.east_m;
    double flat = hypot(north, east);
    double square = flat * flat - 2.0 * noise_share * variance_of_piece(a, b);
    double kept = square > 0.0 ? sqrt(square) / flat : 0.0;
    double length = geo_distance_m(a->lat_deg, a->lon_deg, b->lat_deg, b->lon_deg);
    double whole = (double)(b->at.ns - a->at.ns);

    return (struct piece){.length_m = length * kept,
                          .bias_m = length * (1.0 - kept),
                          .north = flat > 0.0 ? north / flat : 0.0,
                          .east = flat > 0.0 ? east / flat : 0.0,
                          .weight = (double)(end - start) / whole};
}

static double quadratic(const double cov[3], double pos, double vel)
{
    return cov[0] * pos * pos + 2.0 * cov[1] * pos * vel + cov[2] * vel * vel;
}

static void add_gradient(struct fold *fold, const struct piece *piece, double sign)
{
    fold->pos[0] += sign * piece->weight * piece->north;
    fold->pos[1] += sign * piece->weight * piece->east;
}

static void pass_link(struct fold *fold, const struct kalman_link *link)
{
    const double *c = link->gain;

    for (int axis = 0; axis < 2; axis++) {
        double pos = fold->pos[axis];
        double vel = fold->vel[axis];
        fold->variance += quadratic(link->rest, pos, vel);
        fold->pos[axis] = c[0] * pos + c[2] * vel;
        fold->vel[axis] = c[1] * pos + c[3] * vel;
    }
}

static double close_fold(const struct fold *fold, const struct kalman_state *last)
{
    double cov[3] = {last->var_pos, last->cov, last->var_vel};

    return fold->variance + quadratic(cov, fold->pos[0], fold->vel[0]) +
           quadratic(cov, fold->pos[1], fold->vel[1]);
}

/* Adds what lies in the window of the run from `first` to `last`. */
static void add_run(const struct track_point *points, size_t first, size_t last, mono_ns from, mono_ns to,
                    struct track_distance *out, double *variance)
{
    struct fold fold = {.variance = 0.0};

    for (size_t k = first; k < last; k++) {
        struct piece piece = piece_of(&points[k], &points[k + 1], from, to);
        out->length_m += piece.weight * piece.length_m;
        out->bias_m += piece.weight * piece.bias_m;
        out->points += piece.weight > 0.0;
        add_gradient(&fold, &piece, -1.0);
        pass_link(&fold, &points[k].link);
        add_gradient(&fold, &piece, 1.0);
    }
    *variance += close_fold(&fold, &points[last].state);
}

bool track_length(const struct track_point *points, size_t count, mono_ns from, mono_ns to,
                  struct track_distance *out)
{
    struct track_distance sum = {.length_m = 0.0};
    const struct track_point *before = NULL; /* the end of the last run with a length */
    double variance = 0.0;

    for (size_t first = 0; first < count;) {
        size_t last = end_of_run(points, count, first);
        if (last > first) {
            if (before != NULL && before->at.ns >= from.ns && points[first].at.ns <= to.ns) {
                sum.bridged_m += geo_distance_m(before->lat_deg, before->lon_deg, points[first].lat_deg,
                                                points[first].lon_deg);
            }
            add_run(points, first, last, from, to, &sum, &variance);
            before = &points[last];
        }
        first = last + 1;
    }
    if (sum.points == 0) {
        return false;
    }
    sum.points++;
    sum.sigma_m = sqrt(fmax(variance, 0.0) + 0.25 * sum.bias_m * sum.bias_m);
    *out = sum;
    return true;
}

/* ---- between points ---- */

/* Cubic through both ends with the smoothed velocities there (Hermite), along one axis. */
static double hermite(double x0, double v0, double x1, double v1, double seconds, double f)
{
    double f2 = f * f;
    double f3 = f2 * f;

    return (2.0 * f3 - 3.0 * f2 + 1.0) * x0 + (f3 - 2.0 * f2 + f) * seconds * v0 +
           (3.0 * f2 - 2.0 * f3) * x1 + (f3 - f2) * seconds * v1;
}

static void between(const struct track_point *a, const struct track_point *b, mono_ns instant,
                    struct track_position *out)
{
    double seconds = seconds_between(a->at, b->at);
    double f = seconds_between(a->at, instant) / seconds;
    struct geo_plane plane;
    double north;
    double east;

    geo_plane_at(&plane, a->lat_deg, a->lon_deg);
    geo_to_plane(&plane, b->lat_deg, b->lon_deg, &north, &east);
    north = hermite(0.0, a->north_m_s, north, b->north_m_s, seconds, f);
    east = hermite(0.0, a->east_m_s, east, b->east_m_s, seconds, f);
    geo_from_plane(&plane, north, east, &out->lat_deg, &out->lon_deg);
    double v_north = a->north_m_s + f * (b->north_m_s - a->north_m_s);
    double v_east = a->east_m_s + f * (b->east_m_s - a->east_m_s);
    out->speed_m_s = hypot(v_north, v_east);
    out->course_deg = geo_wrap_360(atan2(v_east, v_north) * (180.0 / 3.14159265358979323846));
    out->uncertainty_m = fmax(a->uncertainty_m, b->uncertainty_m);
    out->age_ns = instant.ns - a->at.ns;
    out->between = true;
}

bool track_point_at(const struct track_point *points, size_t count, mono_ns instant,
                    struct track_position *out)
{
    size_t low = 0; /* points before `low` lie at or before the instant */
    size_t high = count;

    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (points[middle].at.ns <= instant.ns) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    if (low == count && count > 1 && points[count - 1].at.ns == instant.ns) {
        low--; /* the very end of the last run */
    }
    if (low == 0 || low == count || points[low - 1].run != points[low].run) {
        return false;
    }
    between(&points[low - 1], &points[low], instant, out);
    return true;
}
