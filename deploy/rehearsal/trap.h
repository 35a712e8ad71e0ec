/*
 * One hung trap: bait, level, and what swims in it. Liquid leaves through the mouth under one of
 * several laws; rain comes in and dilutes; drowned insects displace liquid and, many together, form
 * a raft that lets others walk out; fresh bait foams. Coefficients are judgement, no source, unless
 * a source is named.
 */
#ifndef EDGEROW_REHEARSAL_TRAP_H
#define EDGEROW_REHEARSAL_TRAP_H

#include <stdbool.h>
#include <stdint.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/passes.h"
#include "deploy/rehearsal/weather.h"

enum trap_law {
    TRAP_LAW_WIND,   /* Dalton: (a + b wind) times vapour pressure deficit */
    TRAP_LAW_DEMAND, /* in proportion to FAO-56 eq. 52 */
    TRAP_LAW_CONSTANT,
    TRAP_LAW_DEFICIT, /* in proportion to vapour pressure deficit: out of the wind */
    TRAP_LAW_KINDS
};

struct trap {
    double full_mark_mm, low_mark_mm;
    double good_days; /* that its bait draws wasps */
    enum trap_law law;
    double coefficient; /* this trap's own: mouth, shade, height */
    double shelter;     /* share of the wind that reaches it */
    double rain_share;  /* share of the rain that gets in */
    double foam_mm;     /* of fresh bait */
    double liquid_ml;
    double sugar;         /* 1: as mixed for a full trap */
    int64_t bait_from_us; /* when this bait was mixed into the trap */
    unsigned dead[INSECT_KINDS];
    unsigned dead_count;           /* of all kinds since emptied */
    unsigned inside[INSECT_KINDS]; /* neither drowned nor gone yet */
    bool tilted;
    struct dice dice;
};

struct trap_settings {
    double full_mark_mm, low_mark_mm;
    double good_days; /* 0: a week, common practice, no source */
    enum trap_law law;
    uint64_t seed, item;
};

void trap_hang(struct trap *trap, const struct trap_settings *settings, int64_t at_us);
/* Empties and fills with fresh bait, to the mark within a few millimetres. */
void trap_replace(struct trap *trap, int64_t at_us);
/* Fills up with fresh mix; age and insects stay. */
void trap_top_up(struct trap *trap);

double trap_level_mm(const struct trap *trap);
/* What the level sensor sees: foam, noise and a raft included. */
double trap_sensed_mm(struct trap *trap, int64_t at_us);
double trap_age_days(const struct trap *trap, int64_t at_us);
/* How strongly it calls, 1 for good bait: by age, strength and level. */
double trap_attraction(const struct trap *trap, int64_t at_us);
/* Does what enters it drown? */
bool trap_guarding(const struct trap *trap, int64_t at_us);

/* One slice of weather. */
void trap_weather(struct trap *trap, const struct weather_hour *hour, double seconds);
/* One slice of what is inside: some drown, some leave and are added to the passes. */
void trap_inside(struct trap *trap, struct passes *passes, int64_t at_us);

#endif
