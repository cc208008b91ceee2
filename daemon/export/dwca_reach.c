#include "export/dwca_reach.h"

#include "core/geo.h"

#include <math.h>

#define RADIAN 0.017453292519943295
#define FLAT_LAT_DEG 70.0 /* and as far as this the scale is good to what off_by() says */
#define FLAT_M 50000.0

void dwca_reach_begin(struct dwca_reach *reach, double lat_deg, double lon_deg)
{
    struct geo_plane plane;
    geo_plane_at(&plane, lat_deg, lon_deg);
    reach->lat_deg = lat_deg;
    reach->lon_deg = lon_deg;
    reach->north_m_per_deg = plane.north_m_per_deg;
    reach->east_m_per_deg = plane.east_m_per_deg;
    reach->east_m_per_deg2 = plane.east_m_per_deg * tan(lat_deg * RADIAN) * RADIAN;
    reach->flat = fabs(lat_deg) < FLAT_LAT_DEG;
    reach->radius_m = reach->least_m = 0;
    reach->count = 0;
}

static void measure(struct dwca_reach *reach, const struct dwca_reach_point *point)
{
    double far_m =
        geo_distance_m(reach->lat_deg, reach->lon_deg, point->lat_deg, point->lon_deg) + point->uncertainty_m;
    if (far_m > reach->radius_m)
        reach->radius_m = far_m;
    if (far_m > reach->least_m)
        reach->least_m = far_m;
}

/* Measures those that wait and may still be the farthest. */
static void settle(struct dwca_reach *reach)
{
    for (size_t i = reach->count; i-- > 0;) /* the later ones are farther on most ways */
        if (reach->waiting[i].most_m >= reach->least_m)
            measure(reach, &reach->waiting[i]);
    reach->count = 0;
}

/*
 * The share by which a distance at the middle latitude may be wrong, twice or more what it is: half a difference of latitude (radians) changes the
 * radii of curvature by less than a hundredth of it (3 e^2 sin cos); what the middle latitude leaves out is under
 * (1 + tan^2) / 24 of the square of the distance in radii (a series, as in any text on geometric geodesy: Torge, Geodesy).
 */
static double off_by(double half_lat_deg, double flat_m)
{
    double radii = flat_m / GEO_WGS84_A_M;
    return 1e-9 + 0.02 * fabs(half_lat_deg * RADIAN) + radii * radii;
}

void dwca_reach_add(struct dwca_reach *reach, double lat_deg, double lon_deg, double uncertainty_m)
{
    struct dwca_reach_point point = {lat_deg, lon_deg, uncertainty_m, 0};
    double lat = lat_deg - reach->lat_deg, north_m = lat * reach->north_m_per_deg;
    double east_m =
        geo_wrap_180(lon_deg - reach->lon_deg) * (reach->east_m_per_deg - lat / 2 * reach->east_m_per_deg2);
    double flat_m = sqrt(north_m * north_m + east_m * east_m);
    if (!reach->flat || !(flat_m < FLAT_M)) {
        measure(reach, &point);
        return;
    }
    double off_m = flat_m * off_by(lat / 2, flat_m);
    point.most_m = flat_m + off_m + uncertainty_m;
    if (point.most_m < reach->least_m)
        return;
    if (flat_m - off_m + uncertainty_m > reach->least_m)
        reach->least_m = flat_m - off_m + uncertainty_m;
    if (reach->count == DWCA_REACH_ROOM)
        settle(reach);
    reach->waiting[reach->count++] = point;
}

double dwca_reach_radius(struct dwca_reach *reach)
{
    settle(reach);
    return reach->radius_m;
}
