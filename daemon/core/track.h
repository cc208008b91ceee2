/*
 * track: where the vehicle was, from acoustic fixes that are late, rare, noisy and sometimes plainly wrong.
 *
 * Model: constant velocity with white acceleration noise, in a plane touching the ellipsoid (core/geo.h).
 * State per axis: position and velocity; F = [1 d; 0 1], Q = q [d^3/3 d^2/2; d^2/2 d] (Bar-Shalom, Li and
 * Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, section 6.2). The noise of a
 * fix is taken equal in north and east, so both axes have the same covariance and it is kept once. A fix is
 * an outlier if its innovation, in units of its own standard deviation, lies outside `gate` (two degrees of
 * freedom: 3.5 turns away 0.2 % of good fixes). After `restart_after` outliers in a row, or a drop-out longer
 * than `gap_ns`, the filter starts anew at the fix: it was the filter that was wrong.
 *
 * Live: track_add() then track_at(). After the dive: track_smooth(), the Rauch-Tung-Striebel pass (AIAA
 * Journal 3(8), 1965), and track_length(). Raw fixes are never changed.
 *
 * Uncertainty is a radius of 2 drms, twice the root of the summed variances of both axes, which holds the
 * truth at least 95 times in 100 where the noise is what was assumed (drms as in the US Federal
 * Radionavigation Plan, appendix A).
 *
 * Pure; no allocation; all memory is the caller's. One thread at a time for one track.
 */
#ifndef BELLROPE_CORE_TRACK_H
#define BELLROPE_CORE_TRACK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/geo.h"
#include "core/instant.h"

struct track_options {
    double acceleration_psd; /* q, m^2/s^3; how briskly the vehicle changes its mind. 0.002 suits a vehicle at
                                work */
    double speed_sigma_m_s;  /* what is known of the speed at the start */
    double noise_fraction;   /* sigma of a fix, per axis, as a fraction of depth (slant range), where the fix
                                does not say */
    double noise_floor_m;    /* and at least this */
    double gate;             /* see above; 0 lets everything in */
    int restart_after;       /* outliers in a row; 0 never */
    int64_t gap_ns;          /* a drop-out this long ends the run */
};

/* The values above that suit acoustic fixes every 1 to 4 s: q 0.002, 0.7 m/s, 1 % of depth, floor 1 m,
 * gate 3.5, 5, 120 s. The percentage is common practice, no published source; set it to what the positioning
 * system is specified for. */
void track_options_default(struct track_options *options);

/* One observation: a position, or a velocity over ground, or both. */
struct track_fix {
    mono_ns at;
    bool position_known;
    double lat_deg, lon_deg;
    bool sigma_known;
    double sigma_m; /* standard deviation per axis, as the positioning system claims it */
    bool depth_known;
    double depth_m;
    bool velocity_known;
    double north_m_s, east_m_s;
    double velocity_sigma_m_s; /* per axis; 0.05 is taken where it is not above 0 */
};

/* Speed and course over ground, or a log's own axes with the heading, as north and east. */
void track_velocity_from_course(struct track_fix *fix, double speed_kn, double course_deg);
void track_velocity_from_log(struct track_fix *fix, double ahead_kn, double starboard_kn, double heading_deg);

/* Two axes with one covariance. */
struct track_state {
    double north_m, east_m;
    double north_m_s, east_m_s;
    double var_pos, cov, var_vel; /* m^2, m^2/s, m^2/s^2 */
};

enum track_verdict {
    TRACK_STARTED,   /* the first fix, or a start anew after a drop-out */
    TRACK_RESTARTED, /* a start anew because of outliers in a row */
    TRACK_ACCEPTED,
    TRACK_OUTLIER,
    TRACK_OLD, /* not later than the last one: left out */
    TRACK_BAD, /* not finite, or no position and nothing to apply a velocity to */
    TRACK_VERDICTS
};

struct track {
    struct track_options options;
    bool started;
    struct geo_plane plane;
    mono_ns at;
    struct track_state state;
    int outliers_in_a_row;
    uint64_t counts[TRACK_VERDICTS];
};

struct track_position {
    double lat_deg, lon_deg;
    double uncertainty_m; /* 2 drms */
    double speed_m_s, course_deg;
    int64_t age_ns; /* since the last fix that was used; negative before it */
};

void track_init(struct track *track, const struct track_options *options);

enum track_verdict track_add(struct track *track, const struct track_fix *fix);

/* The position at an instant, carried on from the last accepted fix with growing uncertainty. False before
 * the first fix, more than gap_ns after the last one, or before the last one (ask then for interpolated
 * channels, or the smoother). */
bool track_at(const struct track *track, mono_ns instant, struct track_position *out);

/* The standard deviation per axis that a fix is given. */
double track_sigma_m(const struct track_options *options, const struct track_fix *fix);

/* ---- after the dive ---- */

struct track_point {
    mono_ns at;
    double lat_deg, lon_deg;
    double uncertainty_m;
    double north_m_s, east_m_s;
    enum track_verdict verdict; /* what the filter made of the fix at this time */
    int run; /* 0, 1, ...: a new run begins after a drop-out or restart; no length is counted between runs */
    /* Kept for track_length: */
    struct track_state smoothed;
    double gain[4]; /* smoother gain C to the next point, row by row */
    double rest[3]; /* covariance of this state once the next is known: pos, cross, vel */
};

/*
 * Filters forward and smooths backward. `out` has room for `count` points and is the only memory used; one
 * point is written for each fix that is not OLD or BAD, at its time, outliers included (the state there owes
 * nothing to them). Returns how many points were written. `fixes` in order of time. 0 points if nothing could
 * be used.
 */
size_t track_smooth(const struct track_options *options, const struct track_fix *fixes, size_t count,
                    struct track_point *out);

struct track_length {
    double length_m;
    double sigma_m;   /* standard deviation from the smoother's covariance, correlations along the track
                         included */
    double bridged_m; /* straight lines over drop-outs between runs: not in length_m */
    size_t points;
};

/*
 * Length along the smoothed track between two instants (ends cut by interpolation), with its error. False if
 * fewer than two points lie within.
 */
bool track_length(const struct track_point *points, size_t count, mono_ns from, mono_ns to,
                  struct track_length *out);

/* The smoothed position at an instant between two points of one run; false elsewhere. */
bool track_point_at(const struct track_point *points, size_t count, mono_ns instant,
                    struct track_position *out);

#endif
