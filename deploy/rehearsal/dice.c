#include "deploy/rehearsal/dice.h"

#include <math.h>

static uint64_t splitmix(uint64_t *state)
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static uint64_t rotate(uint64_t x, int by)
{
    return (x << by) | (x >> (64 - by));
}

void dice_seed(struct dice *dice, uint64_t seed, uint64_t stream, uint64_t item)
{
    uint64_t state = seed;
    state = splitmix(&state) ^ (stream * 0xd1342543de82ef95u);
    state = splitmix(&state) ^ (item * 0xaf251af3b0f025b5u);
    for (int i = 0; i < 4; i++)
        dice->s[i] = splitmix(&state);
}

uint64_t dice_next(struct dice *dice)
{
    uint64_t *s = dice->s;
    uint64_t result = rotate(s[1] * 5, 7) * 9;
    uint64_t t = s[1] << 17;
    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= t;
    s[3] = rotate(s[3], 45);
    return result;
}

double dice_unit(struct dice *dice)
{
    return (double)(dice_next(dice) >> 11) * 0x1p-53;
}

double dice_between(struct dice *dice, double low, double high)
{
    return low + (high - low) * dice_unit(dice);
}

uint32_t dice_below(struct dice *dice, uint32_t bound)
{
    return (uint32_t)(((dice_next(dice) >> 32) * bound) >> 32);
}

bool dice_chance(struct dice *dice, double probability)
{
    return dice_unit(dice) < probability;
}

/* Box and Muller 1958; the second value is thrown away to keep the state small. */
double dice_normal(struct dice *dice)
{
    double radius = sqrt(-2.0 * log(1.0 - dice_unit(dice)));
    return radius * cos(2.0 * M_PI * dice_unit(dice));
}

double dice_exponential(struct dice *dice, double mean)
{
    return -mean * log(1.0 - dice_unit(dice));
}

/* Multiplication of uniforms (Knuth), in parts of at most 30 so that exp() keeps its precision. */
unsigned dice_poisson(struct dice *dice, double mean)
{
    unsigned count = 0;
    while (mean > 0.0) {
        double part = fmin(mean, 30.0);
        double floor_of_part = exp(-part);
        for (double product = dice_unit(dice); product > floor_of_part; product *= dice_unit(dice))
            count++;
        mean -= part;
    }
    return count;
}
