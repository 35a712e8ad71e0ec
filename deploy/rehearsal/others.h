/*
 * What else crosses the beam: flies that grow with the bait's age, moths and earwigs by night,
 * trails of ants, robbing honey bees, rain drops, and a spider's web that blocks it. Rates are
 * judgement, no source.
 */
#ifndef EDGEROW_REHEARSAL_OTHERS_H
#define EDGEROW_REHEARSAL_OTHERS_H

#include <stdbool.h>
#include <stdint.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/passes.h"
#include "deploy/rehearsal/trap.h"
#include "deploy/rehearsal/weather.h"

/* Of one trap. */
struct others {
    int64_t ants_until_us, robbing_until_us;
    bool web;
    struct dice dice;
};

void others_begin(struct others *others, uint64_t seed, uint64_t item);
/* Adds one slice of passes and blocked time; flies and bees that stay go into the trap. */
void others_slice(struct others *others, struct trap *trap, const struct weather_hour *hour,
                  double flight, struct passes *passes);
/* A visit wipes webs away. */
void others_cleaned(struct others *others);

#endif
