/* When which process is killed: so many times a simulated day each, in every part of the day once,
 * at a random step of the part and a random moment in it. */
#ifndef EDGEROW_REHEARSAL_KILLS_H
#define EDGEROW_REHEARSAL_KILLS_H

#include <stdbool.h>
#include <stdint.h>

#include "deploy/rehearsal/dice.h"

enum { KILLS_MAX = 8 };

struct kills {
    unsigned processes, steps_of_part;
    struct dice dice;
    unsigned step_of[KILLS_MAX]; /* of the present part */
};

/* times: at least 1; no more than one a step. */
void kills_begin(struct kills *kills, uint64_t seed, unsigned processes, unsigned steps_of_day,
                 unsigned times);
/* Which processes are killed in this step of the day, as bits; each after *after_us of real time.
 * Call once a step, in order. */
unsigned kills_of_step(struct kills *kills, unsigned step_of_day, uint64_t after_us[KILLS_MAX]);

#endif
