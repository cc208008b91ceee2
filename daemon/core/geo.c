/*
 * geo: Cartesian chords for distance and interpolation, two radii of curvature for the plane (see geo.h).
 *
 * Rejected: great circles on a sphere (up to 0.5 % wrong in scale), Vincenty's iteration (does not always end), and a
 * full geodesic solver, which is not needed for points seconds apart.
 */
#include "core/geo.h"

#include <math.h>

static const double pi = 3.14159265358979323846;

#define E2 (GEO_WGS84_F * (2.0 - GEO_WGS84_F))

struct xyz {
    double x, y, z;
};

static double radians(double deg)
{
    return deg * (pi / 180.0);
}

static double degrees(double rad)
{
    return rad * (180.0 / pi);
}

double geo_wrap_360(double deg)
{
    if (deg >= 0.0 && deg < 360.0) {
        return deg;
    }
    double turn = fmod(deg, 360.0);
    turn = turn < 0.0 ? turn + 360.0 : turn;
    return turn < 360.0 ? turn : 0.0; /* -1e-17 + 360 rounds to 360 */
}

double geo_wrap_180(double deg)
{
    if (deg >= -180.0 && deg < 180.0) {
        return deg;
    }
    return geo_wrap_360(deg + 180.0) - 180.0;
}

/* Radii of curvature at a latitude: M along the meridian, N across it. */
static void radii(double lat_deg, double *m, double *n)
{
    double s = sin(radians(lat_deg));
    double w = sqrt(1.0 - E2 * s * s);

    *n = GEO_WGS84_A_M / w;
    *m = GEO_WGS84_A_M * (1.0 - E2) / (w * w * w);
}

static struct xyz cartesian(double lat_deg, double lon_deg)
{
    double lat = radians(lat_deg);
    double lon = radians(lon_deg);
    double s = sin(lat);
    double n = GEO_WGS84_A_M / sqrt(1.0 - E2 * s * s);
    double across = n * cos(lat);

    return (struct xyz){across * cos(lon), across * sin(lon), n * (1.0 - E2) * s};
}

static double chord(struct xyz a, struct xyz b)
{
    double x = b.x - a.x;
    double y = b.y - a.y;
    double z = b.z - a.z;

    return sqrt(x * x + y * y + z * z);
}

/* Mean radius of curvature at a latitude. */
static double mean_radius(double lat_deg)
{
    double m;
    double n;

    radii(lat_deg, &m, &n);
    return sqrt(m * n);
}

double geo_distance_m(double lat1_deg, double lon1_deg, double lat2_deg, double lon2_deg)
{
    double c = chord(cartesian(lat1_deg, lon1_deg), cartesian(lat2_deg, lon2_deg));
    double diameter = 2.0 * mean_radius(0.5 * (lat1_deg + lat2_deg));

    return c < diameter ? diameter * asin(c / diameter) : diameter * (pi / 2.0);
}

void geo_between(double lat1_deg, double lon1_deg, double lat2_deg, double lon2_deg, double fraction,
                 double *lat_deg, double *lon_deg)
{
    struct xyz a = cartesian(lat1_deg, lon1_deg);
    struct xyz b = cartesian(lat2_deg, lon2_deg);
    double c = chord(a, b);
    double x = a.x + fraction * (b.x - a.x);
    double y = a.y + fraction * (b.y - a.y);
    double z = a.z + fraction * (b.z - a.z);
    double n = mean_radius(0.5 * (lat1_deg + lat2_deg));
    /* The chord runs below the ellipsoid; its height enters the latitude of a point given by x, y, z. */
    double height = -fraction * (1.0 - fraction) * c * c / (2.0 * n);

    *lat_deg = degrees(atan2(z, sqrt(x * x + y * y) * (1.0 - E2 * n / (n + height))));
    *lon_deg = degrees(atan2(y, x));
}

void geo_plane_at(struct geo_plane *plane, double lat_deg, double lon_deg)
{
    double m;
    double n;

    plane->lat_deg = fmin(fmax(lat_deg, -GEO_PLANE_LAT_MAX_DEG), GEO_PLANE_LAT_MAX_DEG);
    plane->lon_deg = geo_wrap_180(lon_deg);
    radii(plane->lat_deg, &m, &n);
    plane->north_m_per_deg = radians(m);
    plane->east_m_per_deg = radians(n * cos(radians(plane->lat_deg)));
}

void geo_to_plane(const struct geo_plane *plane, double lat_deg, double lon_deg, double *north_m,
                  double *east_m)
{
    *north_m = (lat_deg - plane->lat_deg) * plane->north_m_per_deg;
    *east_m = geo_wrap_180(lon_deg - plane->lon_deg) * plane->east_m_per_deg;
}

void geo_from_plane(const struct geo_plane *plane, double north_m, double east_m, double *lat_deg,
                    double *lon_deg)
{
    double lat = plane->lat_deg + north_m / plane->north_m_per_deg;

    *lat_deg = fmin(fmax(lat, -90.0), 90.0);
    *lon_deg = geo_wrap_180(plane->lon_deg + east_m / plane->east_m_per_deg);
}
