/*
 * seawater: depth from pressure, practical salinity, sound speed and density.
 *
 * All formulas are those of Fofonoff and Millard, "Algorithms for computation of fundamental properties of
 * seawater", UNESCO technical papers in marine science 44 (1983), called UNESCO 44 below, except the inverse
 * depth (Saunders 1981). They belong to EOS-80. TEOS-10 differs from it by 0.05 m of depth at 4,000 dbar and
 * 0.5 m/s of sound speed in deep water: never mix both.
 *
 * Units: pressure in dbar of SEA pressure (absolute less 10.1325), temperature in degrees Celsius,
 * conductivity in mS/cm, salinity on the practical scale (PSS-78, no unit), depth in metres, positive down.
 *
 * Two temperature scales. Instruments since 1990 report ITS-90 (t90); the formulas were fitted on IPTS-68
 * (t68). Functions named without a scale take t90 and convert: t68 = 1.00024 t90 (Saunders 1990, WOCE
 * Newsletter 10). Those ending in _t68 take what the published check values use.
 *
 * A value outside the range for which a formula was fitted is refused with a reason, never extrapolated; the
 * result is then left as it was. NaN is out of every range.
 */
#ifndef BELLROPE_CORE_SEAWATER_H
#define BELLROPE_CORE_SEAWATER_H

enum seawater_verdict {
    SEAWATER_OK,
    SEAWATER_PRESSURE,     /* outside 0..10000 dbar (depth: up to 12000) */
    SEAWATER_LATITUDE,     /* outside -90..90 */
    SEAWATER_DEPTH,        /* outside 0..11600 m */
    SEAWATER_TEMPERATURE,  /* outside the formula's range */
    SEAWATER_CONDUCTIVITY, /* not above 0, or above 100 mS/cm */
    SEAWATER_SALINITY,     /* outside the formula's range; for the salinity itself: outside 2..42 */
    SEAWATER_VERDICTS
};

/* A sentence with the accepted range, for messages. */
const char *seawater_reason(enum seawater_verdict verdict);

double seawater_t68_from_t90(double t90_C);
double seawater_t90_from_t68(double t68_C);

/* UNESCO 44, section 4 (Saunders and Fofonoff 1976), for the standard ocean (S = 35, t = 0). */
enum seawater_verdict seawater_depth_m(double pressure_dbar, double lat_deg, double *depth_m);

/* Saunders 1981, "Practical conversion of pressure to depth", J. Phys. Oceanogr. 11, 573-574. A formula of its own, not the inverse of
 * the one above: both agree within 0.31 dbar to 5000 dbar, 0.61 to 6000, 7.4 at 10000. */
enum seawater_verdict seawater_pressure_dbar(double depth_m, double lat_deg, double *pressure_dbar);

/* PSS-78 (UNESCO 44, section 1; Perkin and Lewis 1980). Valid for 2..42, -2..35 C, 0..10000 dbar.
 * C(35,15,0) = 42.914 mS/cm (Culkin and Smith 1980). */
enum seawater_verdict seawater_salinity(double conductivity_mS_cm, double t90_C, double pressure_dbar,
                                        double *salinity);
enum seawater_verdict seawater_salinity_t68(double conductivity_ratio, double t68_C, double pressure_dbar,
                                            double *salinity);

/* Chen and Millero 1977 (UNESCO 44, section 9). Valid for 0..40, 0..40 C, 0..10000 dbar; below 0 C, which the
 * deep sea reaches at high latitudes, it is accepted down to -2 C (within 0.01 m/s of continuing smoothly).
 */
enum seawater_verdict seawater_sound_speed_m_s(double salinity, double t90_C, double pressure_dbar,
                                               double *speed_m_s);
enum seawater_verdict seawater_sound_speed_t68(double salinity, double t68_C, double pressure_dbar,
                                               double *speed_m_s);

/* EOS-80 (UNESCO 44, section 3; Millero and others 1980). Valid for 0..42, -2..40 C, 0..10000 dbar. */
enum seawater_verdict seawater_density_kg_m3(double salinity, double t90_C, double pressure_dbar,
                                             double *density_kg_m3);
enum seawater_verdict seawater_density_t68(double salinity, double t68_C, double pressure_dbar,
                                           double *density_kg_m3);

#endif
