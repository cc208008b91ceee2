/* rig_world: contacts agree with the published figures; the world is smooth, and its lines say what it is. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "contact.h"
#include "core/nmea.h"
#include "core/seawater.h"
#include "speak.h"
#include "world.h"

/* Ganssle, "A Guide to Debouncing": mean about 1.56 ms, worst 6.2 ms. */
static void chatter_has_the_published_mean_and_worst(void **state)
{
    struct chance chance = chance_split(20310304, 1);
    double sum_ns = 0;
    int64_t worst_ns = 0;
    const int presses = 50000;
    (void)state;
    for (int i = 0; i < presses; i++) {
        int64_t ns = contact_chatter_ns(&chance);
        sum_ns += (double)ns;
        worst_ns = ns > worst_ns ? ns : worst_ns;
    }
    assert_true(fabs(sum_ns / presses - 1.56e6) < 0.05e6);
    assert_in_range(worst_ns, 6000000, 6200000);
}

static void a_press_begins_and_ends_as_told(void **state)
{
    struct chance chance = chance_split(20310304, 2);
    (void)state;
    for (int i = 0; i < 5000; i++) {
        struct contact_press press;
        int64_t hold_ns = chance_range(&chance, 1000000, 200000000);
        contact_make(&press, &chance, 1000, hold_ns, true);
        assert_in_range(press.count, 2, CONTACT_EDGES_MAX);
        assert_int_equal(press.edge[0].at_ns, 1000);
        assert_true(press.edge[0].closed);
        assert_false(press.edge[press.count - 1].closed);
        assert_in_range(press.edge[press.count - 1].at_ns, 1000 + hold_ns, 1000 + hold_ns + 6200000);
        for (size_t e = 1; e < press.count; e++) {
            assert_true(press.edge[e].at_ns > press.edge[e - 1].at_ns);
            assert_int_equal(press.edge[e].closed, !press.edge[e - 1].closed);
        }
    }
}

static void the_world_moves_smoothly(void **state)
{
    const struct world world = {.descent_s = 1800, .bottom_s = 7200, .ascent_s = 1500};
    struct world_state last;
    (void)state;
    world_at(&world, 0, &last);
    assert_true(fabs(last.depth_m) < 0.01);
    for (int t_s = 1; t_s < 10500; t_s++) {
        struct world_state now;
        double east_m = 0, north_m = 0, last_east_m = 0, last_north_m = 0;
        world_at(&world, t_s, &now);
        world_metres(now.lat_deg, now.lon_deg, &east_m, &north_m);
        world_metres(last.lat_deg, last.lon_deg, &last_east_m, &last_north_m);
        assert_true(hypot(east_m - last_east_m, north_m - last_north_m) < 0.6);
        assert_true(fabs(now.depth_m - last.depth_m) < 2);
        assert_true(now.depth_m >= 0 && now.altitude_m > 1);
        last = now;
    }
    assert_true(fabs(last.depth_m) < 0.01);
}

/* The rig turns the published formulas round; the daemon's core has them straight. Both were written apart. */
static void pressure_and_conductivity_come_back(void **state)
{
    (void)state;
    for (int depth = 1; depth < 6000; depth += 97) {
        double depth_m = depth;
        double back_m = 0;
        double salinity = 0;
        double dbar = world_pressure(depth_m, -21.4);
        double mS_cm = world_conductivity(34.7, 2.5, dbar);
        assert_int_equal(seawater_depth_m(dbar, -21.4, &back_m), SEAWATER_OK);
        assert_true(fabs(back_m - depth_m) < 1e-6);
        assert_int_equal(seawater_salinity(mS_cm, 2.5, dbar, &salinity), SEAWATER_OK);
        assert_true(fabs(salinity - 34.7) < 1e-6);
    }
}

static struct nmea_sentence decode(const char *line, size_t len)
{
    struct nmea_sentence sentence;
    assert_int_equal(nmea_decode(line, len - 2, NULL, &sentence), NMEA_OK);
    return sentence;
}

static void lines_are_good_sentences(void **state)
{
    char line[SPEAK_MAX];
    const int64_t moment_ns = INT64_C(1930367167089000000); /* 2031-03-04T05:06:07.089Z */
    struct nmea_sentence s;
    (void)state;
    s = decode(line, speak_gga(line, "GP", moment_ns, -21.4137123456, -8.26191234567, 9));
    assert_true(fabs((double)s.lat_e9 / 1e9 + 21.4137123456) < 2e-9);
    assert_true(fabs((double)s.lon_e9 / 1e9 + 8.26191234567) < 2e-9);
    assert_int_equal(s.time_of_day_s, 5 * 3600 + 6 * 60 + 7);
    s = decode(line, speak_gga(line, "GP", moment_ns, 47.9999999999, 8.0, 9));
    assert_true(llabs(s.lat_e9 - 48000000000) <= 1);
    s = decode(line, speak_zda(line, "GP", moment_ns));
    assert_true(s.year == 2031 && s.month == 3 && s.day == 4 && s.time_of_day_ns == 80000000);
    s = decode(line, speak_hdt(line, "HE", 359.999));
    assert_true(s.heading_true_deg < 0.001);
    s = decode(line, speak_vtg(line, "GP", 12.3, 0.55));
    assert_true(fabs(s.speed_kn - 0.55) < 1e-9);
    s = decode(line, speak_dbt(line, "SD", 2.61));
    assert_true(fabs(s.depth_m - 2.61) < 1e-9);
    s = decode(line, speak_xdr(line, "YX", 138.1, 1368.356, 1.5, -0.4));
    assert_int_equal(s.xdr_count, 4);
    assert_true(fabs(s.xdr[1].value - 1368.356) < 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(chatter_has_the_published_mean_and_worst),
        cmocka_unit_test(a_press_begins_and_ends_as_told),
        cmocka_unit_test(the_world_moves_smoothly),
        cmocka_unit_test(pressure_and_conductivity_come_back),
        cmocka_unit_test(lines_are_good_sentences),
    };
    return cmocka_run_group_tests_name("rig_world", tests, NULL, NULL);
}
