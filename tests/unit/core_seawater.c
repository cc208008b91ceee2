/*
 * seawater against published check values. UNESCO 44 is Fofonoff and Millard 1983, UNESCO technical papers in marine science 44;
 * its check values are met to all digits that it prints. Values marked TEOS-10 come from the Gibbs seawater library (gsw 3.6.16): another
 * model, so those tolerances are the difference between the models and say so.
 *
 * `core_seawater --grid` prints our values over a grid, for tests/readers/seawater_gsw.sh.
 */
#include <string.h>

#include "core/seawater.h"
#include "core_near.h"

static double depth(double p, double lat)
{
    double out = -1.0;

    assert_int_equal(seawater_depth_m(p, lat, &out), SEAWATER_OK);
    return out;
}

static double salinity(double ratio, double t68, double p)
{
    double out = -1.0;

    assert_int_equal(seawater_salinity_t68(ratio, t68, p, &out), SEAWATER_OK);
    return out;
}

static double sound(double s, double t68, double p)
{
    double out = -1.0;

    assert_int_equal(seawater_sound_speed_t68(s, t68, p, &out), SEAWATER_OK);
    return out;
}

static double density(double s, double t68, double p)
{
    double out = -1.0;

    assert_int_equal(seawater_density_t68(s, t68, p, &out), SEAWATER_OK);
    return out;
}

static void depth_meets_unesco_44(void **state)
{
    /* The report's table, two decimals; the printed check value is 9712.653 m at 10000 dbar, 30 degrees. */
    static const double p[] = {500, 1000, 2000, 4000, 6000, 10000};
    static const double lat[] = {0, 30, 45, 60, 90};
    static const double m[6][5] = {
        {496.65, 496.00, 495.34, 494.69, 494.03},      {992.12, 990.81, 989.50, 988.19, 986.88},
        {1979.55, 1976.94, 1974.33, 1971.72, 1969.11}, {3940.88, 3935.68, 3930.49, 3925.30, 3920.10},
        {5885.03, 5877.27, 5869.51, 5861.76, 5854.01}, {9725.47, 9712.65, 9699.84, 9687.03, 9674.23}};

    (void)state;
    assert_near(depth(10000.0, 30.0), 9712.653, 0.0005);
    for (int i = 0; i < 6; i++) {
        for (int k = 0; k < 5; k++) {
            assert_near(depth(p[i], lat[k]), m[i][k], 0.0051);
            assert_near(depth(p[i], -lat[k]), m[i][k], 0.0051);
        }
    }
    assert_near(depth(0.0, 12.0), 0.0, 0.0);
}

static void depth_is_near_teos_10(void **state)
{
    /* The models part by 0.05 m at 4000 dbar and by 1.08 m at 10000 dbar. */
    (void)state;
    assert_near(depth(1000, 0), 992.1174, 0.01);
    assert_near(depth(2000, 30), 1976.9393, 0.01);
    assert_near(depth(4000, 45), 3930.5381, 0.06);
    assert_near(depth(6000, 60), 5861.9586, 0.25);
    assert_near(depth(10000, 30), 9713.7352, 1.1);
    assert_near(depth(10000, 90), 9675.3093, 1.1);
}

static void pressure_meets_saunders_1981(void **state)
{
    double p = -1.0;

    (void)state;
    /* Published 7500.004 dbar at 7321.45 m, 30 degrees, in single precision. */
    assert_int_equal(seawater_pressure_dbar(7321.45, 30.0, &p), SEAWATER_OK);
    assert_near(p, 7500.004, 0.01);
    for (int want = 0; want <= 10000; want += 125) {
        for (int lat = -90; lat <= 90; lat += 15) {
            assert_int_equal(seawater_pressure_dbar(depth(want, lat), lat, &p), SEAWATER_OK);
            assert_near(p, want, want <= 5000 ? 0.31 : want <= 6000 ? 0.61 : 7.4);
        }
    }
}

static void salinity_meets_pss_78(void **state)
{
    (void)state;
    assert_near(salinity(1.0, 15.0, 0.0), 35.000000, 5e-7);
    assert_near(salinity(1.2, 20.0, 2000.0), 37.245628, 5e-7);
    assert_near(salinity(0.65, 5.0, 1500.0), 27.995347, 5e-7);
}

static void salinity_meets_teos_10_library(void **state)
{
    /* gsw_SP_from_C is PSS-78 too, with t90 for its argument, so the digits must agree. */
    static const double c[] = {34.5487, 34.7275, 34.8605, 34.6810, 34.5680, 34.5600};
    static const double t90[] = {28.7856, 28.4329, 22.8103, 10.2600, 6.8863, 4.4036};
    static const double p[] = {10, 50, 125, 250, 600, 1000};
    static const double want[] = {20.009869599, 20.265511865, 22.981513063,
                                  31.204503264, 34.032315787, 36.400308494};

    (void)state;
    for (int i = 0; i < 6; i++) {
        double s = 0.0;
        assert_int_equal(seawater_salinity(c[i], t90[i], p[i], &s), SEAWATER_OK);
        assert_near(s, want[i], 2e-9);
    }
}

static void sound_speed_meets_unesco_44(void **state)
{
    static const double rows[][4] = {{25, 0, 0, 1435.790},    {35, 0, 0, 1449.139},
                                     {35, 10, 0, 1489.822},   {35, 2, 2000, 1491.226},
                                     {35, 2, 4000, 1525.323}, {35, 0, 10000, 1623.150}};

    (void)state;
    assert_near(sound(40.0, 40.0, 10000.0), 1731.995, 0.0005); /* the printed check value */
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_near(sound(rows[i][0], rows[i][1], rows[i][2]), rows[i][3], 0.0006);
    }
}

static void density_meets_eos_80(void **state)
{
    /* UNESCO 44's table of densities, from the international equation of state 1980. */
    static const double rows[][4] = {{0, 5, 0, 999.96675},       {0, 25, 10000, 1037.90204},
                                     {35, 5, 0, 1027.67547},     {35, 5, 10000, 1069.48914},
                                     {35, 25, 0, 1023.34306},    {35, 25, 10000, 1062.53817},
                                     {40, 40, 10000, 1059.82038}};

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_near(density(rows[i][0], rows[i][1], rows[i][2]), rows[i][3], 6e-6);
    }
}

static void deep_water_is_near_teos_10(void **state)
{
    double c = 0.0;
    double rho = 0.0;

    (void)state;
    /* SP 34.9, t90 2.5 C, 3000 dbar: EOS-80 1510.1955 m/s and 1041.49223, TEOS-10 1509.6533 m/s and 1041.50108. */
    assert_int_equal(seawater_sound_speed_m_s(34.9, 2.5, 3000.0, &c), SEAWATER_OK);
    assert_near(c, 1510.1955, 0.0001);
    assert_near(c, 1509.6533, 0.6);
    assert_int_equal(seawater_density_kg_m3(34.9, 2.5, 3000.0, &rho), SEAWATER_OK);
    assert_near(rho, 1041.49223, 6e-6);
    assert_near(rho, 1041.50108, 0.01);
    assert_near(depth(3000.0, 30.0), 2958.5180, 0.0001);
}

static void scales_of_temperature_are_kept_apart(void **state)
{
    double a = 0.0;
    double b = 0.0;

    (void)state;
    assert_near(seawater_t68_from_t90(10.0), 10.0024, 1e-12);
    assert_near(seawater_t90_from_t68(seawater_t68_from_t90(23.5)), 23.5, 1e-12);
    assert_int_equal(seawater_sound_speed_m_s(35.0, 20.0, 0.0, &a), SEAWATER_OK);
    assert_int_equal(seawater_sound_speed_t68(35.0, 20.0048, 0.0, &b), SEAWATER_OK);
    assert_near(a, b, 1e-9);
    assert_int_equal(seawater_density_kg_m3(35.0, 20.0, 0.0, &a), SEAWATER_OK);
    assert_int_equal(seawater_density_t68(35.0, 20.0048, 0.0, &b), SEAWATER_OK);
    assert_near(a, b, 1e-9);
}

static void out_of_range_is_refused_with_a_reason(void **state)
{
    double v = 123.0;

    (void)state;
    assert_int_equal(seawater_depth_m(-0.1, 0, &v), SEAWATER_PRESSURE);
    assert_int_equal(seawater_depth_m(12000.1, 0, &v), SEAWATER_PRESSURE);
    assert_int_equal(seawater_depth_m(NAN, 0, &v), SEAWATER_PRESSURE);
    assert_int_equal(seawater_depth_m(10, 90.1, &v), SEAWATER_LATITUDE);
    assert_int_equal(seawater_depth_m(10, NAN, &v), SEAWATER_LATITUDE);
    assert_int_equal(seawater_pressure_dbar(-1, 0, &v), SEAWATER_DEPTH);
    assert_int_equal(seawater_pressure_dbar(11601, 0, &v), SEAWATER_DEPTH);
    assert_int_equal(seawater_pressure_dbar(10, -91, &v), SEAWATER_LATITUDE);
    assert_int_equal(seawater_salinity(0.0, 10, 0, &v), SEAWATER_CONDUCTIVITY);
    assert_int_equal(seawater_salinity(100.1, 10, 0, &v), SEAWATER_CONDUCTIVITY);
    assert_int_equal(seawater_salinity(NAN, 10, 0, &v), SEAWATER_CONDUCTIVITY);
    assert_int_equal(seawater_salinity(40, -2.1, 0, &v), SEAWATER_TEMPERATURE);
    assert_int_equal(seawater_salinity(40, 35.1, 0, &v), SEAWATER_TEMPERATURE);
    assert_int_equal(seawater_salinity(40, 10, 10001, &v), SEAWATER_PRESSURE);
    assert_int_equal(seawater_salinity(1.0, 10, 0, &v), SEAWATER_SALINITY); /* below 2 */
    assert_int_equal(seawater_salinity(60, 10, 0, &v), SEAWATER_SALINITY);  /* above 42 */
    assert_int_equal(seawater_sound_speed_m_s(40.1, 10, 0, &v), SEAWATER_SALINITY);
    assert_int_equal(seawater_sound_speed_m_s(35, 40.1, 0, &v), SEAWATER_TEMPERATURE);
    assert_int_equal(seawater_sound_speed_m_s(35, INFINITY, 0, &v), SEAWATER_TEMPERATURE);
    assert_int_equal(seawater_sound_speed_m_s(35, 10, -1, &v), SEAWATER_PRESSURE);
    assert_int_equal(seawater_density_kg_m3(42.1, 10, 0, &v), SEAWATER_SALINITY);
    assert_int_equal(seawater_density_kg_m3(35, -3, 0, &v), SEAWATER_TEMPERATURE);
    assert_int_equal(seawater_density_kg_m3(35, 10, 1e5, &v), SEAWATER_PRESSURE);
    assert_near(v, 123.0, 0.0); /* nothing was written */
    for (int i = 0; i < SEAWATER_VERDICTS; i++) {
        assert_true(strlen(seawater_reason((enum seawater_verdict)i)) > 5);
    }
    assert_non_null(strstr(seawater_reason(SEAWATER_SALINITY), "2 to 42"));
}

/* One line a point: kind, inputs, our value. */
static void print_grid(void)
{
    double v;

    for (int p = 0; p <= 10000; p += 250) {
        for (int lat = -90; lat <= 90; lat += 10) {
            if (seawater_depth_m(p, lat, &v) == SEAWATER_OK) {
                printf("depth %d %d 0 %.17g\n", p, lat, v);
            }
        }
        for (int k = 0; k <= 20; k++) {
            double t = -2.0 + 1.85 * k;
            for (int c = 2; c <= 70; c += 2) {
                if (seawater_salinity(c, t, p, &v) == SEAWATER_OK) {
                    printf("salinity %d %.17g %d %.17g\n", c, t, p, v);
                }
            }
            for (int s = 0; s <= 40; s += 5) {
                if (seawater_sound_speed_m_s(s, t, p, &v) == SEAWATER_OK) {
                    printf("sound %d %.17g %d %.17g\n", s, t, p, v);
                }
                if (seawater_density_kg_m3(s, t, p, &v) == SEAWATER_OK) {
                    printf("density %d %.17g %d %.17g\n", s, t, p, v);
                }
            }
        }
    }
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(depth_meets_unesco_44),
        cmocka_unit_test(depth_is_near_teos_10),
        cmocka_unit_test(pressure_meets_saunders_1981),
        cmocka_unit_test(salinity_meets_pss_78),
        cmocka_unit_test(salinity_meets_teos_10_library),
        cmocka_unit_test(sound_speed_meets_unesco_44),
        cmocka_unit_test(density_meets_eos_80),
        cmocka_unit_test(deep_water_is_near_teos_10),
        cmocka_unit_test(scales_of_temperature_are_kept_apart),
        cmocka_unit_test(out_of_range_is_refused_with_a_reason),
    };

    if (argc > 1 && strcmp(argv[1], "--grid") == 0) {
        print_grid();
        return 0;
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
