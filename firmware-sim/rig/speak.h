/*
 * speak: the lines that the rig's instruments send.
 *
 * NMEA 0183 sentences (layouts as in core/nmea.h) and one CTD line of columns. Every function writes one line with CR LF,
 * terminated, and returns its length; `out` holds SPEAK_MAX bytes. The sentences are made here from their published layout and
 * not with any code of the daemon, so that a mistake cannot cancel itself out.
 */
#ifndef BELLROPE_RIG_SPEAK_H
#define BELLROPE_RIG_SPEAK_H

#include <stddef.h>
#include <stdint.h>

enum { SPEAK_MAX = 160 };

/* utc_ns: the instant the fix is of, nanoseconds since 1970. Seven decimals of a minute are 0.2 mm. */
size_t speak_gga(char *out, const char *talker, int64_t utc_ns, double lat_deg, double lon_deg,
                 int satellites);
size_t speak_zda(char *out, const char *talker, int64_t utc_ns);
size_t speak_hdt(char *out, const char *talker, double heading_deg);
size_t speak_vtg(char *out, const char *talker, double course_deg, double speed_kn);
/* Depth below the transducer: on a vehicle that looks down, its altitude. */
size_t speak_dbt(char *out, const char *talker, double below_m);
/* Pressure (bar), depth (m), pitch and roll (degrees) as a transducer sentence. */
size_t speak_xdr(char *out, const char *talker, double pressure_bar, double depth_m, double pitch_deg,
                 double roll_deg);
/* "2034.512,   3.4512,  32.98123": pressure in dbar, temperature in C, conductivity in mS/cm, and what else is measured. */
size_t speak_ctd(char *out, double pressure_dbar, double temperature_C, double conductivity_mS_cm,
                 const double *extra, int extra_count);

#endif
