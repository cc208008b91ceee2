/*
 * True UTC lies inside the bound whenever one is given: random hosts whose clock is steered, GNSS feeds with random delays and silences, kernels
 * whose maximum error is honest but large, sync lost and found, instants before the first observation and after the last.
 *
 * Default: a small count. BELLROPE_LONG=1: 2,000 hosts.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "core/utcmap.h"
#include "core_sim.h"

#define MS 1e6L
#define S 1e9L
#define BASE (1900000000 * S)

static struct sim_tally bound_us[2][3]; /* by source and state */
static uint64_t checked, outside, guesses;

static void check(const struct utcmap *utc, const struct sim_clock *host, long double mono)
{
    const struct utc_answer answer = utcmap_at(utc, (mono_ns){(int64_t)mono});
    if (!answer.bound_known) {
        guesses++;
        return;
    }
    const long double off = (long double)answer.utc.ns - BASE - sim_b_at(host, floorl(mono), NULL);
    checked++;
    if (fabsl(off) > (long double)answer.bound_ns + 0.5L) {
        outside++;
        print_message("outside: off %.0Lf ns, bound %lld, state %s, source %d\n", off,
                      (long long)answer.bound_ns, clock_state_name(answer.state), (int)utc->source);
    }
    sim_note(&bound_us[utc->source][answer.state], (double)answer.bound_ns / 1000);
}

/* Reads the system clock, which is off by less than the error that the kernel states. */
static void read_system(struct utcmap *utc, const struct sim_clock *host, long double mono,
                        double maxerror_ns, bool synced)
{
    const long double width = sim_chance(0.02) ? sim_exponential(5) * MS : 300,
                      at = mono + sim_unit() * width;
    const struct utcmap_system reading = {
        .before = {(int64_t)floorl(mono)},
        .after = {(int64_t)ceill(mono + width)},
        .realtime = {(int64_t)(BASE + sim_b_at(host, at, NULL) + sim_between(-0.99, 0.99) * maxerror_ns)},
        .synced = synced,
        .maxerror_us = (int64_t)(maxerror_ns / 1000) + 1};
    const unsigned events = utcmap_add_system(utc, &reading);
    assert_int_equal(events & (UTCMAP_STEP | UTCMAP_REJECTED | UTCMAP_LEAPT), 0);
}

static void read_sentence(struct utcmap *utc, const struct sim_clock *host, long double second, double least,
                          double longest)
{
    const long double epoch = sim_x_at(host, second * S);
    const struct utcmap_gnss sentence = {
        .arrival = {(int64_t)ceill(epoch + sim_between(least, longest - 1000))},
        .utc = {(int64_t)(BASE + second * S)},
        .delay_min_ns = (int64_t)least,
        .delay_max_ns = (int64_t)longest,
        .valid = true};
    assert_int_equal(utcmap_add_gnss(utc, &sentence) & ~(unsigned)(UTCMAP_TAKEN | UTCMAP_SYNCED), 0);
}

static void run_host(enum utcmap_source source)
{
    static struct sim_clock host; /* mono -> UTC less BASE */
    static struct utcmap utc;
    const struct utcmap_params params = utcmap_params_default(source);
    const struct sim_model model = {
        (double)params.clock.rate_ppb * 1e-9, (double)params.clock.wander_ppb_per_s * 1e-9,
        (double)params.clock.wander_ppb * 1e-9, (double)params.clock.slew_ppb * 1e-9};
    const long double length = sim_between(600, 7200) * S;
    sim_clock_make(&host, &model, sim_between(-400e-6, 400e-6), -1000 * S, length * 1.2L + 2000 * S, 0,
                   sim_chance(0.4));
    assert_int_equal(utcmap_init(&utc, source, &params), 0);
    const double least = sim_between(0, 200) * 1e6, longest = least + sim_between(5, 900) * 1e6;
    const double maxerror = pow(10, sim_between(4, 8));
    long double silent_until = sim_between(0, 300) * S;
    const long double start = ceill(sim_b_at(&host, 0, NULL) / S);
    for (int second = 0; second < (int)(length / S); second++) {
        const long double at = second * S;
        if (at > silent_until && sim_chance(0.002))
            silent_until = at + sim_exponential(300) * S;
        if (source == UTCMAP_SYSTEM)
            read_system(&utc, &host, at, maxerror * sim_between(0.2, 1), at >= silent_until);
        else if (at >= silent_until)
            read_sentence(&utc, &host, start + at / S, least, longest);
        utcmap_poll(&utc, (mono_ns){(int64_t)at});
        if (sim_chance(0.2))
            check(&utc, &host, at + sim_between(0, 1) * S);
    }
    for (int i = 0; i < 300; i++)
        check(&utc, &host, sim_between(-900, (double)(length / S) + 900) * S);
}

static void truth_is_inside(void **state)
{
    (void)state;
    static const char *const sources[] = {"system", "gnss"};
    const int hosts = sim_long() ? 2000 : 60;
    sim_begin("core_clock_utc");
    for (int i = 0; i < hosts; i++)
        run_host(i % 2 == 0 ? UTCMAP_SYSTEM : UTCMAP_GNSS);
    print_message("%d hosts, %llu answers checked, %llu outside, %llu without a bound\n", hosts,
                  (unsigned long long)checked, (unsigned long long)outside, (unsigned long long)guesses);
    for (int source = 0; source < 2; source++)
        for (int s = CLOCK_HOLDOVER; s <= CLOCK_SYNCED; s++)
            print_message("%-6s %-8s bound ms: p50 %.3f p99 %.3f max %.1f\n", sources[source],
                          clock_state_name((enum clock_state)s), sim_quantile_ms(&bound_us[source][s], 0.5),
                          sim_quantile_ms(&bound_us[source][s], 0.99), bound_us[source][s].max / 1000);
    assert_int_equal(outside, 0);
    assert_true(checked > 10000 && guesses > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(truth_is_inside)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
