/* laserscale: see laserscale.h for the formula and for what it cannot know. */
#include "core/laserscale.h"

#include <math.h>

static bool positive(double value)
{
    return isfinite(value) && value > 0.0;
}

static bool not_negative(double value)
{
    return isfinite(value) && value >= 0.0;
}

bool laserscale_length(const struct laserscale_measure *measure, struct laserscale_length *out)
{
    if (!positive(measure->spacing_m) || !positive(measure->laser_pixels) ||
        !positive(measure->object_pixels) || !not_negative(measure->spacing_sigma_m) ||
        !not_negative(measure->pixel_sigma)) {
        return false;
    }
    double length = measure->spacing_m * measure->object_pixels / measure->laser_pixels;
    double ends = sqrt(2.0) * measure->pixel_sigma;
    double relative = hypot(hypot(ends / measure->object_pixels, ends / measure->laser_pixels),
                            measure->spacing_sigma_m / measure->spacing_m);

    if (!isfinite(length) || !isfinite(length * relative)) {
        return false;
    }
    out->length_m = length;
    out->sigma_m = length * relative;
    return true;
}
