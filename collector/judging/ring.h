/* Where a trap hangs on the edge of its block. Pure. */
#ifndef EDGEROW_JUDGING_RING_H
#define EDGEROW_JUDGING_RING_H

#include "collector/roster/roster.h"

enum ring_side { RING_NORTH, RING_EAST, RING_SOUTH, RING_WEST };

/* Metres along the boundary from its first corner to the place nearest to the trap; a plane is good enough
 * for a block. NAN without a position. */
double ring_along_m(const struct roster_block *block, double latitude, double longitude);
double ring_perimeter_m(const struct roster_block *block);
/* Which way it lies from the block's middle, by the block's own proportions. */
enum ring_side ring_side(const struct roster_block *block, double latitude, double longitude);
extern const char *const ring_side_names[];

#endif
