/*
 * Which hours of one counter are to be doubted, and why. A doubtful hour is marked and explained, never
 * deleted: what was counted stays. Wasps fly by day and not in rain; a blocked beam counts too little; a trap
 * that lies does not catch; and a counter that stays at nothing while the neighbours catch is stuck, judged
 * against the trap's own usual share. Limits are judgement. Pure.
 */
#ifndef EDGEROW_JUDGE_COUNTS_H
#define EDGEROW_JUDGE_COUNTS_H

#include "collector/judge/level.h"
#include "collector/judge/why.h"

enum counts_doubt {
    COUNTS_NIGHT,   /* entries in the dark: moths, earwigs */
    COUNTS_RAIN,    /* by day, drops: mostly too short for an insect, in an hour of rain */
    COUNTS_BLOCKED, /* the beam was blocked for a quarter of the hour or more */
    COUNTS_TILTED,
    COUNTS_ZERO, /* nothing at all while at least twenty were to be expected */
    COUNTS_DOUBTS
};

/* What one hour's reports say was counted in it. */
struct counts_hour {
    uint16_t entries, shorts, blocked_s;
    bool heard; /* any report */
    bool known; /* heard often enough to place what was counted in this hour */
};

/* What the traps of a block share, by hour. */
struct counts_block {
    const uint32_t *entries; /* of all its traps; of each no more than COUNTS_HOUR_MOST */
    const uint32_t *shorts;  /* the same */
    size_t traps;
    const float *rain_mm;
    const bool *dark; /* the whole hour lies between civil dusk and dawn */
};

enum { COUNTS_HOUR_MOST = 30 }; /* more in an hour is robbing bees or a trail of ants */

struct counts_facts {
    int64_t first_hour;
    size_t hour_count; /* at most LEVEL_HOURS */
    const struct counts_hour *hours;
    const struct level_hour *levels;
    const struct level_trace *trace; /* visits and refills: fresh bait draws nothing yet */
    const struct counts_block *block;
};

struct counts_sum {
    uint32_t hours, entries;
};

struct counts_trace {
    uint8_t doubts[LEVEL_HOURS]; /* bit: enum counts_doubt */
    struct counts_sum week[COUNTS_DOUBTS];
    uint32_t week_hours;  /* with any doubt */
    int64_t zero_s;       /* since when it counts nothing while neighbours catch; 0: it does not */
    double zero_expected; /* entries expected since */
    double share;         /* its usual entries over those of the block's others; NAN: too few */
};

void counts_learn(const struct counts_facts *facts, struct counts_trace *trace);
void counts_explain(const struct counts_trace *trace, struct why *why);
const char *counts_text(enum counts_doubt doubt);

#endif
