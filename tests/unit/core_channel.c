/* channel: names, the value at an instant by kind, staleness, priority and fall-back, positions as pairs, order of samples. */
#include <stdlib.h>
#include <string.h>

#include "core/channel.h"
#include "core_near.h"

enum { SHIP_FEED = 0, USBL = 1, CTD = 2, SPARE = 3 };

static struct channel_set *set;

static int setup(void **state)
{
    (void)state;
    set = calloc(1, sizeof *set);
    channel_set_init(set);
    return set == NULL;
}

static int teardown(void **state)
{
    (void)state;
    free(set);
    return 0;
}

static mono_ns ms(int64_t t)
{
    return (mono_ns){t * NS_PER_MS};
}

static enum channel_verdict add(int id, uint8_t feed, int64_t at_ms, double value)
{
    return channel_add(set, id, feed, ms(at_ms), value);
}

static struct channel_reading at(int id, int64_t at_ms)
{
    struct channel_reading out;

    channel_at(set, id, ms(at_ms), &out);
    return out;
}

static struct channel_position position(enum channel_who who, int64_t at_ms)
{
    struct channel_position out;

    channel_position_at(set, who, ms(at_ms), &out);
    return out;
}

static void fix(uint8_t feed, int64_t at_ms, double lat, double lon)
{
    add(CHANNEL_VEHICLE_LAT, feed, at_ms, lat);
    assert_int_equal(add(CHANNEL_VEHICLE_LON, feed, at_ms, lon), CHANNEL_ADDED);
}

static void names_are_those_of_the_contract(void **state)
{
    static const char *const names[] = {"ship.lat_deg",
                                        "ship.lon_deg",
                                        "ship.heading_deg",
                                        "ship.sog_kn",
                                        "ship.cog_deg",
                                        "vehicle.lat_deg",
                                        "vehicle.lon_deg",
                                        "vehicle.depth_m",
                                        "vehicle.position_uncertainty_m",
                                        "vehicle.altitude_m",
                                        "vehicle.heading_deg",
                                        "vehicle.pitch_deg",
                                        "vehicle.roll_deg",
                                        "water.pressure_dbar",
                                        "water.temperature_C",
                                        "water.conductivity_mS_cm",
                                        "water.salinity",
                                        "water.sound_speed_m_s",
                                        "water.oxygen_umol_kg"};

    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        int id = channel_find(NULL, names[i]);
        assert_int_not_equal(id, CHANNEL_NONE);
        assert_string_equal(channel_name(NULL, id), names[i]);
    }
    for (int id = 0; id < CHANNEL_USER_FIRST; id++) {
        assert_int_equal(channel_find(NULL, channel_name(NULL, id)), id);
        assert_non_null(channel_unit(NULL, id));
        assert_in_range(channel_decimals(id), 0, 9);
    }
    assert_int_equal(channel_find(NULL, "vehicle.depth"), CHANNEL_NONE);
    assert_null(channel_name(NULL, CHANNEL_USER_FIRST));
    assert_null(channel_name(NULL, -1));
}

static void computed_values_are_rounded(void **state)
{
    (void)state;
    assert_near(channel_rounded(CHANNEL_VEHICLE_DEPTH, 1204.61251), 1204.613, 0);
    assert_near(channel_rounded(CHANNEL_VEHICLE_LAT, -12.345678949), -12.3456789, 0);
    assert_near(channel_rounded(CHANNEL_WATER_SALINITY, 34.91234567), 34.9123, 0);
    assert_near(channel_rounded(CHANNEL_USER_FIRST, 0.12345678), 0.123457, 0);
    assert_near(channel_rounded(CHANNEL_USER_FIRST, 1e300), 1e300, 0);
}

static void users_add_their_own(void **state)
{
    struct channel_names names = {.count = 0};
    char name[CHANNEL_NAME_MAX + 8];

    (void)state;
    int id = channel_register(&names, "x.turbidity", "NTU");
    assert_int_equal(id, CHANNEL_USER_FIRST);
    assert_int_equal(channel_register(&names, "x.turbidity", NULL), id);
    assert_int_equal(channel_find(&names, "x.turbidity"), id);
    assert_string_equal(channel_unit(&names, id), "NTU");
    assert_int_equal(channel_register(&names, "turbidity", ""), CHANNEL_NONE);
    assert_int_equal(channel_register(&names, "x.", ""), CHANNEL_NONE);
    assert_int_equal(channel_register(&names, "x.a b", ""), CHANNEL_NONE);
    assert_int_equal(channel_register(&names, "vehicle.depth_m", ""), CHANNEL_NONE);
    memset(name, 'a', sizeof name);
    memcpy(name, "x.", 2);
    name[CHANNEL_NAME_MAX] = '\0';
    assert_int_equal(channel_register(&names, name, ""), CHANNEL_NONE);
    for (int i = 1; i < CHANNEL_USER_MAX; i++) {
        (void)snprintf(name, sizeof name, "x.c%d", i);
        assert_int_equal(channel_register(&names, name, ""), CHANNEL_USER_FIRST + i);
    }
    assert_int_equal(channel_register(&names, "x.one-too-many", ""), CHANNEL_NONE);
    assert_int_equal(add(CHANNEL_COUNT - 1, CTD, 0, 1.5), CHANNEL_ADDED);
    assert_near(at(CHANNEL_COUNT - 1, 0).value, 1.5, 0);
}

static void linear_between_samples(void **state)
{
    (void)state;
    add(CHANNEL_VEHICLE_DEPTH, CTD, 1000, 100.0);
    add(CHANNEL_VEHICLE_DEPTH, CTD, 2000, 110.0);
    struct channel_reading r = at(CHANNEL_VEHICLE_DEPTH, 1250);
    assert_true(r.known);
    assert_int_equal(r.method, CHANNEL_INTERPOLATED);
    assert_near(r.value, 102.5, 1e-12);
    assert_int_equal(r.age_ns, 250 * NS_PER_MS);
    assert_int_equal(r.feed, CTD);
    assert_true(r.settled);
    assert_int_equal(at(CHANNEL_VEHICLE_DEPTH, 1900).age_ns, 100 * NS_PER_MS);
    r = at(CHANNEL_VEHICLE_DEPTH, 1000);
    assert_near(r.value, 100.0, 0);
    assert_int_equal(r.age_ns, 0);
    r = at(CHANNEL_VEHICLE_DEPTH, 2000);
    assert_int_equal(r.method, CHANNEL_INTERPOLATED);
    assert_true(r.settled);
}

static void last_then_absent(void **state)
{
    (void)state;
    add(CHANNEL_VEHICLE_DEPTH, CTD, 1000, 100.0);
    struct channel_reading r = at(CHANNEL_VEHICLE_DEPTH, 1400);
    assert_int_equal(r.method, CHANNEL_LAST);
    assert_near(r.value, 100.0, 0);
    assert_int_equal(r.age_ns, 400 * NS_PER_MS);
    assert_false(r.settled);
    assert_int_equal(at(CHANNEL_VEHICLE_DEPTH, 6000).method, CHANNEL_LAST); /* 5 s is the default */
    r = at(CHANNEL_VEHICLE_DEPTH, 6001);
    assert_false(r.known);
    assert_int_equal(r.method, CHANNEL_ABSENT);
    assert_false(at(CHANNEL_VEHICLE_DEPTH, 999).known); /* a later sample is no past value */
    assert_true(at(CHANNEL_VEHICLE_DEPTH, 999).settled);
    r = at(CHANNEL_WATER_OXYGEN, 0);
    assert_false(r.known);
    assert_true(r.settled);
}

static void no_bridge_over_a_gap(void **state)
{
    (void)state;
    assert_true(channel_feed_declare(set, CTD, 0, 2 * NS_PER_S, 0));
    add(CHANNEL_WATER_TEMPERATURE, CTD, 0, 2.0);
    add(CHANNEL_WATER_TEMPERATURE, CTD, 2001, 4.0);
    struct channel_reading r = at(CHANNEL_WATER_TEMPERATURE, 1000);
    assert_int_equal(r.method, CHANNEL_LAST);
    assert_near(r.value, 2.0, 0);
    assert_true(r.settled);
    assert_false(at(CHANNEL_WATER_TEMPERATURE, 2000 + 2 * 1000 + 2).known);
    add(CHANNEL_WATER_TEMPERATURE, CTD, 4001, 6.0);
    assert_int_equal(at(CHANNEL_WATER_TEMPERATURE, 3000).method, CHANNEL_INTERPOLATED);
}

static void angles_take_the_short_way(void **state)
{
    (void)state;
    add(CHANNEL_SHIP_HEADING, SHIP_FEED, 0, 350.0);
    add(CHANNEL_SHIP_HEADING, SHIP_FEED, 1000, 20.0);
    add(CHANNEL_SHIP_HEADING, SHIP_FEED, 2000, 340.0);
    assert_near(at(CHANNEL_SHIP_HEADING, 500).value, 5.0, 1e-9);
    assert_near(at(CHANNEL_SHIP_HEADING, 1250).value, 10.0, 1e-9);
    assert_near(at(CHANNEL_SHIP_HEADING, 1750).value, 350.0, 1e-9);
    add(CHANNEL_SHIP_COG, SHIP_FEED, 0, 360.0);
    assert_near(at(CHANNEL_SHIP_COG, 0).value, 0.0, 0);
}

static void positions_are_pairs(void **state)
{
    (void)state;
    assert_int_equal(add(CHANNEL_VEHICLE_LAT, USBL, 0, 36.7), CHANNEL_WAITING);
    assert_false(position(CHANNEL_VEHICLE, 0).known);
    assert_int_equal(add(CHANNEL_VEHICLE_LON, USBL, 0, 179.999), CHANNEL_ADDED);
    assert_int_equal(add(CHANNEL_VEHICLE_LON, USBL, 2000, -179.989809329190),
                     CHANNEL_WAITING); /* either order */
    assert_int_equal(add(CHANNEL_VEHICLE_LAT, USBL, 2000, 36.699999474081), CHANNEL_ADDED);
    struct channel_position p = position(CHANNEL_VEHICLE, 1000);
    assert_true(p.known);
    assert_int_equal(p.method, CHANNEL_INTERPOLATED);
    assert_near(p.lon_deg, -179.995404665, 1e-8); /* across the date line */
    assert_near(p.lat_deg, 36.69999986852, 1e-8);
    assert_near(at(CHANNEL_VEHICLE_LON, 1000).value, p.lon_deg, 0);
    assert_near(at(CHANNEL_VEHICLE_LAT, 1000).value, p.lat_deg, 0);
    assert_false(position(CHANNEL_SHIP, 1000).known);
    assert_false(p.uncertainty_known);
    add(CHANNEL_VEHICLE_POSITION_UNCERTAINTY, USBL, 0, 6.0);
    add(CHANNEL_VEHICLE_POSITION_UNCERTAINTY, USBL, 2000, 8.0);
    p = position(CHANNEL_VEHICLE, 1000);
    assert_true(p.uncertainty_known);
    assert_near(p.uncertainty_m, 7.0, 1e-12);
    mono_ns newest;
    assert_true(channel_newest(set, CHANNEL_VEHICLE_LON, USBL, &newest));
    assert_int_equal(newest.ns, 2 * NS_PER_S);
    assert_false(channel_newest(set, CHANNEL_VEHICLE_LON, CTD, &newest));
}

static void halves_of_different_fixes_do_not_mix(void **state)
{
    (void)state;
    assert_int_equal(add(CHANNEL_VEHICLE_LAT, USBL, 0, 1.0), CHANNEL_WAITING);
    assert_int_equal(add(CHANNEL_VEHICLE_LON, USBL, 1, 2.0), CHANNEL_WAITING);
    assert_int_equal(add(CHANNEL_VEHICLE_LON, SPARE, 0, 2.0), CHANNEL_WAITING);
    assert_int_equal(add(CHANNEL_SHIP_LON, USBL, 1, 2.0), CHANNEL_WAITING);
    assert_false(position(CHANNEL_VEHICLE, 1).known);
    assert_int_equal(add(CHANNEL_VEHICLE_LAT, USBL, 1, 1.0), CHANNEL_ADDED);
}

static void better_feed_first_and_fall_back(void **state)
{
    (void)state;
    channel_feed_declare(set, USBL, 1, NS_PER_S, 0);
    channel_feed_declare(set, SPARE, 0, NS_PER_S, 0);
    for (int t = 0; t <= 5000; t += 500) {
        add(CHANNEL_VEHICLE_DEPTH, USBL, t, 10.0);
        if (t <= 2000) {
            add(CHANNEL_VEHICLE_DEPTH, SPARE, t, 20.0);
        }
    }
    assert_int_equal(at(CHANNEL_VEHICLE_DEPTH, 1250).feed, SPARE);
    assert_near(at(CHANNEL_VEHICLE_DEPTH, 1250).value, 20.0, 0);
    assert_near(at(CHANNEL_VEHICLE_DEPTH, 2900).value, 20.0, 0); /* last, 0.9 s old */
    struct channel_reading r = at(CHANNEL_VEHICLE_DEPTH, 3250);
    assert_int_equal(r.feed, USBL);
    assert_near(r.value, 10.0, 0); /* never a mix of both */
    assert_true(
        r.settled); /* the better feed has been silent too long to come back with something for 3.25 s */
    channel_feed_declare(set, SPARE, 2, NS_PER_S, 0);
    assert_int_equal(at(CHANNEL_VEHICLE_DEPTH, 1250).feed, USBL); /* priorities can change */
}

static void late_feeds_settle_late(void **state)
{
    (void)state;
    channel_feed_declare(set, USBL, 0, 3 * NS_PER_S, 2 * NS_PER_S);
    assert_int_equal(channel_instant(set, USBL, ms(5000)).ns, 3 * NS_PER_S);
    assert_int_equal(channel_instant(set, 200, ms(5000)).ns, 5 * NS_PER_S);
    fix(USBL, 0, 10.0, 20.0);    /* arrived at 2 s */
    fix(USBL, 2000, 10.1, 20.0); /* arrived at 4 s */
    add(CHANNEL_SHIP_HEADING, SHIP_FEED, 5000, 0.0);
    struct channel_position p = position(CHANNEL_VEHICLE, 4500);
    assert_int_equal(p.method, CHANNEL_LAST);
    assert_false(p.settled); /* what is measured at 4.5 s comes at 6.5 s */
    add(CHANNEL_SHIP_HEADING, SHIP_FEED, 7001, 0.0);
    assert_true(position(CHANNEL_VEHICLE, 4500)
                    .settled); /* silent for longer than it may be: nothing can bridge to 2 s now */
    fix(USBL, 5000, 10.25, 20.0);
    p = position(CHANNEL_VEHICLE, 4500);
    assert_int_equal(p.method, CHANNEL_INTERPOLATED);
    assert_near(p.lat_deg, 10.225, 1e-4);
}

static void out_of_order_samples_find_their_place(void **state)
{
    (void)state;
    add(CHANNEL_VEHICLE_DEPTH, CTD, 0, 0.0);
    add(CHANNEL_VEHICLE_DEPTH, CTD, 2000, 20.0);
    add(CHANNEL_VEHICLE_DEPTH, CTD, 4000, 40.0);
    add(CHANNEL_VEHICLE_DEPTH, CTD, 1000, 15.0);
    assert_near(at(CHANNEL_VEHICLE_DEPTH, 500).value, 7.5, 1e-12);
    assert_near(at(CHANNEL_VEHICLE_DEPTH, 1500).value, 17.5, 1e-12);
    add(CHANNEL_VEHICLE_DEPTH, CTD, 1000, 10.0); /* the same instant again: the later word counts */
    assert_near(at(CHANNEL_VEHICLE_DEPTH, 1500).value, 15.0, 1e-12);
    add(CHANNEL_VEHICLE_DEPTH, CTD, -1000, -10.0);
    assert_near(at(CHANNEL_VEHICLE_DEPTH, -500).value, -5.0, 1e-12);
}

static void the_ring_forgets_the_oldest(void **state)
{
    (void)state;
    for (int i = 0; i < 2 * CHANNEL_RING; i++) {
        assert_int_equal(add(CHANNEL_VEHICLE_DEPTH, CTD, i * 100, i), CHANNEL_ADDED);
    }
    assert_int_equal(add(CHANNEL_VEHICLE_DEPTH, CTD, 50, 9.0), CHANNEL_TOO_OLD);
    assert_false(at(CHANNEL_VEHICLE_DEPTH, (CHANNEL_RING - 1) * 100).known);
    assert_near(at(CHANNEL_VEHICLE_DEPTH, CHANNEL_RING * 100).value, CHANNEL_RING, 0);
    int middle = CHANNEL_RING * 100 + 5050;
    assert_int_equal(add(CHANNEL_VEHICLE_DEPTH, CTD, middle, 5.0), CHANNEL_ADDED);
    assert_near(at(CHANNEL_VEHICLE_DEPTH, middle).value, 5.0, 0);
    assert_false(at(CHANNEL_VEHICLE_DEPTH, CHANNEL_RING * 100).known);
    assert_near(at(CHANNEL_VEHICLE_DEPTH, CHANNEL_RING * 100 + 100).value, CHANNEL_RING + 1, 0);
}

static void what_cannot_be_is_refused(void **state)
{
    (void)state;
    assert_int_equal(add(-1, CTD, 0, 1), CHANNEL_BAD_ID);
    assert_int_equal(add(CHANNEL_COUNT, CTD, 0, 1), CHANNEL_BAD_ID);
    assert_int_equal(add(CHANNEL_VEHICLE_DEPTH, CHANNEL_FEEDS_MAX, 0, 1), CHANNEL_BAD_ID);
    assert_int_equal(add(CHANNEL_VEHICLE_DEPTH, CTD, 0, NAN), CHANNEL_BAD_VALUE);
    assert_int_equal(add(CHANNEL_VEHICLE_DEPTH, CTD, 0, -INFINITY), CHANNEL_BAD_VALUE);
    assert_int_equal(add(CHANNEL_VEHICLE_HEADING, CTD, 0, NAN), CHANNEL_BAD_VALUE);
    assert_int_equal(add(CHANNEL_VEHICLE_HEADING, CTD, 0, INFINITY), CHANNEL_BAD_VALUE);
    assert_int_equal(add(CHANNEL_SHIP_LON, CTD, 0, NAN), CHANNEL_BAD_VALUE);
    assert_int_equal(add(CHANNEL_SHIP_LAT, CTD, 0, 90.1), CHANNEL_BAD_VALUE);
    assert_int_equal(add(CHANNEL_SHIP_LON, CTD, 0, 361.0), CHANNEL_BAD_VALUE);
    assert_false(at(-1, 0).known);
    assert_false(at(CHANNEL_COUNT, 0).known);
    assert_false(channel_feed_declare(set, CHANNEL_FEEDS_MAX, 0, 1, 1));
    for (int feed = 0; feed < CHANNEL_SOURCES_MAX; feed++) {
        assert_int_equal(add(CHANNEL_VEHICLE_DEPTH, (uint8_t)feed, 0, 1), CHANNEL_ADDED);
    }
    assert_int_equal(add(CHANNEL_VEHICLE_DEPTH, CHANNEL_SOURCES_MAX, 0, 1), CHANNEL_NO_ROOM);
}

static void methods_have_names(void **state)
{
    (void)state;
    assert_string_equal(channel_method_name(CHANNEL_ABSENT), "absent");
    assert_string_equal(channel_method_name(CHANNEL_LAST), "last");
    assert_string_equal(channel_method_name(CHANNEL_INTERPOLATED), "interpolated");
}

#define T(name) cmocka_unit_test_setup_teardown(name, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        T(names_are_those_of_the_contract),
        T(computed_values_are_rounded),
        T(users_add_their_own),
        T(linear_between_samples),
        T(last_then_absent),
        T(no_bridge_over_a_gap),
        T(angles_take_the_short_way),
        T(positions_are_pairs),
        T(halves_of_different_fixes_do_not_mix),
        T(better_feed_first_and_fall_back),
        T(late_feeds_settle_late),
        T(out_of_order_samples_find_their_place),
        T(the_ring_forgets_the_oldest),
        T(what_cannot_be_is_refused),
        T(methods_have_names),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
