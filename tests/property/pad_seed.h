/* pad_seed: one seed for a property test, printed, and taken from BELLROPE_SEED where that is set. */
#ifndef PAD_SEED_H
#define PAD_SEED_H

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

static uint64_t seed_state;

/* splitmix64 (G. Steele, D. Lea, C. Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014) */
static inline uint32_t seed_random(void)
{
    uint64_t z = (seed_state += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return (uint32_t)((z ^ (z >> 31)) >> 32);
}

/* 0 to n - 1 */
static inline uint32_t seed_pick(uint32_t n)
{
    return (uint32_t)((uint64_t)seed_random() * n >> 32);
}

static inline void seed_begin(const char *name)
{
    const char *given = getenv("BELLROPE_SEED");
    uint64_t seed = given != NULL ? strtoull(given, NULL, 0) : 20310304;
    seed_state = seed;
    printf("%s: seed %llu (set BELLROPE_SEED for another)\n", name, (unsigned long long)seed);
}

#endif
