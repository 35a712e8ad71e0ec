/* Seeded chance: the same seed gives the same run, on every machine. */
#ifndef EDGEROW_SIMULATION_CHANCE_H
#define EDGEROW_SIMULATION_CHANCE_H

#include <stdbool.h>
#include <stdint.h>

struct chance {
    uint64_t state;
};

/* An own stream for each purpose, so that one fault left out does not move the others. */
struct chance chance_stream(uint64_t seed, uint64_t purpose);
uint64_t chance_next(struct chance *chance);
/* 0 to bound - 1; bound at least 1. */
uint32_t chance_below(struct chance *chance, uint32_t bound);
/* from to to, both inclusive. */
int64_t chance_between(struct chance *chance, int64_t from, int64_t to);
bool chance_of(struct chance *chance, double probability);

#endif
