/*
 * Does one side of a block lead? Pure.
 *
 * A nest beside a block shows on the traps of one side; a single hot trap shows on one trap. A side leads in a
 * week when the mean of its traps stands out from what turning the ring of traps against the sides gives
 * (neighbouring traps hang together, and turning keeps that), still does without its hottest trap, is half as
 * much again as the whole ring, and did so the week before as well. Otherwise the best that can be named is a hot stretch.
 */
#ifndef EDGEROW_CATCH_SIDE_H
#define EDGEROW_CATCH_SIDE_H

#include "collector/catch/interval.h"

enum { CATCH_SIDES = 4, CATCH_RING_LEAST = 20, CATCH_RING_MOST = 512 };

struct catch_side {
    bool leads;   /* in this week, at the level asked for */
    int side;     /* the leading (or, without one, the highest) side, an index of the caller's */
    double share; /* of its traps' mean in the whole ring's mean: 1.5 is half as much again */
    double p;     /* share of turnings that give as much, the hottest trap left out */
    size_t from,
        to; /* hot stretch: indices of the traps, inclusive, round the ring; from > to wraps */
    double stretch_share;
};

/* traps in order round the ring; side[i]: 0 to CATCH_SIDES - 1. level: chance of naming a side by accident in
 * one week. A ring of 40 traps has 80 turnings, so a level below 0.05 can hardly be reached; asking for the same
 * side in two weeks keeps a site of three blocks under 5 % a week even where hot places last (counted in the
 * tests). False without enough traps. */
bool catch_side_of(const struct catch_trap *traps, const int *side, size_t count, double level,
                   struct catch_side *result);

/* The rule over two weeks: the same side led in both. */
bool catch_side_stands(const struct catch_side *last, const struct catch_side *now);

#endif
