/* kalman: see kalman.h. Two by two matrices are written out; both axes share one covariance and one gain. */
#include "core/kalman.h"

#include <math.h>

void kalman_predict(struct kalman_state *state, double seconds, double q)
{
    double d = seconds;

    state->north_m += d * state->north_m_s;
    state->east_m += d * state->east_m_s;
    state->var_pos += d * (2.0 * state->cov + d * state->var_vel) + q * d * d * d / 3.0;
    state->cov += d * state->var_vel + q * d * d / 2.0;
    state->var_vel += q * d;
}

/* hypot() would guard against what metres never come to, and takes longer than the rest of the filter. */
static double distance(double north, double east, double variance)
{
    return sqrt((north * north + east * east) / variance);
}

double kalman_position_distance(const struct kalman_state *state, double north_m, double east_m,
                                double variance)
{
    return distance(north_m - state->north_m, east_m - state->east_m, state->var_pos + variance);
}

double kalman_velocity_distance(const struct kalman_state *state, double north_m_s, double east_m_s,
                                double variance)
{
    return distance(north_m_s - state->north_m_s, east_m_s - state->east_m_s, state->var_vel + variance);
}

void kalman_update_position(struct kalman_state *state, double north_m, double east_m, double variance)
{
    double sum = state->var_pos + variance;
    double k_pos = state->var_pos / sum;
    double k_vel = state->cov / sum;
    double north = north_m - state->north_m;
    double east = east_m - state->east_m;

    state->north_m += k_pos * north;
    state->east_m += k_pos * east;
    state->north_m_s += k_vel * north;
    state->east_m_s += k_vel * east;
    state->var_vel -= k_vel * state->cov;
    state->cov *= variance / sum;
    state->var_pos *= variance / sum;
}

void kalman_update_velocity(struct kalman_state *state, double north_m_s, double east_m_s, double variance)
{
    double sum = state->var_vel + variance;
    double k_pos = state->cov / sum;
    double k_vel = state->var_vel / sum;
    double north = north_m_s - state->north_m_s;
    double east = east_m_s - state->east_m_s;

    state->north_m += k_pos * north;
    state->east_m += k_pos * east;
    state->north_m_s += k_vel * north;
    state->east_m_s += k_vel * east;
    state->var_pos -= k_pos * state->cov;
    state->cov *= variance / sum;
    state->var_vel *= variance / sum;
}

/* C = P F' inverse(P-), with P- the covariance predicted for the next time. */
static void smoother_gain(const struct kalman_state *s, double d, const struct kalman_state *ahead,
                          double gain[4])
{
    double det = ahead->var_pos * ahead->var_vel - ahead->cov * ahead->cov;
    const double pf[4] = {s->var_pos + d * s->cov, s->cov, s->cov + d * s->var_vel, s->var_vel};

    for (int row = 0; row < 2; row++) {
        double a = pf[2 * row];
        double b = pf[2 * row + 1];
        gain[2 * row] = det > 0.0 ? (a * ahead->var_vel - b * ahead->cov) / det : 0.0;
        gain[2 * row + 1] = det > 0.0 ? (b * ahead->var_pos - a * ahead->cov) / det : 0.0;
    }
}

/* C M C' for symmetric M, as pos, cross, vel. */
static void sandwich(const double c[4], const double m[3], double out[3])
{
    double pos_a = c[0] * m[0] + c[1] * m[1];
    double pos_b = c[0] * m[1] + c[1] * m[2];
    double vel_a = c[2] * m[0] + c[3] * m[1];
    double vel_b = c[2] * m[1] + c[3] * m[2];

    out[0] = pos_a * c[0] + pos_b * c[1];
    out[1] = pos_a * c[2] + pos_b * c[3];
    out[2] = vel_a * c[2] + vel_b * c[3];
}

static void shift_axis(const double gain[4], double pos_change, double vel_change, double *pos, double *vel)
{
    *pos += gain[0] * pos_change + gain[1] * vel_change;
    *vel += gain[2] * pos_change + gain[3] * vel_change;
}

void kalman_smooth(struct kalman_state *state, double seconds, double q, const struct kalman_state *next,
                   struct kalman_link *link)
{
    struct kalman_state ahead = *state;
    double gain[4] = {0};
    double known[3];
    double given[3];

    kalman_predict(&ahead, seconds, q);
    smoother_gain(state, seconds, &ahead, gain);
    shift_axis(gain, next->north_m - ahead.north_m, next->north_m_s - ahead.north_m_s, &state->north_m,
               &state->north_m_s);
    shift_axis(gain, next->east_m - ahead.east_m, next->east_m_s - ahead.east_m_s, &state->east_m,
               &state->east_m_s);
    sandwich(gain, (double[]){ahead.var_pos, ahead.cov, ahead.var_vel}, known);
    sandwich(gain, (double[]){next->var_pos, next->cov, next->var_vel}, given);
    const double rest[3] = {fmax(state->var_pos - known[0], 0.0), state->cov - known[1],
                            fmax(state->var_vel - known[2], 0.0)};
    state->var_pos = rest[0] + given[0];
    state->cov = rest[1] + given[1];
    state->var_vel = rest[2] + given[2];
    if (link != 0) {
        for (int i = 0; i < 4; i++) {
            link->gain[i] = gain[i];
        }
        for (int i = 0; i < 3; i++) {
            link->rest[i] = rest[i];
        }
    }
}
