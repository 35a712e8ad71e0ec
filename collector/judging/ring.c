#include "collector/judging/ring.h"

#include <math.h>

#define METRES_PER_DEGREE 111194.93 /* of a sphere of 6371008.8 m */

const char *const ring_side_names[] = {
    [RING_NORTH] = "north", [RING_EAST] = "east", [RING_SOUTH] = "south", [RING_WEST] = "west"};

struct plane {
    double x, y;
};

static struct plane plane_of(const struct roster_block *block, double longitude, double latitude)
{
    double scale = cos(block->ring[0][1] * M_PI / 180);
    return (struct plane){(longitude - block->ring[0][0]) * METRES_PER_DEGREE * scale,
                          (latitude - block->ring[0][1]) * METRES_PER_DEGREE};
}

static double length_of(struct plane a, struct plane b)
{
    return hypot(b.x - a.x, b.y - a.y);
}

double ring_perimeter_m(const struct roster_block *block)
{
    double sum = 0;
    for (size_t i = 0; i + 1 < block->ring_points; i++)
        sum += length_of(plane_of(block, block->ring[i][0], block->ring[i][1]),
                         plane_of(block, block->ring[i + 1][0], block->ring[i + 1][1]));
    return sum;
}

double ring_along_m(const struct roster_block *block, double latitude, double longitude)
{
    double passed = 0, nearest = INFINITY, along = NAN;
    if (isnan(latitude) || isnan(longitude) || block->ring_points == 0)
        return NAN;
    struct plane p = plane_of(block, longitude, latitude);
    for (size_t i = 0; i + 1 < block->ring_points; i++) {
        struct plane a = plane_of(block, block->ring[i][0], block->ring[i][1]),
                     b = plane_of(block, block->ring[i + 1][0], block->ring[i + 1][1]);
        double length = length_of(a, b);
        if (length <= 0)
            continue;
        double t = ((p.x - a.x) * (b.x - a.x) + (p.y - a.y) * (b.y - a.y)) / (length * length);
        t = fmin(1, fmax(0, t));
        double off = hypot(p.x - a.x - t * (b.x - a.x), p.y - a.y - t * (b.y - a.y));
        if (off < nearest) {
            nearest = off;
            along = passed + t * length;
        }
        passed += length;
    }
    return along;
}

enum ring_side ring_side(const struct roster_block *block, double latitude, double longitude)
{
    double west = INFINITY, east = -INFINITY, south = INFINITY, north = -INFINITY;
    for (size_t i = 0; i < block->ring_points; i++) {
        west = fmin(west, block->ring[i][0]);
        east = fmax(east, block->ring[i][0]);
        south = fmin(south, block->ring[i][1]);
        north = fmax(north, block->ring[i][1]);
    }
    double x = (longitude - (west + east) / 2) / fmax(1e-9, east - west);
    double y = (latitude - (south + north) / 2) / fmax(1e-9, north - south);
    if (fabs(x) > fabs(y))
        return x > 0 ? RING_EAST : RING_WEST;
    return y > 0 ? RING_NORTH : RING_SOUTH;
}
