/* What falls on which process: so many blows a simulated day each, in every part of the day one, at a random step of the
 * part and a random moment in it. */
#ifndef EDGEROW_REHEARSAL_BLOWS_H
#define EDGEROW_REHEARSAL_BLOWS_H

#include <stdbool.h>
#include <stdint.h>

#include "deploy/rehearsal/dice.h"

enum { BLOWS_MAX = 8 };

enum blow_kind {
    BLOW_KILL, /* kill -9, and started again at once */
    BLOW_STOP, /* SIGSTOP for a while; now and then for longer than the broker waits for a sign of life */
    BLOW_READ_ONLY, /* its files cannot be written for a while, as on a file system that has met errors */
    BLOW_EMPTIED, /* the broker: kill -9, and what it had saved is gone; others: kill -9 */
    BLOW_KINDS
};

struct blow {
    bool falls;
    enum blow_kind kind;
    uint64_t after_us, for_us; /* real time */
};

struct blows {
    unsigned processes, steps_of_part;
    unsigned kinds; /* of which it is drawn: 1 << enum blow_kind, or'ed */
    struct dice dice, nature;
    unsigned step_of[BLOWS_MAX]; /* of the present part */
};

/* times: at least 1; no more than one a step. */
void blows_begin(struct blows *blows, uint64_t seed, unsigned processes, unsigned steps_of_day,
                 unsigned times, unsigned kinds);
/* What falls in this step of the day, by process. Call once a step, in order. */
void blows_of_step(struct blows *blows, unsigned step_of_day, struct blow fall[BLOWS_MAX]);

const char *blow_text(enum blow_kind kind);
/* "all", or a list like "kill,stop". 0 or -EINVAL. */
int blows_kinds(const char *text, unsigned *kinds);

#endif
