/*
 * A pretended block of traps, hour by hour: weather, loss, visits, showers, spills, foam and a noisy sensor. Its laws
 * are its own and share nothing with the judge: an open surface loses in proportion to the vapour pressure
 * deficit (Tetens' formula) and wind, or at a steady share of sunshine.
 */
#ifndef PRETEND_H
#define PRETEND_H

#include <stdbool.h>
#include <stdint.h>

#include "collector/judge/level.h"

enum { PRETEND_TRAPS = 60, PRETEND_DAYS = 40, PRETEND_HOURS = PRETEND_DAYS * 24 };

struct pretend_trap {
    double k; /* its mouth and shade */
    double fill_mm;
    struct level_hour hours[PRETEND_HOURS];
    double truth_mm[PRETEND_HOURS]; /* at the end of the hour */
    struct level_visit visits[64];  /* recorded */
    int visit_count;
    int64_t unrecorded_s[64];
    double unrecorded_mm[64];
    int unrecorded_count;
    int64_t fresh_s[64];
    int fresh_count;
    int64_t spill_s;
};

struct pretend {
    uint64_t seed;
    int64_t first_hour;
    float temperature_c[PRETEND_HOURS];
    double rain_mm[PRETEND_HOURS];
    struct pretend_trap traps[PRETEND_TRAPS];
};

struct pretend_plan {
    bool wind;         /* loss follows wind and dryness, not sunshine alone */
    double unrecorded; /* share of visits */
    bool showers, spills;
    double least_k, most_k;
};

void pretend_run(struct pretend *p, uint64_t seed, const struct pretend_plan *plan);
double pretend_uniform(struct pretend *p);
double pretend_normal(struct pretend *p);

#endif
