/* A ledger of chance for the tests: generators that share nothing with the code under test. */
#ifndef EDGEROW_TEST_CHANCE_H
#define EDGEROW_TEST_CHANCE_H

#include <stdint.h>

void chance_seed(uint64_t seed);
double chance_uniform(void);
double chance_normal(void);
double chance_gamma(double shape); /* scale 1; Marsaglia and Tsang 2000 */
double chance_poisson(double mean);

#endif
