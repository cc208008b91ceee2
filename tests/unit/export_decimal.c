/* decimal_put() writes what printf() writes, byte for byte: corners by name, then a great many by chance. */
#include "export/decimal.h"

#include <float.h>
#include <inttypes.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

static void check(double value, int decimals)
{
    char expected[DECIMAL_SIZE], got[DECIMAL_SIZE];
    snprintf(expected, sizeof expected, "%.*f", decimals, value);
    char *end = decimal_put(got, value, decimals);
    assert_string_equal(got, expected);
    assert_ptr_equal(end, got + strlen(got));
}

static void corners_are_as_printf_has_them(void **state)
{
    static const double values[] = {0.0,          -0.0,      0.5,
                                    1.5,          2.5,       -0.5,
                                    0.05,         0.125,     0.375,
                                    -0.004,       -0.005,    0.995,
                                    9.995,        1.005,     99.9999999,
                                    179.99999995, -180,      0.1,
                                    0.3,          1e10,      1e11,
                                    9.9e15,       1e22,      DBL_MAX,
                                    DBL_MIN,      -DBL_MAX,  5e-324,
                                    1e-7,         5e-8,      4.9e-8,
                                    INFINITY,     -INFINITY, NAN,
                                    0.0000001,    123456.75, 1e9 - 1,
                                    1e9 + 1,      0.999999,  4503599627370495.5};
    (void)state;
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++)
        for (int decimals = 0; decimals <= 9; decimals++)
            check(values[i], decimals);
}

/* splitmix64, https://prng.di.unimi.it/splitmix64.c (public domain), from memory */
static uint64_t next(uint64_t *seed)
{
    uint64_t z = (*seed += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

/* Positions and depths, short decimals, halves, and any bits at all. */
static double some_value(uint64_t *seed)
{
    uint64_t bits = next(seed);
    double value, whole = (double)(int64_t)(bits >> 20);
    switch (bits & 3) {
    case 0:
        return (whole / (double)(UINT64_C(1) << 43) - 1) * 360;
    case 1:
        return whole / 1e10;
    case 2:
        return (double)((bits >> 8) % 2000001) / 2000 - 500;
    default:
        memcpy(&value, &bits, sizeof value);
        return value;
    }
}

static void any_value_is_as_printf_has_it(void **state)
{
    const char *given = getenv("BELLROPE_SEED");
    uint64_t seed = given != NULL ? strtoull(given, NULL, 10) : 20310304;
    (void)state;
    printf("seed %" PRIu64 "\n", seed);
    for (int i = 0; i < 200000; i++)
        check(some_value(&seed), i % 10);
}

static void short_ones_have_no_zeros_at_the_end(void **state)
{
    static const struct {
        double value;
        int decimals;
        const char *text;
    } cases[] = {{0, 7, "0"},      {-0.0, 0, "0"},      {-0.0001, 3, "0"}, {1.5, 7, "1.5"},
                 {100, 0, "100"},  {100, 3, "100"},     {-20, 2, "-20"},   {0.1, 1, "0.1"},
                 {0.05, 1, "0.1"}, {12.34, 4, "12.34"}, {-0.5, 3, "-0.5"}, {1000.001, 3, "1000.001"}};
    char got[DECIMAL_SIZE];
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char *end = decimal_put_short(got, cases[i].value, cases[i].decimals);
        assert_string_equal(got, cases[i].text);
        assert_ptr_equal(end, got + strlen(got));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(corners_are_as_printf_has_them),
                                       cmocka_unit_test(any_value_is_as_printf_has_it),
                                       cmocka_unit_test(short_ones_have_no_zeros_at_the_end)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
