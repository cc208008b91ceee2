/* Curves of the report: thinned so that no spike is lost, whatever the dive's length. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "export/report_series.h"

#include <math.h>
#include <string.h>

#define T0 INT64_C(1930000000000000000) /* some day in 2031 */
#define STEP_NS (NS_PER_S / 10)

enum { SAMPLES = 36000, SPIKE = 20000 };

static struct report_data an_hour(void)
{
    return (struct report_data){.timed = true, .from = {T0}, .to = {T0 + SAMPLES * STEP_NS - 1}};
}

/* A slow wave with one spike. */
static struct report_sample sample_at(int i)
{
    double value = i == SPIKE ? 9999 : floor(100 * (1200 + 30 * sin(i / 500.0))) / 100;
    return (struct report_sample){{T0 + i * STEP_NS}, value};
}

static void every_spike_is_kept(void **state)
{
    (void)state;
    struct report_data data = an_hour();
    struct report_series series = {0};
    struct report_thinner thinner = report_thin_into(&series, &data, 500);
    double lowest = INFINITY;
    for (int i = 0; i < SAMPLES; i++) {
        lowest = fmin(lowest, sample_at(i).value);
        report_thin_add(&thinner, sample_at(i));
    }
    report_thin_end(&thinner);
    assert_false(thinner.failed);
    assert_true(series.count > 900 && series.count <= 1000);
    assert_true(series.high == 9999 && series.high_at.ns == sample_at(SPIKE).utc.ns);
    assert_true(series.low == lowest);
    for (size_t i = 1; i < series.count; i++)
        assert_true(series.sample[i].utc.ns > series.sample[i - 1].utc.ns);
    report_series_free(&series);
}

/* A part is there as soon as it is known to be over, and not before. */
static void a_part_is_done_when_it_is_over(void **state)
{
    (void)state;
    struct report_data data = an_hour();
    struct report_series series = {0};
    struct report_thinner thinner = report_thin_into(&series, &data, 60);
    for (int i = 0; i < 300; i++)
        report_thin_add(&thinner, sample_at(i));
    report_thin_until(&thinner, (utc_ns){T0 + 59 * NS_PER_S});
    assert_int_equal(series.count, 0);
    report_thin_until(&thinner, (utc_ns){T0 + 61 * NS_PER_S});
    assert_int_equal(series.count, 2);
    report_thin_end(&thinner);
    assert_int_equal(series.count, 2);
    report_series_free(&series);
}

static void the_sample_before_an_instant_is_found(void **state)
{
    (void)state;
    struct report_sample samples[] = {{{10}, 1}, {{20}, 2}, {{20}, 3}, {{40}, 4}};
    struct report_series series = {.sample = samples, .count = 4};
    size_t from = 0;
    assert_null(report_series_before(&series, (utc_ns){9}, &from));
    assert_true(report_series_before(&series, (utc_ns){10}, &from)->value == 1);
    assert_true(report_series_before(&series, (utc_ns){39}, &from)->value == 3);
    assert_true(report_series_before(&series, (utc_ns){1000}, &from)->value == 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_spike_is_kept),
        cmocka_unit_test(a_part_is_done_when_it_is_over),
        cmocka_unit_test(the_sample_before_an_instant_is_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
