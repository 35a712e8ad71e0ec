#include "tests/unit/catch/chance.h"

#include <math.h>

static uint64_t state;

void chance_seed(uint64_t seed)
{
    state = seed;
}

/* SplitMix64. */
static uint64_t next(void)
{
    uint64_t z = state += 0x9E3779B97F4A7C15ULL;
    z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9ULL;
    z = (z ^ z >> 27) * 0x94D049BB133111EBULL;
    return z ^ z >> 31;
}

double chance_uniform(void)
{
    return ((double)(next() >> 11) + 0.5) / 9007199254740992.0;
}

double chance_normal(void)
{
    return sqrt(-2 * log(chance_uniform())) * cos(2 * M_PI * chance_uniform());
}

double chance_gamma(double shape)
{
    if (shape < 1)
        return chance_gamma(shape + 1) * pow(chance_uniform(), 1 / shape);
    double d = shape - 1.0 / 3, c = 1 / sqrt(9 * d);
    for (;;) {
        double x = chance_normal(), v = pow(1 + c * x, 3);
        if (v > 0 && log(chance_uniform()) < x * x / 2 + d - d * v + d * log(v))
            return d * v;
    }
}

/* Knuth's product for small means, in parts for large ones. */
double chance_poisson(double mean)
{
    double count = 0;
    while (mean > 0) {
        double part = fmin(mean, 20), product = chance_uniform(), least = exp(-part);
        while (product > least) {
            count++;
            product *= chance_uniform();
        }
        mean -= part;
    }
    return count;
}
