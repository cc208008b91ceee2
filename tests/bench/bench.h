/*
 * bench: how every bench reports. One line a round on standard output, tab-separated:
 *
 *   name  unit  ours  floor  goal  sense
 *
 * `floor` is the peer or floor measured in the same run, right beside ours. sense says which ratio is judged: "rate" ours/floor, more is better;
 * "cost" ours/floor, less is better; "most" ours itself against the goal, less is better; "least" ours itself, more is better; "show" is only
 * shown. tests/bench/table.py takes medians of the rounds.
 */
#ifndef TESTS_BENCH_BENCH_H
#define TESTS_BENCH_BENCH_H

#include <stdio.h>
#include <time.h>

/* Seconds of this thread's processor: what others on the machine do counts least in it. */
static inline double bench_cpu_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static inline double bench_wall_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static inline void bench_say(const char *name, const char *unit, double ours, double floor, double goal,
                             const char *sense)
{
    printf("%s\t%s\t%.9g\t%.9g\t%.9g\t%s\n", name, unit, ours, floor, goal, sense);
    fflush(stdout);
}

#endif
