/*
 * geo against published geodesic vectors on WGS84 (computed with PROJ's geodesic routines; some also with GeographicLib).
 * tests/readers/geo_proj.sh compares many more points with PROJ itself.
 */
#include "core/geo.h"
#include "core_near.h"

static void distances_meet_geodesics(void **state)
{
    (void)state;
    assert_near(geo_distance_m(0, 0, 0, 1), 111319.490793274, 0.02);
    assert_near(geo_distance_m(0, 0, 1, 0), 110574.388557799, 0.02);
    assert_near(geo_distance_m(45, 0, 45, 1), 78846.334709795, 0.01);
    /* The old test line of the Australian geodetic manual; the points are 55 km apart. */
    double flinders_lat = -(37.0 + 57.0 / 60 + 3.72030 / 3600);
    double flinders_lon = 144.0 + 25.0 / 60 + 29.52440 / 3600;
    double buninyong_lat = -(37.0 + 39.0 / 60 + 10.15610 / 3600);
    double buninyong_lon = 143.0 + 55.0 / 60 + 35.38390 / 3600;
    assert_near(geo_distance_m(flinders_lat, flinders_lon, buninyong_lat, buninyong_lon), 54972.2711, 0.005);
    assert_near(geo_distance_m(36.7, -122, 36.699999994741, -121.998880932914), 100.0, 1e-6);
    assert_near(geo_distance_m(36.7, -122, 36.706371670650, -121.992086347566), 1000.0, 1e-6);
    assert_near(geo_distance_m(36.7, 179.999, 36.699999474081, -179.989809329190), 1000.0, 1e-6);
    assert_near(geo_distance_m(12, 34, 12, 34), 0.0, 0.0);
    assert_near(geo_distance_m(90, 0, 90, 120), 0.0, 1e-8);
}

static void between_crosses_the_date_line_and_the_pole(void **state)
{
    double lat;
    double lon;

    (void)state;
    geo_between(36.7, 179.999, 36.699999474081, -179.989809329190, 0.5, &lat, &lon);
    assert_near(geo_distance_m(36.7, 179.999, lat, lon), 500.0, 1e-4);
    assert_near(geo_distance_m(lat, lon, 36.699999474081, -179.989809329190), 500.0, 1e-4);
    geo_between(89.999, 10, 89.999, -170, 0.5, &lat, &lon);
    assert_near(lat, 90.0, 1e-9);
    geo_between(-12.5, 45.25, -12.4, 45.5, 0.0, &lat, &lon);
    assert_near(lat, -12.5, 1e-12);
    assert_near(lon, 45.25, 1e-12);
    geo_between(-12.5, 45.25, -12.4, 45.5, 1.0, &lat, &lon);
    assert_near(lat, -12.4, 1e-12);
    assert_near(lon, 45.5, 1e-12);
}

static void plane_is_metric_and_turns_back(void **state)
{
    struct geo_plane plane;
    double north;
    double east;
    double lat;
    double lon;

    (void)state;
    geo_plane_at(&plane, 36.7, 179.999);
    geo_to_plane(&plane, 36.699999474081, -179.989809329190, &north, &east);
    assert_near(north, 0.0, 0.1); /* a geodesic due east falls away from the parallel by 6 cm in 1 km */
    assert_near(east, 1000.0, 0.001);
    geo_to_plane(&plane, 36.7 + 1000.0 / plane.north_m_per_deg, 179.999, &north, &east);
    assert_near(north, 1000.0, 1e-8);
    for (int n = -20000; n <= 20000; n += 4000) {
        for (int e = -20000; e <= 20000; e += 4000) {
            geo_from_plane(&plane, n, e, &lat, &lon);
            geo_to_plane(&plane, lat, lon, &north, &east);
            assert_near(north, n, 1e-6);
            assert_near(east, e, 1e-6);
        }
    }
    geo_plane_at(&plane, 90.0, 0.0);
    assert_near(plane.lat_deg, GEO_PLANE_LAT_MAX_DEG, 0.0);
}

static void angles_wrap(void **state)
{
    (void)state;
    assert_near(geo_wrap_360(-10), 350, 1e-12);
    assert_near(geo_wrap_360(360), 0, 0);
    assert_near(geo_wrap_360(725), 5, 1e-12);
    assert_true(geo_wrap_360(-1e-17) < 360.0);
    assert_near(geo_wrap_180(180), -180, 0);
    assert_near(geo_wrap_180(-181), 179, 1e-12);
    assert_near(geo_wrap_180(540), -180, 1e-12);
    assert_near(geo_wrap_180(12.5), 12.5, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(distances_meet_geodesics),
        cmocka_unit_test(between_crosses_the_date_line_and_the_pole),
        cmocka_unit_test(plane_is_metric_and_turns_back),
        cmocka_unit_test(angles_wrap),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
