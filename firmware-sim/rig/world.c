#include "world.h"

#include <math.h>

static const double TURN = 6.283185307179586;
static const double DEGREE = 57.29577951308232;

/* The top of the invented seamount. */
static const double TOP_LAT_DEG = -21.4137;
static const double TOP_LON_DEG = -8.2619;

static double wave(double t_s, double period_s, double phase)
{
    return sin(TURN * (t_s / period_s + phase));
}

/* 0 at 0, 1 at 1, with no speed at either end. */
static double ease(double part)
{
    if (part <= 0)
        return 0;
    if (part >= 1)
        return 1;
    return part * part * part * (10 + part * (6 * part - 15));
}

void world_degrees(double east_m, double north_m, double *lat_deg, double *lon_deg)
{
    /* WGS 84: a = 6378137 m, 1/f = 298.257223563; radii of curvature in the meridian and in the prime vertical. */
    const double a_m = 6378137.0;
    const double f = 1 / 298.257223563;
    const double e2 = f * (2 - f);
    double s = sin(TOP_LAT_DEG / DEGREE);
    double w2 = 1 - e2 * s * s;
    double meridian_m = a_m * (1 - e2) / (w2 * sqrt(w2));
    double vertical_m = a_m / sqrt(w2);
    *lat_deg = TOP_LAT_DEG + north_m / meridian_m * DEGREE;
    *lon_deg = TOP_LON_DEG + east_m / (vertical_m * cos(TOP_LAT_DEG / DEGREE)) * DEGREE;
}

void world_metres(double lat_deg, double lon_deg, double *east_m, double *north_m)
{
    double lat_per_m = 0;
    double lon_per_m = 0;
    world_degrees(1, 1, &lat_per_m, &lon_per_m);
    *east_m = (lon_deg - TOP_LON_DEG) / (lon_per_m - TOP_LON_DEG);
    *north_m = (lat_deg - TOP_LAT_DEG) / (lat_per_m - TOP_LAT_DEG);
}

static double ground_m(double east_m, double north_m)
{
    double hill = 1040 * exp(-(east_m * east_m + north_m * north_m) / (2 * 820.0 * 820.0));
    double ripples = 3 * sin(east_m / 31) * cos(north_m / 43) + 0.6 * sin(north_m / 9);
    return 1940 - hill + ripples;
}

/* The planned line goes up the flank and over the top; the vehicle wanders about it. */
static void vehicle_place(double t_s, double *east_m, double *north_m)
{
    double along_m = -900 + 0.16 * t_s;
    double wander_m = 11 * wave(t_s, 610, 0.1) + 2.5 * wave(t_s, 97, 0.6);
    double course = 62 / DEGREE;
    *east_m = along_m * sin(course) + wander_m * cos(course);
    *north_m = along_m * cos(course) - wander_m * sin(course);
}

static void ship_place(double t_s, double *east_m, double *north_m)
{
    double along_m = -900 + 0.16 * t_s;
    double course = 62 / DEGREE;
    *east_m = along_m * sin(course) + 55 + 6 * wave(t_s, 420, 0.3) + 0.8 * wave(t_s, 11, 0.2);
    *north_m = along_m * cos(course) - 30 + 5 * wave(t_s, 380, 0.7) + 0.7 * wave(t_s, 9.3, 0.9);
}

static double wrap_deg(double deg)
{
    double wrapped = fmod(deg, 360.0);
    return wrapped < 0 ? wrapped + 360 : wrapped;
}

/* How far down the vehicle is, as a part of the way to its height above the ground. */
static double down_part(const struct world *world, double t_s)
{
    if (world->descent_s <= 0)
        return 1;
    if (t_s < world->descent_s + world->bottom_s)
        return ease(t_s / world->descent_s);
    double left_s = t_s - world->descent_s - world->bottom_s;
    return world->ascent_s > 0 ? 1 - ease(left_s / world->ascent_s) : 1;
}

double world_pressure(double depth_m, double lat_deg)
{
    /* UNESCO 44, depth from pressure; Newton with the slope of about 1 m/dbar converges in a few steps. */
    double s = sin(lat_deg / 57.29578);
    double x = s * s;
    double p = depth_m;
    for (int i = 0; i < 20; i++) {
        double g = 9.780318 * (1 + (5.2788e-3 + 2.36e-5 * x) * x) + 1.092e-6 * p;
        double z = ((((-1.82e-15 * p + 2.279e-10) * p - 2.2512e-5) * p + 9.72659) * p) / g;
        p += depth_m - z;
    }
    return p;
}

/* Practical salinity of a conductivity ratio, PSS-78. */
static double salinity_of(double ratio, double t68_C, double p)
{
    double t = t68_C;
    double rt = 0.6766097 + t * (2.00564e-2 + t * (1.104259e-4 + t * (-6.9698e-7 + t * 1.0031e-9)));
    double rp = 1 + p * (2.070e-5 + p * (-6.370e-10 + p * 3.989e-15)) /
                        (1 + t * (3.426e-2 + t * 4.464e-4) + (4.215e-1 - 3.107e-3 * t) * ratio);
    double q = sqrt(ratio / (rp * rt));
    double main = 0.0080 + q * (-0.1692 + q * (25.3851 + q * (14.0941 + q * (-7.0261 + q * 2.7081))));
    double rest = 0.0005 + q * (-0.0056 + q * (-0.0066 + q * (-0.0375 + q * (0.0636 - q * 0.0144))));
    return main + (t - 15) / (1 + 0.0162 * (t - 15)) * rest;
}

double world_conductivity(double salinity, double t90_C, double pressure_dbar)
{
    const double at_35_15_0 = 42.914; /* mS/cm, Culkin and Smith 1980 */
    double lo = 0.01;
    double hi = 2;
    for (int i = 0; i < 60; i++) {
        double middle = (lo + hi) / 2;
        if (salinity_of(middle, 1.00024 * t90_C, pressure_dbar) < salinity)
            lo = middle;
        else
            hi = middle;
    }
    return at_35_15_0 * (lo + hi) / 2;
}

static void ship_at(double t_s, struct world_state *state)
{
    double east_m = 0;
    double north_m = 0;
    double east_later_m = 0;
    double north_later_m = 0;
    ship_place(t_s, &east_m, &north_m);
    ship_place(t_s + 0.1, &east_later_m, &north_later_m);
    world_degrees(east_m, north_m, &state->ship_lat_deg, &state->ship_lon_deg);
    double east_m_s = (east_later_m - east_m) / 0.1;
    double north_m_s = (north_later_m - north_m) / 0.1;
    state->ship_heading_deg = wrap_deg(358 + 5 * wave(t_s, 96, 0.4) + 1.1 * wave(t_s, 8, 0));
    state->ship_sog_kn = hypot(east_m_s, north_m_s) * 3600 / 1852;
    state->ship_cog_deg = wrap_deg(atan2(east_m_s, north_m_s) * DEGREE);
}

static void water_at(struct world_state *state)
{
    double z = state->depth_m;
    state->pressure_dbar = world_pressure(z, state->lat_deg);
    state->temperature_C = 2.6 + 15.5 * exp(-z / 410);
    state->salinity = 34.62 + 0.9 * exp(-z / 260) - 0.35 * exp(-(z - 820) * (z - 820) / (2 * 190.0 * 190.0));
    state->conductivity_mS_cm =
        world_conductivity(state->salinity, state->temperature_C, state->pressure_dbar);
}

void world_at(const struct world *world, double t_s, struct world_state *state)
{
    double east_m = 0;
    double north_m = 0;
    ship_at(t_s, state);
    vehicle_place(t_s, &east_m, &north_m);
    world_degrees(east_m, north_m, &state->lat_deg, &state->lon_deg);
    double ground = ground_m(east_m, north_m);
    double above_m = 2.6 + 0.9 * wave(t_s, 47, 0.2) + 0.3 * wave(t_s, 13, 0.5);
    state->depth_m = (ground - above_m) * down_part(world, t_s);
    state->altitude_m = ground - state->depth_m;
    state->altitude_known = state->altitude_m <= 80;
    state->heading_deg = wrap_deg(62 + 24 * wave(t_s, 173, 0.05) + 6 * wave(t_s, 31, 0.7));
    state->pitch_deg = 1.5 + 2.2 * wave(t_s, 19, 0.3);
    state->roll_deg = 0.4 + 1.3 * wave(t_s, 14, 0.8);
    water_at(state);
}
