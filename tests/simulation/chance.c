#include "tests/simulation/chance.h"

/* SplitMix64: Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014. */
uint64_t chance_next(struct chance *chance)
{
    uint64_t z = (chance->state += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

struct chance chance_stream(uint64_t seed, uint64_t purpose)
{
    struct chance chance = {seed};
    chance.state = chance_next(&chance) ^ (purpose * UINT64_C(0xD6E8FEB86659FD93));
    chance_next(&chance);
    return chance;
}

uint32_t chance_below(struct chance *chance, uint32_t bound)
{
    return (uint32_t)((chance_next(chance) >> 32) * bound >> 32);
}

int64_t chance_between(struct chance *chance, int64_t from, int64_t to)
{
    return from + (int64_t)(chance_next(chance) % (uint64_t)(to - from + 1));
}

bool chance_of(struct chance *chance, double probability)
{
    return (double)(chance_next(chance) >> 11) * 0x1p-53 < probability;
}
