/*
 * The people who serve the traps: in the cool of the morning, block by block, a few minutes a trap.
 * A fifth of the visits go unrecorded (nobody presses the button). Either each block once a week,
 * or what the collector's messages ask for.
 */
#ifndef EDGEROW_REHEARSAL_CREW_H
#define EDGEROW_REHEARSAL_CREW_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/place.h"

enum crew_policy { CREW_WEEKLY, CREW_MESSAGES, CREW_NONE };

struct crew_visit {
    int64_t at_us;
    size_t trap;
    bool pressed; /* the button: a recorded visit */
};

struct crew {
    enum crew_policy policy;
    struct dice dice;
    size_t count, next; /* visits of today by time */
    size_t capacity;
    struct crew_visit *visits;
};

int crew_begin(struct crew *crew, enum crew_policy policy, uint64_t seed, size_t traps);
void crew_end(struct crew *crew);
/* At a local midnight: what is visited that day. number: of the day since the beginning. asked:
 * traps that messages named, by trap. */
void crew_plan(struct crew *crew, const struct place *place, int64_t day_s, unsigned number,
               const bool *asked);
/* The next visit that has begun, or NULL. */
const struct crew_visit *crew_next(struct crew *crew, int64_t now_us);

#endif
