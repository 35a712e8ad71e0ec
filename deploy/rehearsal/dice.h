/*
 * Chance for the simulated world: xoshiro256** (Blackman and Vigna, 2018, public domain) seeded by
 * splitmix64. Every process of the world throws its own dice, so that a change in one does not move
 * the others.
 */
#ifndef EDGEROW_REHEARSAL_DICE_H
#define EDGEROW_REHEARSAL_DICE_H

#include <stdbool.h>
#include <stdint.h>

struct dice {
    uint64_t s[4];
};

/* stream: which process, item: which trap, unit or gateway. */
void dice_seed(struct dice *dice, uint64_t seed, uint64_t stream, uint64_t item);
uint64_t dice_next(struct dice *dice);
double dice_unit(struct dice *dice); /* 0 <= x < 1 */
double dice_between(struct dice *dice, double low, double high);
uint32_t dice_below(struct dice *dice, uint32_t bound); /* 0 to bound - 1; bound at least 1 */
bool dice_chance(struct dice *dice, double probability);
double dice_normal(struct dice *dice); /* mean 0, deviation 1 */
double dice_exponential(struct dice *dice, double mean);
unsigned dice_poisson(struct dice *dice, double mean);

#endif
