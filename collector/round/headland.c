#include "collector/round/headland.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

enum { NEIGHBOURS = 3 };

/* Metres on a tangent plane: for a farm and for walking that is near enough. */
struct plane {
    double longitude, latitude, metre_lon, metre_lat;
};

struct point {
    double x, y;
};

/* A spot on an outline's ring. */
struct spot {
    size_t outline;
    double along_m;
    double off_m; /* from the place itself to the ring */
    struct point at;
};

struct ring {
    struct point *points;
    size_t count; /* closed */
    double length_m;
};

struct headland {
    struct plane plane;
    struct ring *rings;
    size_t ring_count;
    struct spot *doors; /* ends of the ways across, in pairs: 2k and 2k + 1 */
    size_t door_count;
    double *between; /* door_count * door_count metres */
};

static struct point on_plane(const struct plane *plane, double longitude, double latitude)
{
    return (struct point){(longitude - plane->longitude) * plane->metre_lon,
                          (latitude - plane->latitude) * plane->metre_lat};
}

static double apart(struct point a, struct point b)
{
    return hypot(a.x - b.x, a.y - b.y);
}

static int fill_rings(struct headland *h, const struct outlines *outlines)
{
    h->rings = calloc(outlines->count, sizeof *h->rings);
    if (h->rings == NULL)
        return -ENOMEM;
    h->ring_count = outlines->count;
    for (size_t i = 0; i < outlines->count; i++) {
        const struct outline *outline = &outlines->items[i];
        struct ring *ring = &h->rings[i];
        ring->points = calloc(outline->points, sizeof *ring->points);
        if (ring->points == NULL)
            return -ENOMEM;
        ring->count = outline->points;
        for (size_t k = 0; k < outline->points; k++)
            ring->points[k] = on_plane(&h->plane, outline->ring[k][0], outline->ring[k][1]);
        for (size_t k = 1; k < outline->points; k++)
            ring->length_m += apart(ring->points[k - 1], ring->points[k]);
    }
    return 0;
}

/* The spot of one ring nearest to a point. */
static struct spot nearest_on(const struct headland *h, size_t index, struct point from)
{
    const struct ring *ring = &h->rings[index];
    struct spot best = {.outline = index, .off_m = INFINITY};
    double along_m = 0;
    for (size_t k = 1; k < ring->count; k++) {
        struct point a = ring->points[k - 1], b = ring->points[k];
        double length_m = apart(a, b);
        double t = length_m > 0 ? ((from.x - a.x) * (b.x - a.x) + (from.y - a.y) * (b.y - a.y)) /
                                      (length_m * length_m)
                                : 0;
        t = fmax(0, fmin(1, t));
        struct point at = {a.x + t * (b.x - a.x), a.y + t * (b.y - a.y)};
        if (apart(from, at) < best.off_m)
            best = (struct spot){index, along_m + t * length_m, apart(from, at), at};
        along_m += length_m;
    }
    return best;
}

static struct spot nearest(const struct headland *h, struct point from)
{
    struct spot best = nearest_on(h, 0, from);
    for (size_t i = 1; i < h->ring_count; i++) {
        struct spot spot = nearest_on(h, i, from);
        if (spot.off_m < best.off_m)
            best = spot;
    }
    return best;
}

/* Where two rings come nearest: at a corner of one of them. */
static double way_across(const struct headland *h, size_t a, size_t b, struct spot ends[2])
{
    double least = INFINITY;
    for (int turn = 0; turn < 2; turn++) {
        size_t from = turn ? b : a, to = turn ? a : b;
        for (size_t k = 0; k + 1 < h->rings[from].count; k++) {
            struct spot far = nearest_on(h, to, h->rings[from].points[k]);
            if (far.off_m >= least)
                continue;
            least = far.off_m;
            ends[turn] = nearest_on(h, from, h->rings[from].points[k]);
            ends[1 - turn] = far;
        }
    }
    ends[0].off_m = ends[1].off_m = 0;
    return least;
}

struct crossing {
    size_t a, b;
    double metres;
    struct spot ends[2];
};

static int by_metres(const void *x, const void *y)
{
    const struct crossing *a = x, *b = y;
    return a->metres < b->metres ? -1 : a->metres > b->metres;
}

static size_t root_of(const size_t *parent, size_t i)
{
    while (parent[i] != i)
        i = parent[i];
    return i;
}

static double arc(const struct headland *h, const struct spot *a, const struct spot *b)
{
    if (a->outline != b->outline)
        return INFINITY;
    double one_way = fabs(a->along_m - b->along_m);
    return fmin(one_way, h->rings[a->outline].length_m - one_way) + a->off_m + b->off_m;
}

/* The shortest ways that join everything, and each outline's next few besides. */
static int fill_doors(struct headland *h)
{
    size_t n = h->ring_count, count = 0;
    struct crossing *all = calloc(n * n + 1, sizeof *all);
    size_t *parent = calloc(n, sizeof *parent), *used = calloc(n, sizeof *used);
    h->doors = calloc(2 * n * (NEIGHBOURS + 1) + 2, sizeof *h->doors);
    int error = all && parent && used && h->doors ? 0 : -ENOMEM;
    for (size_t a = 0; !error && a < n; a++) {
        parent[a] = a;
        for (size_t b = a + 1; b < n; b++) {
            all[count] = (struct crossing){.a = a, .b = b};
            all[count].metres = way_across(h, a, b, all[count].ends);
            count++;
        }
    }
    if (!error)
        qsort(all, count, sizeof *all, by_metres);
    for (size_t i = 0; !error && i < count; i++) {
        size_t a = root_of(parent, all[i].a), b = root_of(parent, all[i].b);
        if (a == b && (used[all[i].a] >= NEIGHBOURS || used[all[i].b] >= NEIGHBOURS))
            continue;
        parent[a] = b;
        used[all[i].a]++;
        used[all[i].b]++;
        h->doors[h->door_count++] = all[i].ends[0];
        h->doors[h->door_count++] = all[i].ends[1];
    }
    free(all);
    free(parent);
    free(used);
    return error;
}

/* Shortest ways between doors (Floyd 1962). */
static int fill_between(struct headland *h)
{
    size_t n = h->door_count;
    h->between = calloc(n * n + 1, sizeof *h->between);
    if (h->between == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++)
            h->between[i * n + j] = (i ^ 1) == j ? apart(h->doors[i].at, h->doors[j].at)
                                                 : arc(h, &h->doors[i], &h->doors[j]);
    for (size_t k = 0; k < n; k++)
        for (size_t i = 0; i < n; i++)
            for (size_t j = 0; j < n; j++)
                h->between[i * n + j] =
                    fmin(h->between[i * n + j], h->between[i * n + k] + h->between[k * n + j]);
    return 0;
}

static double metres_between(const struct headland *h, const struct spot *a, const struct spot *b)
{
    double best = arc(h, a, b);
    for (size_t i = 0; i < h->door_count; i++) {
        if (h->doors[i].outline != a->outline)
            continue;
        double to_door = arc(h, a, &h->doors[i]);
        for (size_t j = 0; j < h->door_count; j++)
            if (h->doors[j].outline == b->outline)
                best = fmin(best,
                            to_door + h->between[i * h->door_count + j] + arc(h, &h->doors[j], b));
    }
    return best;
}

static void release(struct headland *h)
{
    for (size_t i = 0; i < h->ring_count; i++)
        free(h->rings[i].points);
    free(h->rings);
    free(h->doors);
    free(h->between);
}

static int fill_minutes(const struct headland *h, const struct headland_place *places, size_t count,
                        double pace, float **minutes)
{
    struct spot *spots = calloc(count + 1, sizeof *spots);
    float *filled = calloc(count * count + 1, sizeof *filled);
    if (spots == NULL || filled == NULL) {
        free(spots);
        free(filled);
        return -ENOMEM;
    }
    for (size_t i = 0; i < count; i++)
        spots[i] = nearest(h, on_plane(&h->plane, places[i].longitude, places[i].latitude));
    for (size_t i = 0; i < count; i++)
        for (size_t j = 0; j < i; j++) {
            float walk = (float)(metres_between(h, &spots[i], &spots[j]) / pace);
            filled[i * count + j] = filled[j * count + i] = walk;
        }
    free(spots);
    *minutes = filled;
    return 0;
}

int headland_walk(const struct outlines *outlines, const struct headland_place *places,
                  size_t count, double walk_m_per_min, float **minutes)
{
    if (outlines->count == 0 || !(walk_m_per_min > 0))
        return -EINVAL;
    const double *first = outlines->items[0].ring[0];
    struct headland h = {
        .plane = {first[0], first[1], 111320.0 * cos(first[1] * M_PI / 180), 111132.0}};
    int error = fill_rings(&h, outlines);
    if (!error)
        error = fill_doors(&h);
    if (!error)
        error = fill_between(&h);
    if (!error)
        error = fill_minutes(&h, places, count, walk_m_per_min, minutes);
    release(&h);
    return error;
}
