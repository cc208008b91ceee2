/*
 * geo: the little geodesy that the core needs, on the WGS84 ellipsoid.
 *
 * Two models. Interpolation and distance go through Earth-centred Cartesian coordinates, which have no pole
 * and no date line: a straight chord between two points, projected back to the ellipsoid, stands for the
 * geodesic between them. Filtering wants flat axes, so `geo_plane` maps degrees to metres north and east of
 * an origin with the two radii of curvature there. Long lines and areas are not for here: whoever exports
 * uses PROJ's geodesic routines.
 *
 * Sources: NIMA TR8350.2 (2000), WGS84 a and 1/f; radii of curvature M and N and the closed form latitude of
 * a point on the ellipsoid from any text on geometric geodesy (for example Torge, Geodesy, 3rd ed.,
 * section 4.1); the idea of interpolating without singularities from Gade, "A Non-singular Horizontal
 * Position Representation", J. Navigation 63(3), 2010.
 *
 * Pure functions; any finite input gives finite output. Latitude is -90..90, longitude comes out in
 * -180..180.
 */
#ifndef BELLROPE_CORE_GEO_H
#define BELLROPE_CORE_GEO_H

#define GEO_WGS84_A_M 6378137.0
#define GEO_WGS84_F (1.0 / 298.257223563)

/* Beyond this latitude `geo_plane` has no east that means anything; geo_distance_m and geo_between still
 * hold. */
#define GEO_PLANE_LAT_MAX_DEG 89.9

struct geo_plane {
    double lat_deg, lon_deg; /* origin */
    double north_m_per_deg;  /* meridian radius of curvature M, per degree */
    double east_m_per_deg;   /* N cos(latitude), per degree */
};

/* Wraps an angle into [0, 360) and a longitude into [-180, 180). */
double geo_wrap_360(double deg);
double geo_wrap_180(double deg);

/* Length on the ellipsoid between two points. Relative error against the geodesic below 1e-7 up to 100 km. */
double geo_distance_m(double lat1_deg, double lon1_deg, double lat2_deg, double lon2_deg);

/* The point at `fraction` (0..1) of the way from 1 to 2. Within 1 mm of the geodesic for points up to 10 km
 * apart. */
void geo_between(double lat1_deg, double lon1_deg, double lat2_deg, double lon2_deg, double fraction,
                 double *lat_deg, double *lon_deg);

/* A plane touching the ellipsoid at the origin; latitudes beyond GEO_PLANE_LAT_MAX_DEG are taken at that
 * limit. */
void geo_plane_at(struct geo_plane *plane, double lat_deg, double lon_deg);

/* Degrees to metres and exactly back. Distances in the plane are short by about d*tan(latitude)/R at d from
 * the origin. */
void geo_to_plane(const struct geo_plane *plane, double lat_deg, double lon_deg, double *north_m,
                  double *east_m);
void geo_from_plane(const struct geo_plane *plane, double north_m, double east_m, double *lat_deg,
                    double *lon_deg);

#endif
