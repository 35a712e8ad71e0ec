/*
 * Small lasting rises that no visit, no rain and no rise worth a step explains: dead insects that drift
 * together into a raft lift what the sensor sees by a millimetre or two. Pure.
 */
#ifndef EDGEROW_JUDGE_LIFT_H
#define EDGEROW_JUDGE_LIFT_H

#include "collector/judge/step.h"

/* stretch: of each position of the series, see level.c; negative: not to be looked at. rate: mm lost per mm
 * of the cumulative demand. In order of time; returns their number, at most most. */
size_t lift_find(const struct step_series *series, const int16_t *stretch, const float *demand_mm,
                 double rate, struct step *lifts, size_t most);

#endif
