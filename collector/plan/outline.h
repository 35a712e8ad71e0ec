/*
 * The line that traps are hung along: the outside of a block, or of several that adjoin, with its
 * true length on the ellipsoid. Lengths and areas by the geodesic interface of PROJ (Karney 2013,
 * WGS84); the union by GEOS on an azimuthal equidistant plane about the blocks. Pure.
 */
#ifndef EDGEROW_PLAN_OUTLINE_H
#define EDGEROW_PLAN_OUTLINE_H

#include <stddef.h>

#include "collector/roster/roster.h"

struct outline {
    size_t points;     /* of the ring, closed: the last equals the first */
    double (*ring)[2]; /* longitude, latitude; counter-clockwise */
    double perimeter_m;
    double area_m2;
    size_t member_count; /* blocks inside */
    size_t *members;     /* their indices */
};

struct outlines {
    struct outline *items;
    size_t count;
};

/* Blocks no further apart than gap_m (a headland, a farm track) share one outline, because a trap
 * between them guards neither edge. Inner rings are left out. 0; -EINVAL with *at (may be NULL) the
 * block whose ring crosses itself or has fewer than four points; -ENOMEM. */
int outline_of_blocks(const struct roster_block *blocks, size_t count, double gap_m,
                      struct outlines *outlines, size_t *at);
void outlines_free(struct outlines *outlines);

/* The point at this distance along the ring from its first point. */
void outline_point(const struct outline *outline, double along_m, double *longitude,
                   double *latitude);

/* Geodesic length of a closed ring and its area, both positive. */
void outline_measure(const double (*ring)[2], size_t points, double *perimeter_m, double *area_m2);

#endif
