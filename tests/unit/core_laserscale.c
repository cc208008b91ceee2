/* laserscale: the worked example of its header's formula, how each error enters, and what is refused. */
#include "core/laserscale.h"
#include "core_near.h"

static struct laserscale_measure worked(double pixel_sigma)
{
    return (struct laserscale_measure){.spacing_m = 0.100,
                                       .spacing_sigma_m = 0.001,
                                       .laser_pixels = 200,
                                       .object_pixels = 350,
                                       .pixel_sigma = pixel_sigma};
}

static void worked_example(void **state)
{
    struct laserscale_measure m = worked(1.0);
    struct laserscale_length out;

    (void)state;
    assert_true(laserscale_length(&m, &out));
    assert_near(out.length_m, 0.1750, 1e-12);
    assert_near(out.sigma_m, 0.0023, 0.00005);
    assert_near(out.sigma_m / out.length_m, 0.0129, 0.00005);
    m = worked(2.0);
    assert_true(laserscale_length(&m, &out));
    assert_near(out.sigma_m, 0.0033, 0.00005);
    assert_near(out.sigma_m / out.length_m, 0.0191, 0.00005);
}

/* The formula against drawing the errors many times over: a Monte Carlo check of the propagation. */
static double normal(uint64_t *seed)
{
    double sum = -6.0;

    for (int i = 0; i < 12; i++) {
        *seed = *seed * UINT64_C(6364136223846793005) + 1442695040888963407U;
        sum += (double)(*seed >> 11) / 9007199254740992.0;
    }
    return sum;
}

static void sigma_is_what_random_errors_give(void **state)
{
    enum { DRAWS = 200000 };
    struct laserscale_measure m = worked(1.0);
    struct laserscale_length out;
    uint64_t seed = 20310304;
    double sum = 0.0;
    double squares = 0.0;

    (void)state;
    assert_true(laserscale_length(&m, &out));
    for (int i = 0; i < DRAWS; i++) {
        double dots = m.laser_pixels + normal(&seed) - normal(&seed);
        double object = m.object_pixels + normal(&seed) - normal(&seed);
        double length = (m.spacing_m + m.spacing_sigma_m * normal(&seed)) * object / dots;
        sum += length;
        squares += length * length;
    }
    double mean = sum / DRAWS;
    assert_near(sqrt(squares / DRAWS - mean * mean), out.sigma_m, 0.02 * out.sigma_m);
}

static void exact_inputs_have_no_error(void **state)
{
    struct laserscale_measure m = worked(0.0);
    struct laserscale_length out;

    (void)state;
    m.spacing_sigma_m = 0.0;
    assert_true(laserscale_length(&m, &out));
    assert_near(out.sigma_m, 0.0, 0.0);
}

static void nonsense_is_refused(void **state)
{
    static const double bad[] = {0.0, -1.0, NAN, INFINITY};
    struct laserscale_length out = {.length_m = 7.0, .sigma_m = 8.0};

    (void)state;
    for (int i = 0; i < 4; i++) {
        struct laserscale_measure m = worked(1.0);
        m.spacing_m = bad[i];
        assert_false(laserscale_length(&m, &out));
        m = worked(1.0);
        m.laser_pixels = bad[i];
        assert_false(laserscale_length(&m, &out));
        m = worked(1.0);
        m.object_pixels = bad[i];
        assert_false(laserscale_length(&m, &out));
        m = worked(i == 0 ? NAN : bad[i]);
        assert_false(laserscale_length(&m, &out));
        m = worked(1.0);
        m.spacing_sigma_m = i == 0 ? NAN : bad[i];
        assert_false(laserscale_length(&m, &out));
    }
    struct laserscale_measure m = worked(1.0);
    m.laser_pixels = 1e-300;
    m.object_pixels = 1e300;
    assert_false(laserscale_length(&m, &out)); /* the length itself is no number any more */
    assert_near(out.length_m, 7.0, 0.0);
    assert_near(out.sigma_m, 8.0, 0.0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(worked_example),
        cmocka_unit_test(sigma_is_what_random_errors_give),
        cmocka_unit_test(exact_inputs_have_no_error),
        cmocka_unit_test(nonsense_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
