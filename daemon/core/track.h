/*
 * track: where the vehicle was, from acoustic fixes that are late, rare, noisy and sometimes plainly wrong.
 *
 * A constant-velocity Kalman filter (core/kalman.h) in a plane touching the ellipsoid at the first fix (core/geo.h).
 * A fix is an outlier if it lies further from the prediction than `gate` times the standard deviation of that difference (two
 * degrees of freedom: 3.5 turns away 0.2 % of good fixes). After `restart_after` outliers in a row, or nothing for longer than
 * `gap_ns`, the filter starts anew at the fix: it was the filter that was wrong. A second fix that disagrees with the first does so at once. A measured velocity may besides differ by the spread of
 * the vehicle's speed, for it sees a turn before the filter does.
 *
 * Live: track_add(), then track_at(). After the dive: track_smooth() and track_length(). Raw fixes are never changed.
 *
 * Uncertainty is a radius of 2 drms, twice the root of the summed variances of both axes; it holds the truth at least 95 times in
 * 100 where the noise is as assumed (drms as in the US Federal Radionavigation Plan, appendix A). A positioning system that gives
 * a 2 drms or 95 % radius is taken in with track_sigma_of_radius_m().
 *
 * What a filter cannot see: errors that stay the same from fix to fix (alignment of the transceiver, a wrong sound speed, a wrong
 * lever arm) do not average out and are not in the uncertainty. Not for navigation or vehicle safety.
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
#include "core/kalman.h"

enum { TRACK_HISTORY = 64 }; /* accepted observations kept live, for instants that lie behind the last one */

struct track_options {
    double acceleration_psd; /* q, m^2/s^3, above 0: how briskly the vehicle changes its velocity */
    double speed_sigma_m_s;  /* what is known of the speed at the start, per axis */
    double noise_fraction;   /* sigma of a fix per axis as a fraction of depth, where the fix does not say */
    double noise_floor_m;    /* and at least this */
    double noise_unknown_m;  /* where the depth is not known either */
    double gate;             /* 0 lets everything in */
    int restart_after;       /* 0 never */
    int64_t gap_ns;
};

/*
 * q 0.002, speed 0.5 m/s, noise 1 % of depth and at least 1 m, 10 m at an unknown depth, gate 3.5, restart after 5, gap 120 s: a vehicle at work, acoustic fixes
 * every 1 to 4 s. The percentage is common practice, no published source; set it to what the positioning system is specified for.
 */
void track_options_default(struct track_options *options);

/* One observation: a position, or a velocity over ground, or both. */
struct track_fix {
    mono_ns at;
    double lat_deg, lon_deg;
    double sigma_m; /* standard deviation per axis, as the positioning system claims it; above 0 */
    double depth_m;
    double north_m_s, east_m_s;
    double velocity_sigma_m_s; /* per axis; 0.05 is taken where it is not above 0 */
    bool position_known, sigma_known, depth_known, velocity_known;
};

/* Sets the velocity from speed and course over ground, or from a log's own axes and the heading. */
void track_velocity_from_course(struct track_fix *fix, double speed_kn, double course_deg);
void track_velocity_from_log(struct track_fix *fix, double ahead_kn, double starboard_kn, double heading_deg);

/* The standard deviation per axis of a radius of 2 drms over both axes: r / 2.8284. */
double track_sigma_of_radius_m(double radius_m);

/* The standard deviation per axis that a fix is given. */
double track_sigma_m(const struct track_options *options, const struct track_fix *fix);

enum track_verdict {
    TRACK_STARTED,   /* the first fix, or a start anew after a drop-out */
    TRACK_RESTARTED, /* a start anew because of outliers in a row */
    TRACK_ACCEPTED,
    TRACK_OUTLIER,
    TRACK_OLD, /* not later than the last observation: left out */
    TRACK_BAD, /* not finite, not on the globe, nothing in it, or a velocity before the first position */
    TRACK_VERDICTS
};

const char *track_verdict_name(enum track_verdict verdict);

struct track_step {
    mono_ns at;
    struct kalman_state state; /* filtered */
};

struct track {
    struct track_options options;
    struct geo_plane plane;
    bool placed; /* the plane has its origin */
    int steps;   /* in the history; 0: nothing known */
    int newest;  /* index into the history */
    int outliers_in_a_row;
    uint64_t counts[TRACK_VERDICTS];
    struct track_step history[TRACK_HISTORY];
};

struct track_position {
    double lat_deg, lon_deg;
    double uncertainty_m; /* 2 drms */
    double speed_m_s, course_deg;
    int64_t age_ns; /* since the last observation used at or before the instant */
    bool between;   /* observations on both sides of the instant were used: it will hardly change any more */
};

/* `options` NULL: the defaults. */
void track_init(struct track *track, const struct track_options *options);

enum track_verdict track_add(struct track *track, const struct track_fix *fix);

/*
 * The position at an instant. After the last observation: carried on, with growing uncertainty, for at most gap_ns. Before it:
 * smoothed between the kept observations. False before the oldest of those, or if nothing is known.
 */
bool track_at(const struct track *track, mono_ns instant, struct track_position *out);

/* ---- after the dive ---- */

struct track_point {
    mono_ns at;
    double lat_deg, lon_deg; /* smoothed */
    double uncertainty_m;    /* 2 drms */
    double north_m_s, east_m_s;
    enum track_verdict verdict; /* what was made of the observation at this time */
    int run; /* 0, 1, ...: a new run begins after a drop-out or restart; nothing is counted across */
    struct kalman_state state; /* smoothed, in the plane of the first point */
    struct kalman_link link;   /* to the next point of the run */
};

/*
 * Filters forward and smooths backward. `out` has room for `count` points and is all the memory used; one point is written for each
 * observation that is not OLD or BAD, at its time, outliers included (the state there owes nothing to them). Unlike live, a restart
 * goes back to the first of the outliers in a row that caused it, and if it leaves a single fix before it, that one gets no point. `fixes` in order of time. Returns the number of points.
 */
size_t track_smooth(const struct track_options *options, const struct track_fix *fixes, size_t count,
                    struct track_point *out);

/* The same where only points in [from, to] are wanted and the others are there for their sake: of those, `at` and `run` alone are meant. */
size_t track_smooth_part(const struct track_options *options, const struct track_fix *fixes, size_t count,
                         mono_ns from, mono_ns to, struct track_point *out);

struct track_distance {
    double length_m;
    double
        sigma_m; /* standard deviation: the smoother's covariance with its correlations along the track, and half of bias_m */
    double bias_m;    /* what was already taken off length_m, because noise makes a path longer */
    double bridged_m; /* straight lines over drop-outs between runs: not in length_m */
    size_t points;
};

/*
 * Length along the smoothed track between two instants, the ends interpolated. Errors that do not change from fix to fix are not in
 * sigma_m. docs/telemetry.md gives the bias that remains on simulated dives. False if the window holds no piece of track.
 */
bool track_length(const struct track_point *points, size_t count, mono_ns from, mono_ns to,
                  struct track_distance *out);

/* The smoothed position at an instant between two points of one run; false elsewhere. */
bool track_point_at(const struct track_point *points, size_t count, mono_ns instant,
                    struct track_position *out);

#endif
