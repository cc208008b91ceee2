/*
 * kalman: one filter and smoother step for a point that moves in a plane at nearly constant velocity.
 *
 * State per axis: position and velocity; F = [1 d; 0 1]; white acceleration noise of density q gives
 * Q = q [d^3/3 d^2/2; d^2/2 d] (Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation,
 * 2001, section 6.2). The noise of what is measured is equal in north and east, so both axes always have the same covariance,
 * which is kept once. Smoothing: Rauch, Tung and Striebel, AIAA Journal 3(8), 1965, 1445-1450.
 *
 * Units: metres, seconds. Pure.
 */
#ifndef BELLROPE_CORE_KALMAN_H
#define BELLROPE_CORE_KALMAN_H

struct kalman_state {
    double north_m, east_m;
    double north_m_s, east_m_s;
    double var_pos, cov, var_vel; /* m^2, m^2/s, m^2/s^2, of either axis */
};

/* What ties a state to the next one in time. */
struct kalman_link {
    double gain[4]; /* smoother gain C, row by row */
    double rest[3]; /* covariance of this state if the next were known: pos, cross, vel */
};

void kalman_predict(struct kalman_state *state, double seconds, double q);

/* Distance of a measurement from the state in units of its own standard deviation (root of the normalised innovation squared,
 * two degrees of freedom). */
double kalman_position_distance(const struct kalman_state *state, double north_m, double east_m,
                                double variance);
double kalman_velocity_distance(const struct kalman_state *state, double north_m_s, double east_m_s,
                                double variance);

/* `variance` above 0. */
void kalman_update_position(struct kalman_state *state, double north_m, double east_m, double variance);
void kalman_update_velocity(struct kalman_state *state, double north_m_s, double east_m_s, double variance);

/* Makes `state`, filtered at a time, smoothed, given the smoothed state `next` that lies `seconds` after it. `link` may be NULL. */
void kalman_smooth(struct kalman_state *state, double seconds, double q, const struct kalman_state *next,
                   struct kalman_link *link);

#endif
