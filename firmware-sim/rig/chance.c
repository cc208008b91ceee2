#include "chance.h"

#include <math.h>

uint64_t chance_u64(struct chance *chance)
{
    uint64_t z = chance->state += UINT64_C(0x9E3779B97F4A7C15);
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

struct chance chance_split(uint64_t seed, uint64_t stream)
{
    struct chance chance = {seed ^ (stream + 1) * UINT64_C(0xD1342543DE82EF95)};
    chance.state = chance_u64(&chance);
    return chance;
}

double chance_unit(struct chance *chance)
{
    return (double)(chance_u64(chance) >> 11) * 0x1p-53;
}

int64_t chance_range(struct chance *chance, int64_t lo, int64_t hi)
{
    return lo + (int64_t)(chance_unit(chance) * (double)(hi - lo + 1));
}

double chance_normal(struct chance *chance)
{
    /* Box and Muller 1958; one of the pair is enough here. */
    const double turn = 6.283185307179586;
    double radius = sqrt(-2.0 * log(1.0 - chance_unit(chance)));
    return radius * cos(turn * chance_unit(chance));
}

double chance_exponential(struct chance *chance)
{
    return -log(1.0 - chance_unit(chance));
}
