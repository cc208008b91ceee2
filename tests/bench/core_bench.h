/*
 * core_bench: what the benches of the core share:  bench_NAME [ROUNDS] [SCALE] [grow]
 *
 * Without `grow` a bench prints its rows. With it, it prints how its time grows with its work: the time for a hundredth, a tenth and all of the
 * work, and the slope of log time over log work. 1 is in proportion; more is a table or a search that grows with what has gone before.
 */
#ifndef TESTS_BENCH_CORE_BENCH_H
#define TESTS_BENCH_CORE_BENCH_H

#include "bench.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct core_bench {
    const char *name;
    int (*rows)(int rounds, double scale); /* prints them; 0, or 1 where something went wrong */
    double (*seconds)(
        double
            scale); /* of the processor, for a share of the full work; below 0 where something went wrong */
};

static inline int core_bench_grow(const struct core_bench *bench, int rounds, double scale)
{
    char name[96];
    snprintf(name, sizeof name, "%s: growth from 1 to 100 times the work", bench->name);
    for (int round = 0; round < rounds; round++) {
        const double one = bench->seconds(scale / 100), ten = bench->seconds(scale / 10),
                     hundred = bench->seconds(scale);
        if (one <= 0 || ten <= 0 || hundred <= 0)
            return 1;
        /* Three points at equal distances: the middle one has no weight in the slope of the fitted line. */
        bench_say(name, "exponent", log10(hundred / one) / 2, 0, 1, "show");
        fprintf(stderr, "%s: %.6f %.6f %.6f s\n", bench->name, one, ten, hundred);
    }
    return 0;
}

static inline int core_bench_main(const struct core_bench *bench, int argc, char **argv)
{
    const int rounds = argc > 1 ? atoi(argv[1]) : 5;
    const double scale = argc > 2 ? atof(argv[2]) : 1;
    if (argc > 3 && strcmp(argv[3], "grow") == 0)
        return core_bench_grow(bench, rounds, scale);
    return bench->rows(rounds, scale);
}

#endif
