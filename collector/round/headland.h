/*
 * Walking between traps: along the headland of each outline, either way round, and across from one
 * outline to the next where they come nearest. Nobody walks through the rows. Pure.
 */
#ifndef EDGEROW_ROUND_HEADLAND_H
#define EDGEROW_ROUND_HEADLAND_H

#include "collector/plan/outline.h"
#include "collector/round/round.h"

struct headland_place {
    double longitude, latitude;
};

/* Place 0 is the base, where bait is kept. *minutes: count * count walking minutes, row by row,
 * freed by the caller. 0; -EINVAL without an outline or for a pace that is not positive; -ENOMEM.
 */
int headland_walk(const struct outlines *outlines, const struct headland_place *places,
                  size_t count, double walk_m_per_min, float **minutes);

#endif
