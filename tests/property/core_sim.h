/*
 * core_sim: a seed for the time core's property tests, and a simulated clock that keeps to clockmap's model and is known exactly.
 *
 * The clock B is a function of the nominal time x of clock A: dB/dx = 1 + d(x) + e(x), the drift d being piecewise linear and the slew e
 * piecewise constant, so that B is piecewise quadratic and both directions can be computed to a small part of a nanosecond.
 */
#ifndef CORE_SIM_H
#define CORE_SIM_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

static uint64_t sim_state;

/* splitmix64 (G. Steele, D. Lea, C. Flood, OOPSLA 2014) */
static inline uint64_t sim_bits(void)
{
    uint64_t z = (sim_state += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

/* 0 <= value < 1 */
static inline double sim_unit(void)
{
    return (double)(sim_bits() >> 11) * 0x1p-53;
}

static inline double sim_between(double lo, double hi)
{
    return lo + (hi - lo) * sim_unit();
}

static inline bool sim_chance(double p)
{
    return sim_unit() < p;
}

static inline double sim_exponential(double mean)
{
    return -mean * log(1.0 - sim_unit());
}

static inline void sim_begin(const char *name)
{
    const char *given = getenv("BELLROPE_SEED");
    sim_state = given != NULL ? strtoull(given, NULL, 0) : 20310304;
    printf("%s: seed %llu (set BELLROPE_SEED for another)\n", name, (unsigned long long)sim_state);
}

static inline bool sim_long(void)
{
    return getenv("BELLROPE_LONG") != NULL;
}

/* ---- a clock ---- */

#define SIM_KNOTS 1024

struct sim_clock {
    int knots;
    long double x[SIM_KNOTS], b[SIM_KNOTS], d[SIM_KNOTS], e[SIM_KNOTS];
};

/* Bounds as fractions, and fractions a second; the clock is made to use them up now and then. */
struct sim_model {
    double rate, wander_per_s, wander, slew;
};

static inline double sim_clip(double v, double lo, double hi)
{
    return v < lo ? lo : v > hi ? hi : v;
}

/* From x = from to at least x = to; B(from) = b0; drift around `base`. A harsh clock runs along the edges of its model. */
static inline void sim_clock_make(struct sim_clock *clock, const struct sim_model *model, double base,
                                  long double from, long double to, long double b0, bool harsh)
{
    const double room = model->rate - model->slew;
    const double low = sim_clip(base - model->wander / 2, -room, room),
                 high = sim_clip(base + model->wander / 2, -room, room);
    const double step = (double)(to - from) / (SIM_KNOTS - 2);
    double d = sim_clip(base, low, high), slope = 0, e = 0;
    clock->knots = 0;
    for (long double x = from, b = b0; clock->knots < SIM_KNOTS; clock->knots++) {
        const int k = clock->knots;
        if (harsh ? sim_chance(0.05) || k == 0 : sim_chance(0.3))
            slope = harsh ? (sim_chance(0.5) ? 1 : -1) * model->wander_per_s
                          : sim_between(-1, 1) * model->wander_per_s;
        if (sim_chance(0.1))
            e = harsh ? (sim_chance(0.5) ? 1 : -1) * model->slew : sim_between(-1, 1) * model->slew;
        const double width = step * sim_between(1.0, 1.5);
        const double next = sim_clip(d + slope * width * 1e-9 * 0.999, low, high);
        clock->x[k] = x;
        clock->b[k] = b;
        clock->d[k] = d;
        clock->e[k] = e;
        b += (long double)width * (1 + (long double)e + ((long double)d + next) / 2);
        x += width;
        d = next;
    }
}

static inline int sim_find(const long double *knot, int count, long double v)
{
    int lo = 0, hi = count - 1;
    while (hi - lo > 1) {
        int mid = (lo + hi) / 2;
        if (knot[mid] <= v)
            lo = mid;
        else
            hi = mid;
    }
    return lo;
}

/* B and its rate at x, which must lie in what was made. The last knot only ends the last piece. */
static inline long double sim_b_at(const struct sim_clock *clock, long double x, long double *rate)
{
    const int k = sim_find(clock->x, clock->knots, x);
    if (x < clock->x[0] || x > clock->x[clock->knots - 1])
        abort();
    const long double slope = (clock->d[k + 1] - clock->d[k]) / (clock->x[k + 1] - clock->x[k]);
    const long double way = x - clock->x[k];
    if (rate != NULL)
        *rate = 1 + clock->e[k] + clock->d[k] + slope * way;
    return clock->b[k] + way * (1 + clock->e[k] + clock->d[k]) + slope * way * way / 2;
}

static inline long double sim_x_at(const struct sim_clock *clock, long double b)
{
    const int k = sim_find(clock->b, clock->knots, b);
    long double x = clock->x[k] + (b - clock->b[k]);
    for (int i = 0; i < 5; i++) {
        long double rate, now = sim_b_at(clock, x, &rate);
        x += (b - now) / rate;
    }
    return x;
}

/* ---- a tally of non-negative errors, in microseconds ---- */

#define SIM_BINS 400000

struct sim_tally {
    uint32_t bin[SIM_BINS];
    uint64_t count;
    double max;
};

static inline void sim_note(struct sim_tally *tally, double us)
{
    int bin = us >= SIM_BINS - 1 ? SIM_BINS - 1 : (int)us;
    tally->bin[bin]++;
    tally->count++;
    if (us > tally->max)
        tally->max = us;
}

/* In milliseconds: the bin's upper edge, or the greatest value of all. */
static inline double sim_quantile_ms(const struct sim_tally *tally, double q)
{
    uint64_t below = 0;
    for (int i = 0; i < SIM_BINS; i++) {
        below += tally->bin[i];
        if ((double)below >= q * (double)tally->count && below > 0)
            return i == SIM_BINS - 1 || i + 1 > tally->max ? tally->max / 1000 : (i + 1) / 1000.0;
    }
    return 0;
}

#endif
