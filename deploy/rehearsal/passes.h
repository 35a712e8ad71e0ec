/* What crosses the counter's beam in a trap's mouth during one slice of the world's time. */
#ifndef EDGEROW_REHEARSAL_PASSES_H
#define EDGEROW_REHEARSAL_PASSES_H

#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/dice.h"

enum insect {
    INSECT_WASP,   /* European paper wasp */
    INSECT_YELLOW, /* other wasps */
    INSECT_BEE,
    INSECT_FLY,
    INSECT_MOTH,
    INSECT_EARWIG,
    INSECT_ANT,
    INSECT_DROP, /* no insect: a rain drop */
    INSECT_KINDS
};

enum pass_kind { PASS_ENTRY, PASS_EXIT, PASS_SHORT };

struct pass {
    int64_t at_us;
    enum pass_kind kind;
    enum insect insect;
};

enum { PASSES_MAX = 1024 }; /* of one slice; what exceeds it did not happen */

struct passes {
    int64_t from_us, length_us; /* the slice */
    int64_t blocked_us;         /* how long the beam was blocked in it */
    size_t count;
    struct pass items[PASSES_MAX];
};

void passes_begin(struct passes *passes, int64_t from_us, int64_t length_us);
/* Adds one at a random instant of the slice. */
void passes_add(struct passes *passes, struct dice *dice, enum pass_kind kind, enum insect insect);
/* By time, as the station sees them. */
void passes_sort(struct passes *passes);
/* A blocked beam counts nothing: forgets the passes in the first blocked part of the slice. */
void passes_hide(struct passes *passes);

#endif
