/*
 * seawater: the polynomials of UNESCO technical papers in marine science 44 (Fofonoff and Millard 1983), in nested form.
 * "p" is in dbar in this file unless a name says bar. See seawater.h for ranges and scales.
 */
#include "core/seawater.h"

#include <math.h>
#include <stdbool.h>

static const double C_35_15_0_mS_cm = 42.914;
static const double dbar_max = 10000.0;

const char *seawater_reason(enum seawater_verdict verdict)
{
    switch (verdict) {
    case SEAWATER_OK:
        return "in range";
    case SEAWATER_PRESSURE:
        return "the pressure is outside 0 to 10000 dbar (for depth: 12000)";
    case SEAWATER_LATITUDE:
        return "the latitude is outside -90 to 90 degrees";
    case SEAWATER_DEPTH:
        return "the depth is outside 0 to 11600 m";
    case SEAWATER_TEMPERATURE:
        return "the temperature is outside -2 to 35 C (sound speed and density: to 40 C)";
    case SEAWATER_CONDUCTIVITY:
        return "the conductivity is not above 0 and at most 100 mS/cm";
    case SEAWATER_SALINITY:
        return "the salinity is outside 2 to 42 (sound speed: 0 to 40; density: 0 to 42)";
    case SEAWATER_VERDICTS:
        break;
    }
    return "unknown reason";
}

/* False for NaN too. */
static bool within(double value, double low, double high)
{
    return value >= low && value <= high;
}

double seawater_t68_from_t90(double t90_C)
{
    return 1.00024 * t90_C;
}

double seawater_t90_from_t68(double t68_C)
{
    return t68_C / 1.00024;
}

enum seawater_verdict seawater_depth_m(double pressure_dbar, double lat_deg, double *depth_m)
{
    if (!within(pressure_dbar, 0.0, 12000.0)) {
        return SEAWATER_PRESSURE;
    }
    if (!within(lat_deg, -90.0, 90.0)) {
        return SEAWATER_LATITUDE;
    }
    double p = pressure_dbar;
    double s = sin(lat_deg / 57.29578); /* the divisor of the report, so that its table is met */
    double x = s * s;
    double gravity = 9.780318 * (1.0 + (5.2788e-3 + 2.36e-5 * x) * x) + 1.092e-6 * p;

    *depth_m = (((-1.82e-15 * p + 2.279e-10) * p - 2.2512e-5) * p + 9.72659) * p / gravity;
    return SEAWATER_OK;
}

enum seawater_verdict seawater_pressure_dbar(double depth_m, double lat_deg, double *pressure_dbar)
{
    if (!within(depth_m, 0.0, 11600.0)) {
        return SEAWATER_DEPTH;
    }
    if (!within(lat_deg, -90.0, 90.0)) {
        return SEAWATER_LATITUDE;
    }
    double s = sin(lat_deg / 57.29578);
    double c1 = 5.92e-3 + 5.25e-3 * s * s;
    double rest = 1.0 - c1;

    *pressure_dbar = (rest - sqrt(rest * rest - 8.84e-6 * depth_m)) / 4.42e-6;
    return SEAWATER_OK;
}

/* Conductivity of standard sea water at t relative to 15 C. */
static double ratio_of_temperature(double t)
{
    return 0.6766097 + t * (2.00564e-2 + t * (1.104259e-4 + t * (-6.9698e-7 + t * 1.0031e-9)));
}

/* Effect of pressure on the conductivity ratio R. */
static double ratio_of_pressure(double ratio, double t, double p)
{
    double above = p * (2.070e-5 + p * (-6.370e-10 + p * 3.989e-15));
    double below = 1.0 + t * (3.426e-2 + t * 4.464e-4) + (4.215e-1 - 3.107e-3 * t) * ratio;

    return 1.0 + above / below;
}

static double salinity_at(double rt, double t)
{
    double q = sqrt(rt);
    double at_15 = 0.0080 + q * (-0.1692 + q * (25.3851 + q * (14.0941 + q * (-7.0261 + q * 2.7081))));
    double change = 0.0005 + q * (-0.0056 + q * (-0.0066 + q * (-0.0375 + q * (0.0636 - q * 0.0144))));

    return at_15 + (t - 15.0) / (1.0 + 0.0162 * (t - 15.0)) * change;
}

enum seawater_verdict seawater_salinity_t68(double conductivity_ratio, double t68_C, double pressure_dbar,
                                            double *salinity)
{
    double r = conductivity_ratio;

    if (!(r > 0.0 && r * C_35_15_0_mS_cm <= 100.0)) {
        return SEAWATER_CONDUCTIVITY;
    }
    /* The scale ends at -2 and 35 C on its own scale; ITS-90 readings of just those figures count as inside. */
    if (!within(t68_C, -2.001, 35.01)) {
        return SEAWATER_TEMPERATURE;
    }
    if (!within(pressure_dbar, 0.0, dbar_max)) {
        return SEAWATER_PRESSURE;
    }
    double rt = r / (ratio_of_pressure(r, t68_C, pressure_dbar) * ratio_of_temperature(t68_C));
    double s = salinity_at(rt, t68_C);
    if (!within(s, 2.0, 42.0)) {
        return SEAWATER_SALINITY;
    }
    *salinity = s;
    return SEAWATER_OK;
}

enum seawater_verdict seawater_salinity(double conductivity_mS_cm, double t90_C, double pressure_dbar,
                                        double *salinity)
{
    return seawater_salinity_t68(conductivity_mS_cm / C_35_15_0_mS_cm, seawater_t68_from_t90(t90_C),
                                 pressure_dbar, salinity);
}

/* The four parts of Chen and Millero's equation: pure water, and the terms in S, S^1.5 and S^2. */
static double sound_in_water(double t, double bar)
{
    double c0 =
        1402.388 + t * (5.03711 + t * (-5.80852e-2 + t * (3.3420e-4 + t * (-1.47800e-6 + t * 3.1464e-9))));
    double c1 = 0.153563 + t * (6.8982e-4 + t * (-8.1788e-6 + t * (1.3621e-7 - t * 6.1185e-10)));
    double c2 = 3.1260e-5 + t * (-1.7107e-6 + t * (2.5974e-8 + t * (-2.5335e-10 + t * 1.0405e-12)));
    double c3 = -9.7729e-9 + t * (3.8504e-10 - t * 2.3643e-12);

    return c0 + bar * (c1 + bar * (c2 + bar * c3));
}

static double sound_of_salt(double t, double bar)
{
    double a0 = 1.389 + t * (-1.262e-2 + t * (7.164e-5 + t * (2.006e-6 - t * 3.21e-8)));
    double a1 = 9.4742e-5 + t * (-1.2580e-5 + t * (-6.4885e-8 + t * (1.0507e-8 - t * 2.0122e-10)));
    double a2 = -3.9064e-7 + t * (9.1041e-9 + t * (-1.6002e-10 + t * 7.988e-12));
    double a3 = 1.100e-10 + t * (6.649e-12 - t * 3.389e-13);

    return a0 + bar * (a1 + bar * (a2 + bar * a3));
}

enum seawater_verdict seawater_sound_speed_t68(double salinity, double t68_C, double pressure_dbar,
                                               double *speed_m_s)
{
    if (!within(salinity, 0.0, 40.0)) {
        return SEAWATER_SALINITY;
    }
    if (!within(t68_C, -2.001, 40.01)) {
        return SEAWATER_TEMPERATURE;
    }
    if (!within(pressure_dbar, 0.0, dbar_max)) {
        return SEAWATER_PRESSURE;
    }
    double t = t68_C;
    double bar = pressure_dbar / 10.0;
    double b = -1.922e-2 - 4.42e-5 * t + (7.3637e-5 + 1.7945e-7 * t) * bar;
    double d = 1.727e-3 - 7.9836e-6 * bar;

    *speed_m_s =
        sound_in_water(t, bar) + salinity * (sound_of_salt(t, bar) + b * sqrt(salinity) + d * salinity);
    return SEAWATER_OK;
}

enum seawater_verdict seawater_sound_speed_m_s(double salinity, double t90_C, double pressure_dbar,
                                               double *speed_m_s)
{
    return seawater_sound_speed_t68(salinity, seawater_t68_from_t90(t90_C), pressure_dbar, speed_m_s);
}

/* One-atmosphere equation of state (Millero and Poisson 1981), kg/m^3. */
static double density_at_surface(double s, double t)
{
    double water =
        999.842594 +
        t * (6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9))));
    double a = 8.24493e-1 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)));
    double b = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6);

    return water + s * (a + b * sqrt(s) + 4.8314e-4 * s);
}

/* Secant bulk modulus, bar. */
static double bulk_modulus_bar(double s, double t, double bar)
{
    double root = sqrt(s);
    double k = 19652.21 + t * (148.4206 + t * (-2.327105 + t * (1.360477e-2 - t * 5.155288e-5))) +
               s * (54.6746 + t * (-0.603459 + t * (1.09987e-2 - t * 6.1670e-5)) +
                    root * (7.944e-2 + t * (1.6483e-2 - t * 5.3009e-4)));
    double a = 3.239908 + t * (1.43713e-3 + t * (1.16092e-4 - t * 5.77905e-7)) +
               s * (2.2838e-3 + t * (-1.0981e-5 - t * 1.6078e-6) + 1.91075e-4 * root);
    double b =
        8.50935e-5 + t * (-6.12293e-6 + t * 5.2787e-8) + s * (-9.9348e-7 + t * (2.0816e-8 + t * 9.1697e-10));

    return k + bar * (a + bar * b);
}

enum seawater_verdict seawater_density_t68(double salinity, double t68_C, double pressure_dbar,
                                           double *density_kg_m3)
{
    if (!within(salinity, 0.0, 42.0)) {
        return SEAWATER_SALINITY;
    }
    if (!within(t68_C, -2.001, 40.01)) {
        return SEAWATER_TEMPERATURE;
    }
    if (!within(pressure_dbar, 0.0, dbar_max)) {
        return SEAWATER_PRESSURE;
    }
    double bar = pressure_dbar / 10.0;

    *density_kg_m3 =
        density_at_surface(salinity, t68_C) / (1.0 - bar / bulk_modulus_bar(salinity, t68_C, bar));
    return SEAWATER_OK;
}

enum seawater_verdict seawater_density_kg_m3(double salinity, double t90_C, double pressure_dbar,
                                             double *density_kg_m3)
{
    return seawater_density_t68(salinity, seawater_t68_from_t90(t90_C), pressure_dbar, density_kg_m3);
}
