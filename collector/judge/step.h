/* Sudden changes in a level history: where the level is not what it was an hour before. Pure. */
#ifndef EDGEROW_JUDGE_STEP_H
#define EDGEROW_JUDGE_STEP_H

#include "collector/judge/level.h"

/* The hours with a level to believe: heard, upright, without a fault, and not torn by a change
 * within. */
struct step_series {
    size_t count;
    uint16_t hour[LEVEL_HOURS]; /* index into the facts' hours */
    float level_mm[LEVEL_HOURS];
};
void step_series_fill(const struct level_facts *facts, struct step_series *series);

/* Between positions at - 1 and at of the series the level jumped by change_mm. */
struct step {
    size_t at;
    float change_mm;
    bool sure; /* two hours or more after it agree */
};
/* Finds the steps in order of time; returns their number, at most most. */
size_t step_find(const struct step_series *series, struct step *steps, size_t most);

#endif
