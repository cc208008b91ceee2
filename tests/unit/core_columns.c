/* columns: layouts as configured, lines as instruments send them, units, and what is refused with which words. */
#include <string.h>

#include "core/columns.h"
#include "core_near.h"

static struct columns columns;
static struct channel_names names;
static char error[COLUMNS_ERROR_MAX];

static int fresh(void **state)
{
    (void)state;
    memset(&columns, 0, sizeof columns);
    memset(&names, 0, sizeof names);
    memset(error, 0, sizeof error);
    return 0;
}

static bool column(const char *which, const char *what)
{
    return columns_set_column(&columns, &names, which, what, error);
}

struct given {
    int count;
    int channel[COLUMNS_MAX];
    double value[COLUMNS_MAX];
};

static void give(void *ctx, int channel, double value)
{
    struct given *given = ctx;

    given->channel[given->count] = channel;
    given->value[given->count++] = value;
}

static struct given given;

static enum columns_verdict decode(const char *line)
{
    memset(&given, 0, sizeof given);
    return columns_decode(&columns, line, strlen(line), give, &given);
}

static double value_of(const char *name)
{
    for (int i = 0; i < given.count; i++) {
        if (given.channel[i] == channel_find(&names, name)) {
            return given.value[i];
        }
    }
    return NAN;
}

static void a_ctd_line(void **state)
{
    (void)state;
    assert_true(column("1", "water.pressure_dbar"));
    assert_true(column("2", "water.temperature_C"));
    assert_true(column("3", "water.conductivity_mS_cm S/m"));
    assert_true(column("5", "x.turbidity NTU"));
    assert_true(columns_check(&columns, error));
    assert_int_equal(decode("1234.567, 2.1503, 3.2109, unused,0.15"), COLUMNS_OK);
    assert_int_equal(given.count, 4);
    assert_near(value_of("water.pressure_dbar"), 1234.567, 0);
    assert_near(value_of("water.temperature_C"), 2.1503, 0);
    assert_near(value_of("water.conductivity_mS_cm"), 32.109, 0);
    assert_near(value_of("x.turbidity"), 0.15, 0);
    assert_string_equal(channel_unit(&names, channel_find(&names, "x.turbidity")), "NTU");
    assert_int_equal(decode("1234.567, 2.1503, 3.2109, unused,0.15\r"), COLUMNS_OK);
    assert_int_equal(decode("1234.567, 2.1503, 3.2109, unused"), COLUMNS_TOO_SHORT);
    assert_int_equal(decode("1234.567, 2.15x3, 3.2109, unused,0.15"), COLUMNS_NOT_NUMBER);
    assert_int_equal(given.count, 0); /* nothing of a bad line */
    assert_int_equal(decode("1234.567, nan, , unused,0.15"), COLUMNS_OK);
    assert_int_equal(given.count, 2);
    assert_int_equal(decode(" , ***, ----, unused,NaN"), COLUMNS_NO_DATA);
    assert_int_equal(decode("# Pressure, Temperature"), COLUMNS_PASSED_OVER);
    assert_int_equal(decode("% header"), COLUMNS_PASSED_OVER);
    assert_int_equal(decode("Pressure, Temperature, a, b, c"), COLUMNS_NOT_NUMBER);
}

static void separators(void **state)
{
    static const struct {
        const char *name, *line;
    } rows[] = {{"comma", "a,b,3.5,c"},       {"semicolon", "a;b;3.5;c"}, {"tab", "a\tb\t3.5\tc"},
                {"space", "  a  b \t 3.5 c"}, {"|", "a|b| 3.5 |c"},       {":", "a::3.5:"},
                {"space", "a b 3.5"},         {"comma", ",,3.5"},         {"*", "a*b*3.5*c"}};

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        fresh(NULL);
        assert_true(columns_set_separator(&columns, rows[i].name, error));
        assert_true(column("3", "vehicle.depth_m"));
        assert_int_equal(decode(rows[i].line), COLUMNS_OK);
        assert_near(given.value[0], 3.5, 0);
    }
    assert_false(columns_set_separator(&columns, "", error));
    assert_false(columns_set_separator(&columns, "1", error));
    assert_false(columns_set_separator(&columns, ".", error));
    assert_false(columns_set_separator(&columns, "commas", error));
    assert_non_null(strstr(error, "comma, semicolon, tab, space, fixed"));
}

static void fixed_width(void **state)
{
    (void)state;
    assert_true(columns_set_separator(&columns, "fixed", error));
    assert_true(column("13-18", "water.temperature_C"));
    assert_true(column("4-11", "water.pressure_dbar"));
    assert_true(columns_check(&columns, error));
    assert_int_equal(decode("CTD 1234.56  2.150X"), COLUMNS_OK);
    assert_near(value_of("water.pressure_dbar"), 1234.56, 0);
    assert_near(value_of("water.temperature_C"), 2.15, 0);
    assert_int_equal(decode("CTD 1234.56  2.15"), COLUMNS_TOO_SHORT);
    assert_int_equal(decode("CTD          2.150"), COLUMNS_OK);
    assert_int_equal(given.count, 1);
    assert_false(column("12", "vehicle.depth_m"));
    assert_non_null(strstr(error, "FROM-TO"));
    assert_false(column("12-11", "vehicle.depth_m"));
    assert_false(column("0-11", "vehicle.depth_m"));
    assert_false(column("1-99999", "vehicle.depth_m"));
}

static void a_prefix_picks_lines_and_a_checksum_is_checked(void **state)
{
    (void)state;
    assert_true(columns_set_prefix(&columns, "$PXCTD,", error));
    assert_true(column("2", "water.temperature_C"));
    assert_true(column("3", "water.pressure_dbar"));
    assert_int_equal(decode("$PXCTD,2.5,100.5"), COLUMNS_OK);
    assert_int_equal(decode("$PXGYR,2.5,100.5"), COLUMNS_PASSED_OVER);
    assert_int_equal(decode("$PX"), COLUMNS_PASSED_OVER);
    unsigned sum = 0;
    const char *body = "PXCTD,2.5,100.5";
    for (const char *at = body; *at != '\0'; at++) {
        sum ^= (unsigned char)*at;
    }
    char line[64];
    (void)snprintf(line, sizeof line, "$%s*%02X", body, sum);
    assert_int_equal(decode(line), COLUMNS_OK);
    assert_near(value_of("water.pressure_dbar"), 100.5, 0);
    (void)snprintf(line, sizeof line, "$%s*%02x", body, sum ^ 1U);
    assert_int_equal(decode(line), COLUMNS_BAD_CHECKSUM);
    assert_false(columns_set_prefix(&columns, "a prefix that is longer than thirty-one bytes", error));
}

static void numbers(void **state)
{
    static const struct {
        const char *text;
        double value;
    } good[] = {{"0", 0},
                {"-0.0", 0},
                {"+1.25", 1.25},
                {".5", 0.5},
                {"5.", 5.0},
                {"1e3", 1000.0},
                {"-1.5E-2", -0.015},
                {"2.5e+0", 2.5},
                {"007", 7.0},
                {"0.1", 0.1},
                {"1e-30", 1e-30},
                {"6.02214076e23", 6.02214076e23},
                {"123456789012345678", 123456789012345678.0}};
    static const char *const bad[] = {"1,5",
                                      "x",
                                      "1e",
                                      "1e+",
                                      "e5",
                                      ".",
                                      "+",
                                      "1.2.3",
                                      "0x10",
                                      "1 2",
                                      "inf",
                                      "1e999",
                                      "1234567890123456789",
                                      "--5",
                                      "5-",
                                      "NaNa"};

    (void)state;
    assert_true(columns_set_separator(&columns, ";", error));
    assert_true(column("1", "x.a"));
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        assert_int_equal(decode(good[i].text), COLUMNS_OK);
        assert_near(given.value[0], good[i].value, fabs(good[i].value) * 3e-16);
        assert_false(signbit(given.value[0]) && given.value[0] == 0.0);
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        if (decode(bad[i]) != COLUMNS_NOT_NUMBER) {
            print_error("\"%s\" was read\n", bad[i]);
        }
        assert_int_equal(decode(bad[i]), COLUMNS_NOT_NUMBER);
    }
}

static void units_are_converted(void **state)
{
    static const struct {
        const char *what;
        const char *sent;
        double value;
    } rows[] = {
        /* Exact by definition: ft 0.3048 m, fathom 6 ft, kn 1852 m/h; psi from NIST SP 811: 6894.757 Pa. */
        {"vehicle.depth_m ft", "100", 30.48},
        {"vehicle.depth_m fathom", "10", 18.288},
        {"vehicle.altitude_m cm", "345", 3.45},
        {"water.pressure_dbar bar", "123.4", 1234.0},
        {"water.pressure_dbar psi", "1000", 689.475729317},
        {"water.pressure_dbar Pa", "10000000", 1000.0},
        {"water.pressure_dbar kPa", "1000", 100.0},
        {"water.pressure_dbar MPa", "10", 1000.0},
        {"water.pressure_dbar dbar_abs", "10.1325", 0.0},
        {"water.pressure_dbar psi_abs", "14.6959488", 0.0},
        {"water.temperature_C F", "50", 10.0},
        {"water.temperature_C F", "32", 0.0},
        {"water.temperature_C K", "283.15", 10.0},
        {"water.temperature_C C68", "10.0024", 10.0},
        {"water.conductivity_mS_cm S/m", "4.2914", 42.914},
        {"water.conductivity_mS_cm S_m", "4.2914", 42.914},
        {"water.conductivity_mS_cm uS/cm", "42914", 42.914},
        {"water.conductivity_mS_cm mS/cm", "42.914", 42.914},
        {"water.salinity psu", "34.91", 34.91},
        {"water.sound_speed_m_s m_s", "1500.5", 1500.5},
        {"water.sound_speed_m_s ft/s", "5000", 1524.0},
        {"water.oxygen_umol_kg umol/L", "205", 200.0},
        {"water.oxygen_umol_kg mL/L", "5", 217.851707317},
        {"ship.sog_kn m/s", "1", 1.943844492},
        {"ship.sog_kn km/h", "1.852", 1.0},
        {"ship.heading_deg rad", "1.5707963267948966", 90.0},
        {"vehicle.pitch_deg deg", "-3.5", -3.5},
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        fresh(NULL);
        if (!column("1", rows[i].what)) {
            print_error("%s\n", error);
        }
        assert_int_equal(columns.count, 1);
        assert_int_equal(decode(rows[i].sent), COLUMNS_OK);
        assert_near(given.value[0], rows[i].value, 1e-7 * 0.5 + 1e-9);
    }
}

static void errors_say_what_is_accepted(void **state)
{
    (void)state;
    assert_false(column("1", "water.pressure_dbar furlong"));
    assert_non_null(strstr(error, "furlong"));
    assert_non_null(strstr(error, "dbar bar mbar Pa kPa MPa psi"));
    assert_false(column("1", "water.presure"));
    assert_non_null(strstr(error, "water.presure"));
    assert_non_null(strstr(error, "x.NAME"));
    assert_false(column("1", ""));
    assert_false(column("1", "water.pressure_dbar dbar extra"));
    assert_false(column("0", "water.pressure_dbar"));
    assert_false(column("257", "water.pressure_dbar"));
    assert_false(column("two", "water.pressure_dbar"));
    assert_non_null(strstr(error, "1 to 256"));
    assert_false(column("1-2", "water.pressure_dbar"));
    assert_false(columns_check(&columns, error));
    assert_non_null(strstr(error, "column.N"));
    assert_true(column("1", "ship.lat_deg"));
    assert_false(columns_check(&columns, error));
    assert_non_null(strstr(error, "ship.lon_deg"));
    assert_true(column("2", "ship.lon_deg"));
    assert_true(columns_check(&columns, error));
    assert_true(column("3", "ship.lon_deg"));
    assert_false(columns_check(&columns, error));
    assert_non_null(strstr(error, "same channel"));
    for (int i = columns.count; i < COLUMNS_MAX; i++) {
        assert_true(column("9", "vehicle.depth_m"));
    }
    assert_false(column("9", "vehicle.depth_m"));
    assert_non_null(strstr(error, "at most 32"));
}

static void columns_may_be_named_in_any_order(void **state)
{
    (void)state;
    assert_true(column("4", "vehicle.roll_deg"));
    assert_true(column("2", "vehicle.heading_deg"));
    assert_true(column("3", "vehicle.pitch_deg"));
    assert_int_equal(decode("x,1,2,3"), COLUMNS_OK);
    assert_near(value_of("vehicle.heading_deg"), 1, 0);
    assert_near(value_of("vehicle.pitch_deg"), 2, 0);
    assert_near(value_of("vehicle.roll_deg"), 3, 0);
}

static void verdicts_have_names(void **state)
{
    (void)state;
    assert_string_equal(columns_verdict_name(COLUMNS_OK), "ok");
    assert_string_equal(columns_verdict_name(COLUMNS_BAD_CHECKSUM), "bad checksum");
}

#define T(name) cmocka_unit_test_setup(name, fresh)

int main(void)
{
    const struct CMUnitTest tests[] = {
        T(a_ctd_line),
        T(separators),
        T(fixed_width),
        T(a_prefix_picks_lines_and_a_checksum_is_checked),
        T(numbers),
        T(units_are_converted),
        T(errors_say_what_is_accepted),
        T(columns_may_be_named_in_any_order),
        T(verdicts_have_names),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
