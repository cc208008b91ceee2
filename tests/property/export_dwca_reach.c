/* The radius around a way's first point is that of measuring every point, to the last bit, wherever and however large the way is. */
#include "core/geo.h"
#include "export/dwca_reach.h"
#include "property/core_random.h"
#include "unit/core_near.h"

enum { WAYS = 400, POINTS = 3000 };

static struct dwca_reach reach;

/* Drifts from its first point with some wandering; from metres to a quarter of the globe. */
static void follow_way(double lat_deg, double lon_deg, double step_m)
{
    double north = random_uniform(-1, 1), east = random_uniform(-1, 1), wander = random_uniform(0, 3);
    double lat = lat_deg, lon = lon_deg, radius_m = 0;
    dwca_reach_begin(&reach, lat_deg, lon_deg);
    for (int i = 0; i < POINTS; i++) {
        double uncertainty_m = random_uniform(0, 10 * step_m);
        double far_m = geo_distance_m(lat_deg, lon_deg, lat, lon) + uncertainty_m;
        radius_m = far_m > radius_m ? far_m : radius_m;
        dwca_reach_add(&reach, lat, lon, uncertainty_m);
        lat = fmin(fmax(lat + (north + wander * random_normal()) * step_m / 111e3, -90), 90);
        lon = geo_wrap_180(lon + (east + wander * random_normal()) * step_m / 111e3 /
                                     fmax(cos(lat * 0.0174533), 0.01));
    }
    assert_true(dwca_reach_radius(&reach) == radius_m);
}

static void no_point_is_farther(void **state)
{
    (void)state;
    for (int way = 0; way < WAYS; way++)
        follow_way(random_uniform(-89.9, 89.9), random_uniform(-180, 180), pow(10, random_uniform(-3, 3)));
}

static void ways_along_an_axis_are_no_exception(void **state)
{
    (void)state;
    for (int way = 0; way < WAYS; way++) {
        double lat_deg = random_uniform(-75, 75), step_deg = pow(10, random_uniform(-8, -4));
        bool north = random_below(2) == 0;
        dwca_reach_begin(&reach, lat_deg, 10);
        double radius_m = 0;
        for (int i = 0; i < POINTS; i++) {
            double lat = north ? lat_deg + i * step_deg : lat_deg, lon = north ? 10 : 10 + i * step_deg;
            double far_m = geo_distance_m(lat_deg, 10, lat, lon);
            radius_m = far_m > radius_m ? far_m : radius_m;
            dwca_reach_add(&reach, lat, lon, 0);
        }
        assert_true(dwca_reach_radius(&reach) == radius_m);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_point_is_farther),
        cmocka_unit_test(ways_along_an_axis_are_no_exception),
    };

    random_begin(20310304);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
