/* track_observe: what one observation does to a state; used by the live filter and by the smoother (core/track.h). */
#ifndef BELLROPE_CORE_TRACK_OBSERVE_H
#define BELLROPE_CORE_TRACK_OBSERVE_H

#include "core/track.h"

/* Holds something, and that is finite and on the globe. */
bool track_observation_ok(const struct track_fix *fix);

/* The state that a position alone, with a velocity if it has one, gives. */
void track_state_start(const struct track_options *options, const struct geo_plane *plane,
                       const struct track_fix *fix, struct kalman_state *state);

/* Applies a fix to the state predicted for its time. False if it was an outlier: the position is what counts where there is one. */
bool track_state_update(const struct track_options *options, const struct geo_plane *plane,
                        const struct track_fix *fix, struct kalman_state *state);

/* 2 drms. */
double track_uncertainty_m(const struct kalman_state *state);

#endif
