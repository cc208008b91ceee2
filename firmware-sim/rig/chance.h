/*
 * chance: seeded random numbers, the same on every machine.
 *
 * The generator is SplitMix64 (Steele, Lea & Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014). Each
 * thing that needs chance has a stream of its own, split off by a number, so that adding one press to a script does not
 * change the noise of a feed.
 */
#ifndef BELLROPE_RIG_CHANCE_H
#define BELLROPE_RIG_CHANCE_H

#include <stdint.h>

struct chance {
    uint64_t state;
};

struct chance chance_split(uint64_t seed, uint64_t stream);

uint64_t chance_u64(struct chance *chance);
/* [0, 1) */
double chance_unit(struct chance *chance);
/* [lo, hi]; lo <= hi */
int64_t chance_range(struct chance *chance, int64_t lo, int64_t hi);
/* Mean 0, standard deviation 1. */
double chance_normal(struct chance *chance);
/* Mean 1. */
double chance_exponential(struct chance *chance);

#endif
