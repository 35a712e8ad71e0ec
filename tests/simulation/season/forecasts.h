/*
 * How far the judge's forecasts of the level are off at three days' lead, beside four references: an oracle that knows
 * what the trap lost but not the weather to come, a straight line, the block's rate, and the weekly calendar's.
 */
#ifndef FORECASTS_H
#define FORECASTS_H

#include "watch.h"

enum { FORECASTS_TRAPS = 200, FORECASTS_WINDOWS = 6 };

struct forecasts {
    double own, line, block, calendar, oracle[FORECASTS_WINDOWS]; /* sums of squares, mm */
    int count;
    int dated, inside; /* 80 % intervals, and those that held */
};

/* A forecast that was made, until its three days are over. */
struct forecasts_origin {
    size_t trap, hour; /* the hour that begins with the forecast */
    int64_t at_s;
    double level_mm, rate_mm_day, block_mm_day;
    int64_t net;
    struct level_trace trace;
    struct level_block block;
};

/* All zeros: empty. */
struct forecasts_notebook {
    float seen_mm[FORECASTS_TRAPS]
                 [SUMMER_DAYS_MAX]; /* what the stations said of the level, each morning */
    size_t count;
    struct forecasts_origin origins[FORECASTS_TRAPS * 4 * 2];
};

/* What the judge foresees this morning of every trap. */
void forecasts_note(struct forecasts_notebook *notes, const struct summer *s,
                    const struct watch *watch);
/* Those whose three days are over are scored against the truth, where nothing but loss happened, and forgotten. */
void forecasts_score(struct forecasts *f, const struct summer *s, struct forecasts_notebook *notes);
void forecasts_add(struct forecasts *sum, const struct forecasts *f);
void forecasts_print(const struct forecasts *f);
/* whole: as many seeds as the limits are meant for; with fewer they are looser. */
void forecasts_check(enum trap_law law, const struct forecasts *f, bool whole);

#endif
