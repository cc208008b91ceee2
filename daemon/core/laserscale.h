/*
 * laserscale: the length of something in a picture, from two parallel laser dots a known distance apart.
 *
 *   L = D n / n_D                                        D spacing, n pixels of the object, n_D pixels
 * between the dots (s_L/L)^2 = (s_n/n)^2 + (s_nD/n_D)^2 + (s_D/D)^2     first-order propagation of
 * independent errors (JCGM 100:2008, 5.1.2) s_n = s_nD = sqrt(2) s_pixel                         each length
 * has two end points
 *
 * The error returned is the random one. What it does NOT hold, and no formula from pixels can:
 *   - the object must lie in the plane of the dots and square to the camera; tilted by a it comes out short
 * by 1 - cos a (20 degrees: 6 %, 25 degrees: 9.4 %);
 *   - an object nearer than the dots looks larger in proportion to the range, one further away smaller;
 *   - lasers that are not parallel: 0.1 degree shifts a dot by 3.5 mm at 2 m, which is 3.5 % of 10 cm;
 *   - lens and port distortion away from the centre of the picture.
 * Lasers hurt eyes, also by reflection: switch them on only under water and never with people in front of the
 * vehicle; follow the laser's class (IEC 60825-1) and the ship's rules.
 *
 * Pure.
 */
#ifndef BELLROPE_CORE_LASERSCALE_H
#define BELLROPE_CORE_LASERSCALE_H

#include <stdbool.h>

struct laserscale_measure {
    double spacing_m;       /* D, above 0; 0.10 is common practice, no published source */
    double spacing_sigma_m; /* s_D, 0 or more */
    double laser_pixels;    /* n_D, above 0 */
    double object_pixels;   /* n, above 0 */
    double pixel_sigma;     /* s_pixel, how well one end can be set, 0 or more */
};

struct laserscale_length {
    double length_m;
    double sigma_m; /* one standard deviation */
};

/* False if a value is not finite or out of the range given beside it; `out` is then left as it was. */
bool laserscale_length(const struct laserscale_measure *measure, struct laserscale_length *out);

#endif
