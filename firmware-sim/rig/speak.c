#include "speak.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

/* Adds "*hh" and CR LF to what stands in `out`. */
static size_t finish(char *out)
{
    unsigned sum = 0;
    for (const char *c = out + 1; *c; c++)
        sum ^= (unsigned char)*c;
    size_t n = strlen(out);
    return n + (size_t)snprintf(out + n, SPEAK_MAX - n, "*%02X\r\n", sum & 0xFFu);
}

/* hhmmss.ss of an instant, cut and not rounded, so that 59.999 never becomes 60. */
static void clock_text(char *out, size_t size, int64_t utc_ns)
{
    int64_t hundredths = utc_ns / 10000000;
    int64_t of_day = hundredths % 8640000;
    snprintf(out, size, "%02d%02d%02d.%02d", (int)(of_day / 360000), (int)(of_day / 6000 % 60),
             (int)(of_day / 100 % 60), (int)(of_day % 100));
}

/* ddmm.mmmmmmm,N: whole units of 1e-7 minute, so that 59.99999996 carries into the degrees. */
static void angle_text(char *out, size_t size, double deg, int degree_digits, char positive, char negative)
{
    int64_t units = llround(fabs(deg) * 60 * 1e7);
    int64_t whole = units / 600000000;
    int64_t rest = units % 600000000;
    snprintf(out, size, "%0*d%02d.%07d,%c", degree_digits, (int)whole, (int)(rest / 10000000),
             (int)(rest % 10000000), deg < 0 ? negative : positive);
}

size_t speak_gga(char *out, const char *talker, int64_t utc_ns, double lat_deg, double lon_deg,
                 int satellites)
{
    char clock[16];
    char lat[24];
    char lon[24];
    clock_text(clock, sizeof clock, utc_ns);
    angle_text(lat, sizeof lat, lat_deg, 2, 'N', 'S');
    angle_text(lon, sizeof lon, lon_deg, 3, 'E', 'W');
    snprintf(out, SPEAK_MAX, "$%sGGA,%s,%s,%s,1,%02d,0.9,0.0,M,0.0,M,,", talker, clock, lat, lon, satellites);
    return finish(out);
}

size_t speak_zda(char *out, const char *talker, int64_t utc_ns)
{
    char clock[16];
    struct tm day;
    time_t seconds = (time_t)(utc_ns / 1000000000);
    clock_text(clock, sizeof clock, utc_ns);
    gmtime_r(&seconds, &day);
    snprintf(out, SPEAK_MAX, "$%sZDA,%s,%02d,%02d,%04d,00,00", talker, clock, day.tm_mday, day.tm_mon + 1,
             day.tm_year + 1900);
    return finish(out);
}

size_t speak_hdt(char *out, const char *talker, double heading_deg)
{
    double shown = heading_deg >= 359.995 ? 0 : heading_deg;
    snprintf(out, SPEAK_MAX, "$%sHDT,%.2f,T", talker, shown);
    return finish(out);
}

size_t speak_vtg(char *out, const char *talker, double course_deg, double speed_kn)
{
    double shown = course_deg >= 359.95 ? 0 : course_deg;
    snprintf(out, SPEAK_MAX, "$%sVTG,%.1f,T,,M,%.2f,N,%.2f,K,A", talker, shown, speed_kn, speed_kn * 1.852);
    return finish(out);
}

size_t speak_dbt(char *out, const char *talker, double below_m)
{
    snprintf(out, SPEAK_MAX, "$%sDBT,%.2f,f,%.2f,M,%.2f,F", talker, below_m / 0.3048, below_m,
             below_m / 1.8288);
    return finish(out);
}

size_t speak_xdr(char *out, const char *talker, double pressure_bar, double depth_m, double pitch_deg,
                 double roll_deg)
{
    snprintf(out, SPEAK_MAX, "$%sXDR,P,%.4f,B,PRESS,D,%.3f,M,DEPTH,A,%.2f,D,PITCH,A,%.2f,D,ROLL", talker,
             pressure_bar, depth_m, pitch_deg, roll_deg);
    return finish(out);
}

size_t speak_ctd(char *out, double pressure_dbar, double temperature_C, double conductivity_mS_cm,
                 const double *extra, int extra_count)
{
    int n = snprintf(out, SPEAK_MAX, "%9.3f, %8.4f, %9.5f", pressure_dbar, temperature_C, conductivity_mS_cm);
    for (int i = 0; i < extra_count; i++)
        n += snprintf(out + n, SPEAK_MAX - (size_t)n, ", %8.3f", extra[i]);
    n += snprintf(out + n, SPEAK_MAX - (size_t)n, "\r\n");
    return (size_t)n;
}
