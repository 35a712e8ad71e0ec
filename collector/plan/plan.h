/*
 * How many traps, where, and what they will cost in bait and hours: from the boundaries alone.
 * Pure.
 *
 * Spacing of 50 ft along the perimeter, half a litre of bait a trap, one part juice to ten parts
 * water, and a quarter teaspoon each of dry yeast and of detergent a trap are common practice, no
 * source. Minutes a trap and walking speed are judgement: measure your own.
 */
#ifndef EDGEROW_PLAN_H
#define EDGEROW_PLAN_H

#include "collector/plan/outline.h"

struct plan_settings {
    double spacing_m;         /* 15.24: 50 ft */
    double gap_m;             /* blocks nearer than this share one outline */
    double litres_per_trap;   /* 0.5 */
    double visit_days;        /* 7 */
    double season_days;       /* from hanging to taking in */
    double minutes_per_visit; /* at the trap */
    double walk_m_per_min;    /* along the headland */
};

extern const struct plan_settings plan_defaults;

struct plan_trap {
    char name[ROSTER_NAME_MAX + 8]; /* block name and number along the outline: "north-07" */
    size_t block;
    size_t outline;
    double along_m;
    double longitude, latitude;
};

/* What to mix for a number of traps. */
struct plan_mix {
    double litres, juice_litres, water_litres;
    double yeast_teaspoons, detergent_teaspoons;
};

struct plan {
    struct outlines outlines;
    struct plan_trap *traps;
    size_t trap_count;
    double perimeter_m, area_m2;
    double rounds;          /* visits to each trap in the season, after hanging */
    double season_litres;   /* hanging and every round */
    double hours_per_round; /* one person */
    double season_hours;
};

/* 0; -EINVAL with *at the faulty block; -ERANGE for a setting out of range; -ENOMEM. */
int plan_make(const struct roster_block *blocks, size_t count, const struct plan_settings *settings,
              struct plan *plan, size_t *at);
void plan_free(struct plan *plan);

struct plan_mix plan_mix_for(size_t traps, double litres_per_trap);

#endif
