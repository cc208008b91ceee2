/*
 * world: the truth that the rig plays: a ship, a vehicle on an invented seamount, and the water around it.
 *
 * Everything is a smooth closed formula of time, so that the state at any instant is known exactly and a run can be repeated.
 * Place, ship and vehicle are invented. The seamount "Hollin Bank" is a Gaussian hill, 900 m deep at the top, with ripples.
 *
 * A dive has four parts: descent, bottom, ascent, on deck. With a descent of 0 s the dive begins on the bottom.
 */
#ifndef BELLROPE_RIG_WORLD_H
#define BELLROPE_RIG_WORLD_H

#include <stdbool.h>

struct world {
    double descent_s, bottom_s,
        ascent_s; /* bottom_s: how long the vehicle follows the ground; at least 1 s */
};

struct world_state {
    double ship_lat_deg, ship_lon_deg, ship_heading_deg, ship_sog_kn, ship_cog_deg;
    double lat_deg, lon_deg, depth_m, heading_deg, pitch_deg, roll_deg; /* of the vehicle */
    double altitude_m;
    bool altitude_known; /* within an altimeter's reach, 80 m */
    double pressure_dbar, temperature_C, conductivity_mS_cm, salinity;
};

/* t_s counts from the beginning of the dive and may be any number; before 0 and after the end the vehicle hangs at the surface
 * or, without a descent, goes on along the ground. */
void world_at(const struct world *world, double t_s, struct world_state *state);

/* Metres east and north of a point into degrees and back, on the WGS 84 ellipsoid, linear around the seamount's top (within
 * 0.1 m over 3 km). */
void world_degrees(double east_m, double north_m, double *lat_deg, double *lon_deg);
void world_metres(double lat_deg, double lon_deg, double *east_m, double *north_m);

/* mS/cm from practical salinity, t90 and sea pressure: PSS-78 (UNESCO technical papers in marine science 44) turned round. */
double world_conductivity(double salinity, double t90_C, double pressure_dbar);

/* dbar of sea pressure at a depth: the depth formula of UNESCO 44 turned round. */
double world_pressure(double depth_m, double lat_deg);

#endif
