/* core_random: a small generator (xorshift64*, Vigna 2014) whose seed is printed, so that a failure can be run again. */
#ifndef TESTS_PROPERTY_CORE_RANDOM_H
#define TESTS_PROPERTY_CORE_RANDOM_H

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

static uint64_t random_state;

/* The seed is SEED of the environment, else `seed`. */
static inline void random_begin(uint64_t seed)
{
    const char *text = getenv("BELLROPE_SEED");

    random_state = text != NULL ? strtoull(text, NULL, 10) : seed;
    random_state += random_state == 0;
    printf("seed %llu (run again with BELLROPE_SEED=...)\n", (unsigned long long)random_state);
}

static inline uint64_t random_bits(void)
{
    random_state ^= random_state >> 12;
    random_state ^= random_state << 25;
    random_state ^= random_state >> 27;
    return random_state * UINT64_C(2685821657736338717);
}

/* low <= value < high */
static inline double random_uniform(double low, double high)
{
    return low + (high - low) * ((double)(random_bits() >> 11) / 9007199254740992.0);
}

/* 0 <= value < bound */
static inline int random_below(int bound)
{
    return (int)(random_bits() % (uint64_t)bound);
}

static inline double random_normal(void)
{
    double u = random_uniform(1e-300, 1.0);

    return sqrt(-2.0 * log(u)) * cos(6.283185307179586 * random_uniform(0.0, 1.0));
}

#endif
