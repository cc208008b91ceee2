/*
 * nmea: kept sentences by verdict (tests/data/nmea), decoded values against published ones, what goes to which channel, and dates.
 *
 * `core_nmea --decode [--no-checksum]` reads lines from standard input and prints verdict, type and values, for
 * tests/readers/nmea_reference.sh.
 */
#include <stdlib.h>
#include <string.h>

#include "core/channel.h"
#include "core/lines.h"
#include "core/nmea.h"
#include "core_near.h"

static enum nmea_verdict decode(const char *line, struct nmea_sentence *out)
{
    return nmea_decode(line, strlen(line), NULL, out);
}

/* A body without '$' and checksum, decoded as if it had both. */
static enum nmea_verdict decode_body(const char *body, struct nmea_sentence *out)
{
    char line[LINES_MAX];
    unsigned sum = 0;

    for (const char *at = body; *at != '\0'; at++) {
        sum ^= (unsigned char)*at;
    }
    (void)snprintf(line, sizeof line, "$%s*%02X", body, sum);
    return decode(line, out);
}

static struct nmea_sentence good(const char *body)
{
    struct nmea_sentence s;
    enum nmea_verdict verdict = decode_body(body, &s);

    if (verdict != NMEA_OK) {
        print_error("%s: %s\n", body, nmea_verdict_name(verdict));
    }
    assert_int_equal(verdict, NMEA_OK);
    return s;
}

/* ---- kept sentences ---- */

static int check_file(const char *name, enum nmea_verdict want)
{
    char path[512];
    char line[LINES_MAX + 2];
    int count = 0;

    (void)snprintf(path, sizeof path, "%s/nmea/%s", TEST_DATA_DIR, name);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    while (fgets(line, sizeof line, file) != NULL) {
        struct nmea_sentence s;
        size_t len = strcspn(line, "\n");
        if (line[0] == '#') {
            continue;
        }
        enum nmea_verdict got = nmea_decode(line, len, NULL, &s);
        if (got != want) {
            print_error("%s: %.*s: %s\n", name, (int)len, line, nmea_verdict_name(got));
        }
        assert_int_equal(got, want);
        assert_int_equal(got == NMEA_OK, s.has != 0 && got == NMEA_OK);
        count++;
    }
    (void)fclose(file);
    return count;
}

static void kept_sentences_get_their_verdicts(void **state)
{
    (void)state;
    int count = check_file("valid.txt", NMEA_OK);
    count += check_file("nodata.txt", NMEA_NO_DATA);
    count += check_file("unknown.txt", NMEA_UNKNOWN);
    count += check_file("badsum.txt", NMEA_BAD_CHECKSUM);
    count += check_file("nosum.txt", NMEA_NO_CHECKSUM);
    count += check_file("malformed.txt", NMEA_MALFORMED);
    assert_true(count >= 200);
}

static void checksum_can_be_optional_but_not_wrong(void **state)
{
    const struct nmea_options lenient = {.checksum_optional = true};
    struct nmea_sentence s;

    (void)state;
    assert_int_equal(nmea_decode("$HEHDT,274.07,T", 15, &lenient, &s), NMEA_OK);
    assert_near(s.heading_true_deg, 274.07, 0);
    assert_int_equal(nmea_decode("$HEHDT,274.07,T*18", 18, &lenient, &s), NMEA_BAD_CHECKSUM);
    assert_int_equal(nmea_decode("$HEHDT,274.07,T*", 16, &lenient, &s), NMEA_MALFORMED);
    assert_int_equal(nmea_decode("$HEHDT", 6, &lenient, &s), NMEA_NO_DATA);
    assert_int_equal(nmea_decode("$", 1, &lenient, &s), NMEA_MALFORMED);
    assert_int_equal(nmea_decode("", 0, &lenient, &s), NMEA_MALFORMED);
    char longest[LINES_MAX];
    int head = snprintf(longest, sizeof longest, "$YXXDR,A,");
    memset(longest + head, '0', sizeof longest - (size_t)head);
    assert_int_equal(nmea_decode(longest, sizeof longest, &lenient, &s), NMEA_MALFORMED);
}

/* ---- values ---- */

static void coordinates_are_made_from_digits(void **state)
{
    static const struct {
        const char *text;
        int64_t lat_e9, lon_e9;
    } rows[] = {
        /* Degrees as python3-nmea2 has them too. */
        {"4807.038,N,01131.000,E", 48117300000, 11516666667},
        {"4916.45,N,12311.12,W", 49274166667, -123185333333},
        {"5321.6802,N,00630.3371,W", 53361336667, -6505618333},
        {"3642.5000,S,17959.9999,W", -36708333333, -179999998333},
        {"0000.00000000001,N,00000.0000000001,W", 0, 0},
        {"9000.0000,S,18000,W", -90000000000, -180000000000},
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char body[100];
        (void)snprintf(body, sizeof body, "GPGLL,%s,225444,A", rows[i].text);
        struct nmea_sentence s = good(body);
        assert_int_equal(s.lat_e9, rows[i].lat_e9);
        assert_int_equal(s.lon_e9, rows[i].lon_e9);
    }
}

static void published_sentences_have_their_values(void **state)
{
    struct nmea_sentence s;

    (void)state;
    assert_int_equal(decode("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", &s),
                     NMEA_OK);
    assert_int_equal(s.type, NMEA_GGA);
    assert_string_equal(s.talker, "GP");
    assert_int_equal(s.time_of_day_s, 12 * 3600 + 35 * 60 + 19);
    assert_int_equal(s.quality, 1);
    assert_int_equal(s.satellites, 8);
    assert_near(s.hdop, 0.9, 0);
    assert_near(s.altitude_m, 545.4, 0);
    assert_near(s.geoid_m, 46.9, 0);
    assert_int_equal(decode("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", &s),
                     NMEA_OK);
    assert_int_equal(s.year, 1994);
    assert_int_equal(s.month, 3);
    assert_int_equal(s.day, 23);
    assert_near(s.speed_kn, 22.4, 0);
    assert_near(s.course_true_deg, 84.4, 0);
    assert_near(s.variation_deg, -3.1, 0);
    assert_int_equal(decode("$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48", &s), NMEA_OK);
    assert_near(s.course_true_deg, 54.7, 0);
    assert_near(s.course_magnetic_deg, 34.4, 0);
    assert_near(s.speed_kn, 5.5, 0);
    assert_int_equal(decode("$TIROT,-2.5,A*11", &s), NMEA_OK);
    assert_near(s.turn_deg_min, -2.5, 0);
    assert_int_equal(decode("$SDDPT,2435.6,1.2,6000*48", &s), NMEA_OK);
    assert_near(s.depth_m, 2435.6, 0);
    assert_near(s.offset_m, 1.2, 0);
    assert_near(s.range_m, 6000, 0);
    assert_int_equal(decode("$SDDBT,0036.4,f,0011.1,M,0006.0,F*30", &s), NMEA_OK);
    assert_near(s.depth_m, 11.1, 0);
    assert_int_equal(decode("$YXMTW,2.15,C*14", &s), NMEA_OK);
    assert_near(s.temperature_C, 2.15, 0);
    assert_int_equal(decode("$GPTHS,77.52,A*30", &s), NMEA_OK);
    assert_near(s.heading_true_deg, 77.52, 0);
}

static void other_sentences_have_their_values(void **state)
{
    (void)state;
    struct nmea_sentence s = good("GNGNS,120000.00,1234.5678,S,04540.7346,E,NR,17,0.6,10.5,-20.1,1.0,0123,S");
    assert_int_equal(s.quality, 4);
    assert_int_equal(s.satellites, 17);
    assert_near(s.geoid_m, -20.1, 0);
    s = good("INGST,120000,22.0,,,,6.0,8.0,12.0");
    assert_near(s.lat_sigma_m, 6.0, 0);
    assert_near(s.lon_sigma_m, 8.0, 0);
    s = good("HCHDG,359.9,1.5,W,2.5,E");
    assert_near(s.deviation_deg, -1.5, 0);
    assert_near(s.variation_deg, 2.5, 0);
    s = good("VWVHW,45.1,T,44.8,M,2.50,N,4.63,K");
    assert_near(s.heading_true_deg, 45.1, 0);
    assert_near(s.water_speed_kn, 2.5, 0);
    s = good("VWVHW,,,,,,,3.704,K");
    assert_near(s.water_speed_kn, 2.0, 1e-12);
    s = good("VDVBW,1.25,-0.10,V,1.30,-0.05,A");
    assert_int_equal(s.has, NMEA_HAS_GROUND_AHEAD | NMEA_HAS_GROUND_ACROSS);
    assert_near(s.ground_ahead_kn, 1.30, 0);
    assert_near(s.ground_across_kn, -0.05, 0);
    assert_near(good("SDDBT,10.0,f,,M,,F").depth_m, 3.048, 1e-12);
    assert_near(good("SDDBS,,f,,M,2.0,F").depth_m, 3.6576, 1e-12);
    s = good("GPZDA,201530.25,04,07,2002,-03,30");
    assert_int_equal(s.time_of_day_s, 20 * 3600 + 15 * 60 + 30);
    assert_int_equal(s.time_of_day_ns, 250000000);
    assert_int_equal(s.zone_h, -3);
    assert_int_equal(s.zone_min, 30);
    s = good("YXMTW,-0.00,C");
    assert_false(signbit(s.temperature_C));
}

static void transducers_keep_type_unit_and_name(void **state)
{
    (void)state;
    struct nmea_sentence s = good("YXXDR,P,245.312,B,DEPTHPRESS,A,-1.25,D,PITCH,A,,D,ROLL,G,7,,");
    assert_int_equal(s.xdr_count, 4);
    assert_int_equal(s.xdr[0].type, 'P');
    assert_int_equal(s.xdr[0].unit, 'B');
    assert_near(s.xdr[0].value, 245.312, 0);
    assert_string_equal(s.xdr[0].name, "DEPTHPRESS");
    assert_false(s.xdr[2].known);
    assert_int_equal(s.xdr[3].unit, 0);
    assert_string_equal(s.xdr[3].name, "");
    char body[900] = "YXXDR";
    for (int i = 0; i < NMEA_XDR_MAX + 3; i++) {
        (void)snprintf(body + strlen(body), sizeof body - strlen(body), ",A,%d,D,A%d", i, i);
    }
    s = good(body);
    assert_int_equal(s.xdr_count, NMEA_XDR_MAX);
    assert_int_equal(s.xdr_dropped, 3);
    s = good("YXXDR,A,12.5,D,AVERYLONGTRANSDUCERNAMETHATGOESON");
    assert_int_equal(strlen(s.xdr[0].name), NMEA_XDR_NAME_MAX - 1);
}

/* ---- channels ---- */

struct given {
    int count;
    int channel[32];
    double value[32];
};

static void give(void *ctx, int channel, double value)
{
    struct given *given = ctx;

    given->channel[given->count] = channel;
    given->value[given->count++] = value;
}

/* The expected list as "channel=value channel=value". */
static void assert_channels(const char *body, enum nmea_as as, const char *want)
{
    struct nmea_sentence s = good(body);
    struct given given = {.count = 0};
    char text[512] = "";

    int count = nmea_to_channels(&s, as, give, &given);
    assert_int_equal(count, given.count);
    for (int i = 0; i < given.count; i++) {
        (void)snprintf(text + strlen(text), sizeof text - strlen(text), "%s%s=%.10g", i > 0 ? " " : "",
                       channel_name(NULL, given.channel[i]), given.value[i]);
    }
    assert_string_equal(text, want);
}

static void ship_feeds_give_ship_channels(void **state)
{
    const enum nmea_as ship = NMEA_AS_SHIP;

    (void)state;
    assert_channels("GPGGA,120000,1230.0,S,04530.0,E,1,08,0.9,5,M,,M,,", ship,
                    "ship.lat_deg=-12.5 ship.lon_deg=45.5");
    assert_channels("GPRMC,120000,A,1230.0,S,04530.0,E,2.5,90.5,040331,,", ship,
                    "ship.lat_deg=-12.5 ship.lon_deg=45.5 ship.sog_kn=2.5 ship.cog_deg=90.5");
    assert_channels("GPGLL,1230.0,S,04530.0,E,120000,A", ship, "ship.lat_deg=-12.5 ship.lon_deg=45.5");
    assert_channels("GPVTG,90.5,T,,M,2.5,N,4.63,K", ship, "ship.sog_kn=2.5 ship.cog_deg=90.5");
    assert_channels("HEHDT,274.07,T", ship, "ship.heading_deg=274.07");
    assert_channels("HETHS,274.07,A", ship, "ship.heading_deg=274.07");
    assert_channels("HCHDG,359.0,1.5,E,2.5,E", ship, "ship.heading_deg=3");
    assert_channels("HCHDG,1.0,,,7.5,W", ship, "ship.heading_deg=353.5");
    assert_channels("HCHDG,1.0,,,,", ship, "");
    assert_channels("SDDPT,2435.6,1.2", ship, "");
    assert_channels("SDMTW,20.0,C", ship, "");
    assert_channels("WIXDR,P,1.013,B,", ship, "");
    assert_channels("TIROT,-2.5,A", ship, "");
    assert_channels("GPZDA,120000,04,03,2031,,", ship, "");
}

static void vehicle_feeds_give_vehicle_and_water_channels(void **state)
{
    const enum nmea_as vehicle = NMEA_AS_VEHICLE;

    (void)state;
    assert_channels("GPGGA,120000,1230.0,S,04530.0,E,1,08,0.9,5,M,,M,,", vehicle,
                    "vehicle.lat_deg=-12.5 vehicle.lon_deg=45.5");
    assert_channels("GPRMC,120000,A,1230.0,S,04530.0,E,0.5,90.5,040331,,", vehicle,
                    "vehicle.lat_deg=-12.5 vehicle.lon_deg=45.5 vehicle.sog_kn=0.5 vehicle.cog_deg=90.5");
    assert_channels("INGST,120000,22.0,,,,6.0,8.0,12.0", vehicle, "vehicle.position_uncertainty_m=20");
    assert_channels("HEHDT,274.07,T", vehicle, "vehicle.heading_deg=274.07");
    assert_channels("SDDPT,3.41,0.2", vehicle, "vehicle.altitude_m=3.41");
    assert_channels("SDDBT,,f,3.41,M,,F", vehicle, "vehicle.altitude_m=3.41");
    assert_channels("SDDBS,,f,3.41,M,,F", vehicle, "");
    assert_channels("YXMTW,2.15,C", vehicle, "water.temperature_C=2.15");
    assert_channels("VDVBW,,,V,0.85,0.12,A", vehicle,
                    "vehicle.speed_ahead_kn=0.85 vehicle.speed_starboard_kn=0.12");
    assert_channels("YXXDR,P,245.312,B,DEPTHPRESS,A,-1.25,D,PITCH,A,0.80,D,ROLL,C,2.150,C,TEMP", vehicle,
                    "water.pressure_dbar=2453.12 vehicle.pitch_deg=-1.25 vehicle.roll_deg=0.8 "
                    "water.temperature_C=2.15");
    assert_channels("YXXDR,P,24531200,P,CTD,L,34.91,S,CTD", vehicle,
                    "water.pressure_dbar=2453.12 water.salinity=34.91");
    assert_channels("YXXDR,D,1204.62,M,DEPTH,D,3.41,M,ALT", vehicle,
                    "vehicle.depth_m=1204.62 vehicle.altitude_m=3.41");
    assert_channels("YXXDR,A,1.5,D,ptch,A,12.5,D,HDG", vehicle,
                    "vehicle.pitch_deg=1.5 vehicle.heading_deg=12.5");
    /* Air, housings and hydraulics are not the sea. */
    assert_channels("YXXDR,P,1.013,B,BARO,P,1.1,B,HOUSING,C,35.5,C,ENGINE,A,2.0,D,PAN,P,7,X,CTD", vehicle,
                    "");
}

static void each_value_names_what_is_known(void **state)
{
    (void)state;
    struct nmea_sentence s = good("GPVTG,90.5,T,,M,2.5,N,4.63,K");
    struct nmea_sentence none;
    assert_int_equal(s.has, NMEA_HAS_COURSE_TRUE | NMEA_HAS_SPEED);
    assert_int_equal(decode_body("HEHDT,,T", &none), NMEA_NO_DATA);
    assert_string_equal(nmea_type_name(s.type), "VTG");
    assert_string_equal(nmea_type_name(NMEA_XDR), "XDR");
    assert_string_equal(nmea_type_name(NMEA_GST), "GST");
    assert_string_equal(nmea_verdict_name(NMEA_BAD_CHECKSUM), "bad checksum");
}

/* ---- dates ---- */

static const int64_t day_s = 86400;

static bool utc_at(struct nmea_calendar *calendar, const char *body, int64_t mono_s, int64_t *utc_s)
{
    struct nmea_sentence s;
    utc_ns utc = {0};

    (void)decode_body(body, &s);
    bool known = nmea_utc(calendar, &s, (mono_ns){mono_s * NS_PER_S}, &utc);
    *utc_s = utc.ns / NS_PER_S;
    return known;
}

static void dated_sentences_give_utc(void **state)
{
    struct nmea_calendar calendar = {.known = false};
    int64_t utc = 0;

    (void)state;
    /* 1994-03-23T12:35:19Z and 2002-07-04T20:15:30Z, as another parser reads them; seconds from date(1). */
    assert_true(
        utc_at(&calendar, "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0, &utc));
    assert_int_equal(utc, 764426119);
    assert_true(utc_at(&calendar, "GPZDA,201530.00,04,07,2002,00,00", 0, &utc));
    assert_int_equal(utc, 1025813730);
    assert_true(utc_at(&calendar, "GPZDA,000000,01,01,2000,00,00", 0, &utc));
    assert_int_equal(utc, 946684800);
    assert_true(utc_at(&calendar, "GPZDA,000000,29,02,2024,00,00", 0, &utc));
    assert_int_equal(utc, 1709164800);
    /* A leap second is the first second of the next day, as POSIX counts. */
    assert_true(utc_at(&calendar, "GPZDA,235960,31,12,2016,00,00", 0, &utc));
    assert_int_equal(utc, 1483228800);
}

static void undated_sentences_take_the_nearest_day(void **state)
{
    static const char *const gga = "GPGGA,%s,1230.0,S,04530.0,E,1,08,0.9,5,M,,M,,";
    struct nmea_calendar calendar = {.known = false};
    const int64_t midnight = 1930435200; /* 2031-03-05T00:00:00Z */
    char body[100];
    int64_t utc = 0;

    (void)state;
    (void)snprintf(body, sizeof body, gga, "120000");
    assert_false(utc_at(&calendar, body, 0, &utc));
    assert_true(utc_at(&calendar, "GPZDA,235958,04,03,2031,00,00", 100, &utc));
    assert_int_equal(utc, midnight - 2);
    (void)snprintf(body, sizeof body, gga, "235959");
    assert_true(utc_at(&calendar, body, 101, &utc));
    assert_int_equal(utc, midnight - 1);
    (void)snprintf(body, sizeof body, gga, "000001"); /* over midnight before the next dated sentence */
    assert_true(utc_at(&calendar, body, 103, &utc));
    assert_int_equal(utc, midnight + 1);
    assert_true(utc_at(&calendar, "GPZDA,000002,05,03,2031,00,00", 104, &utc));
    (void)snprintf(body, sizeof body, gga, "235959"); /* a laggard from before midnight */
    assert_true(utc_at(&calendar, body, 105, &utc));
    assert_int_equal(utc, midnight - 1);
    (void)snprintf(body, sizeof body, gga, "060000"); /* days later without a dated one */
    assert_true(utc_at(&calendar, body, 104 + 3 * day_s + 6 * 3600, &utc));
    assert_int_equal(utc, midnight + 3 * day_s + 6 * 3600);
}

static void untrusted_time_is_not_used(void **state)
{
    struct nmea_calendar calendar = {.known = false};
    int64_t utc = 0;

    (void)state;
    assert_false(utc_at(&calendar, "GPRMC,123519,V,,,,,,,230394,,,N", 0, &utc));
    assert_false(calendar.known);
    assert_true(utc_at(&calendar, "GPZDA,235958,04,03,2031,00,00", 0, &utc));
    assert_false(utc_at(&calendar, "GPGGA,123519,,,,,0,00,99.9,,M,,M,,", 0, &utc));
    assert_false(utc_at(&calendar, "HEHDT,274.07,T", 0, &utc));
}

/* ---- for other readers ---- */

static void print_value(void *ctx, const char *name, double value)
{
    (void)ctx;
    printf("\t%s=%.17g", name, value);
}

static void print_line(void *ctx, const char *line, size_t len)
{
    struct nmea_sentence s;
    enum nmea_verdict verdict = nmea_decode(line, len, ctx, &s);

    printf("%s\t%s", nmea_verdict_name(verdict), nmea_type_name(s.type));
    if (verdict == NMEA_OK || verdict == NMEA_NO_DATA) {
        nmea_each_value(&s, print_value, NULL);
    }
    putchar('\n');
}

static int decode_stream(bool checksum_optional)
{
    static struct lines lines;
    struct nmea_options options = {.checksum_optional = checksum_optional};
    char chunk[4096];
    size_t len;

    while ((len = fread(chunk, 1, sizeof chunk, stdin)) > 0) {
        lines_feed(&lines, chunk, len, print_line, &options);
    }
    lines_end(&lines, print_line, &options);
    return 0;
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(kept_sentences_get_their_verdicts),
        cmocka_unit_test(checksum_can_be_optional_but_not_wrong),
        cmocka_unit_test(coordinates_are_made_from_digits),
        cmocka_unit_test(published_sentences_have_their_values),
        cmocka_unit_test(other_sentences_have_their_values),
        cmocka_unit_test(transducers_keep_type_unit_and_name),
        cmocka_unit_test(ship_feeds_give_ship_channels),
        cmocka_unit_test(vehicle_feeds_give_vehicle_and_water_channels),
        cmocka_unit_test(each_value_names_what_is_known),
        cmocka_unit_test(dated_sentences_give_utc),
        cmocka_unit_test(undated_sentences_take_the_nearest_day),
        cmocka_unit_test(untrusted_time_is_not_used),
    };

    if (argc > 1 && strcmp(argv[1], "--decode") == 0) {
        return decode_stream(argc > 2 && strcmp(argv[2], "--no-checksum") == 0);
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
