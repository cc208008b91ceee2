/*
 * track: the live filter (see track.h). What one observation does to a state is shared with the smoother through
 * track_observe.h.
 */
#include "core/track.h"

#include <math.h>
#include <string.h>

#include "core/track_observe.h"

static const double kn_to_m_s = 1852.0 / 3600.0;
static const double radian = 3.14159265358979323846 / 180.0;
static const double velocity_sigma_default_m_s = 0.05;

void track_options_default(struct track_options *options)
{
    *options = (struct track_options){.acceleration_psd = 0.002,
                                      .speed_sigma_m_s = 0.5,
                                      .noise_fraction = 0.01,
                                      .noise_floor_m = 1.0,
                                      .noise_unknown_m = 10.0,
                                      .gate = 3.5,
                                      .restart_after = 5,
                                      .gap_ns = 120 * NS_PER_S};
}

const char *track_verdict_name(enum track_verdict verdict)
{
    static const char *const names[TRACK_VERDICTS] = {"started", "restarted", "accepted",
                                                      "outlier", "old",       "bad"};

    return names[verdict];
}

void track_velocity_from_course(struct track_fix *fix, double speed_kn, double course_deg)
{
    track_velocity_from_log(fix, speed_kn, 0.0, course_deg);
}

void track_velocity_from_log(struct track_fix *fix, double ahead_kn, double starboard_kn, double heading_deg)
{
    double c = cos(heading_deg * radian);
    double s = sin(heading_deg * radian);

    fix->north_m_s = kn_to_m_s * (ahead_kn * c - starboard_kn * s);
    fix->east_m_s = kn_to_m_s * (ahead_kn * s + starboard_kn * c);
    fix->velocity_known = true;
}

double track_sigma_of_radius_m(double radius_m)
{
    return radius_m / 2.8284;
}

double track_sigma_m(const struct track_options *options, const struct track_fix *fix)
{
    if (fix->sigma_known && isfinite(fix->sigma_m) && fix->sigma_m > 0.0) {
        return fix->sigma_m;
    }
    if (!fix->depth_known || !isfinite(fix->depth_m)) {
        return fmax(options->noise_floor_m, options->noise_unknown_m);
    }
    return fmax(options->noise_floor_m, options->noise_fraction * fabs(fix->depth_m));
}

/* ---- one observation ---- */

bool track_observation_ok(const struct track_fix *fix)
{
    if (fix->position_known && !(fabs(fix->lat_deg) <= 90.0 && fabs(fix->lon_deg) <= 360.0)) {
        return false;
    }
    if (fix->velocity_known && !(fabs(fix->north_m_s) < 100.0 && fabs(fix->east_m_s) < 100.0)) {
        return false;
    }
    return fix->position_known || fix->velocity_known;
}

static double velocity_variance(const struct track_fix *fix)
{
    double sigma = fix->velocity_sigma_m_s > 0.0 ? fix->velocity_sigma_m_s : velocity_sigma_default_m_s;

    return sigma * sigma;
}

void track_state_start(const struct track_options *options, const struct geo_plane *plane,
                       const struct track_fix *fix, struct kalman_state *state)
{
    double sigma = track_sigma_m(options, fix);

    *state = (struct kalman_state){.var_pos = sigma * sigma,
                                   .var_vel = options->speed_sigma_m_s * options->speed_sigma_m_s};
    geo_to_plane(plane, fix->lat_deg, fix->lon_deg, &state->north_m, &state->east_m);
    if (fix->velocity_known) {
        kalman_update_velocity(state, fix->north_m_s, fix->east_m_s, velocity_variance(fix));
    }
}

bool track_state_update(const struct track_options *options, const struct geo_plane *plane,
                        const struct track_fix *fix, struct kalman_state *state)
{
    double gate = options->gate > 0.0 ? options->gate : INFINITY;
    bool used = false;

    if (fix->position_known) {
        double sigma = track_sigma_m(options, fix);
        double north;
        double east;
        geo_to_plane(plane, fix->lat_deg, fix->lon_deg, &north, &east);
        if (kalman_position_distance(state, north, east, sigma * sigma) <= gate) {
            kalman_update_position(state, north, east, sigma * sigma);
            used = true;
        }
    }
    if (fix->velocity_known) {
        double variance = velocity_variance(fix);
        double change = options->speed_sigma_m_s * options->speed_sigma_m_s;
        if (kalman_velocity_distance(state, fix->north_m_s, fix->east_m_s, variance + change) <= gate) {
            kalman_update_velocity(state, fix->north_m_s, fix->east_m_s, variance);
            used = used || !fix->position_known;
        }
    }
    return used;
}

double track_uncertainty_m(const struct kalman_state *state)
{
    return 2.0 * sqrt(2.0 * fmax(state->var_pos, 0.0));
}

/* ---- live ---- */

void track_init(struct track *track, const struct track_options *options)
{
    memset(track, 0, sizeof *track);
    if (options != NULL) {
        track->options = *options;
    } else {
        track_options_default(&track->options);
    }
}

static void push(struct track *track, mono_ns at, const struct kalman_state *state)
{
    track->newest = (track->newest + 1) % TRACK_HISTORY;
    track->history[track->newest] = (struct track_step){at, *state};
    if (track->steps < TRACK_HISTORY) {
        track->steps++;
    }
}

static enum track_verdict start(struct track *track, const struct track_fix *fix, enum track_verdict verdict)
{
    struct kalman_state state;

    if (!fix->position_known) {
        return TRACK_BAD;
    }
    if (!track->placed) {
        geo_plane_at(&track->plane, fix->lat_deg, fix->lon_deg);
        track->placed = true;
    }
    track_state_start(&track->options, &track->plane, fix, &state);
    track->steps = 0;
    track->outliers_in_a_row = 0;
    push(track, fix->at, &state);
    return verdict;
}

static enum track_verdict add(struct track *track, const struct track_fix *fix)
{
    if (!track_observation_ok(fix)) {
        return TRACK_BAD;
    }
    if (track->steps == 0) {
        return start(track, fix, TRACK_STARTED);
    }
    struct track_step last = track->history[track->newest];
    int64_t elapsed_ns = fix->at.ns - last.at.ns;
    if (elapsed_ns <= 0) {
        return TRACK_OLD;
    }
    if (elapsed_ns > track->options.gap_ns) {
        return start(track, fix, TRACK_STARTED);
    }
    kalman_predict(&last.state, (double)elapsed_ns / 1e9, track->options.acceleration_psd);
    if (track_state_update(&track->options, &track->plane, fix, &last.state)) {
        track->outliers_in_a_row = 0;
        push(track, fix->at, &last.state);
        return TRACK_ACCEPTED;
    }
    track->outliers_in_a_row += fix->position_known;
    /* With a single fix so far nothing says which of the two is the wild one; the newer is taken and the next decides. */
    int enough = track->steps == 1 ? 1 : track->options.restart_after;
    if (track->options.restart_after > 0 && track->outliers_in_a_row >= enough) {
        return start(track, fix, TRACK_RESTARTED);
    }
    return TRACK_OUTLIER;
}

enum track_verdict track_add(struct track *track, const struct track_fix *fix)
{
    enum track_verdict verdict = add(track, fix);

    track->counts[verdict]++;
    return verdict;
}

static const struct track_step *step_back(const struct track *track, int back)
{
    return &track->history[(track->newest - back + TRACK_HISTORY) % TRACK_HISTORY];
}

static void report(const struct geo_plane *plane, const struct kalman_state *state,
                   struct track_position *out)
{
    geo_from_plane(plane, state->north_m, state->east_m, &out->lat_deg, &out->lon_deg);
    out->uncertainty_m = track_uncertainty_m(state);
    out->speed_m_s = hypot(state->north_m_s, state->east_m_s);
    out->course_deg = geo_wrap_360(atan2(state->east_m_s, state->north_m_s) / radian);
}

static double seconds_between(mono_ns from, mono_ns to)
{
    return (double)(to.ns - from.ns) / 1e9;
}

bool track_at(const struct track *track, mono_ns instant, struct track_position *out)
{
    double q = track->options.acceleration_psd;

    if (track->steps == 0 || instant.ns < step_back(track, track->steps - 1)->at.ns ||
        instant.ns - step_back(track, 0)->at.ns > track->options.gap_ns) {
        return false;
    }
    int back = 0;
    struct kalman_state next = step_back(track, 0)->state;
    mono_ns next_at = step_back(track, 0)->at;
    while (step_back(track, back)->at.ns > instant.ns) {
        struct track_step step = *step_back(track, ++back);
        bool reached = step.at.ns <= instant.ns;
        if (reached) {
            kalman_predict(&step.state, seconds_between(step.at, instant), q);
        }
        mono_ns at = reached ? instant : step.at;
        kalman_smooth(&step.state, seconds_between(at, next_at), q, &next, NULL);
        next = step.state;
        next_at = at;
    }
    if (back == 0) {
        kalman_predict(&next, seconds_between(next_at, instant), q);
    }
    report(&track->plane, &next, out);
    out->age_ns = instant.ns - step_back(track, back)->at.ns;
    out->between = back > 0;
    return true;
}
