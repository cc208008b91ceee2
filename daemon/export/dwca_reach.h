/*
 * dwca_reach: the radius of the circle around the first point of a way that holds all of it, each point with its own uncertainty, as
 * geo_distance_m() measures. That takes as long as all else that is done with a point of a way, so it is asked only about those that may
 * be the farthest: by their distance in degrees, scaled at the middle latitude, which is off by a known share. The radius is that of
 * measuring every point, to the last bit.
 */
#ifndef BELLROPE_EXPORT_DWCA_REACH_H
#define BELLROPE_EXPORT_DWCA_REACH_H

#include <stdbool.h>
#include <stddef.h>

#define DWCA_REACH_ROOM 128

struct dwca_reach_point {
    double lat_deg, lon_deg, uncertainty_m;
    double most_m; /* the point is no farther, with its uncertainty */
};

struct dwca_reach {
    double lat_deg, lon_deg; /* the first point */
    double north_m_per_deg, east_m_per_deg,
        east_m_per_deg2; /* at the first point, and how the second falls with latitude */
    bool flat;           /* the scale holds there: not near a pole */
    double radius_m;     /* of those that were measured */
    double least_m;      /* the radius is not less */
    struct dwca_reach_point waiting[DWCA_REACH_ROOM]; /* those that may be the farthest */
    size_t count;
};

/* Begins with the first point. */
void dwca_reach_begin(struct dwca_reach *reach, double lat_deg, double lon_deg);
/* The uncertainty is in metres, and not negative. */
void dwca_reach_add(struct dwca_reach *reach, double lat_deg, double lon_deg, double uncertainty_m);
double dwca_reach_radius(struct dwca_reach *reach);

#endif
