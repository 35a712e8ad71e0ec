#include "collector/plan/outline.h"

#include <errno.h>
#include <geodesic.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <geos_c.h>

#define WGS84_A        6378137.0
#define WGS84_F        (1 / 298.257223563)
#define QUADRANT_STEPS 8
#define MITRE_LIMIT    5.0

static struct geod_geodesic wgs84(void)
{
    struct geod_geodesic earth;
    geod_init(&earth, WGS84_A, WGS84_F);
    return earth;
}

/* A plane about a centre: distances and directions from the centre are true, and over the few
 * kilometres of a farm so is everything else to well under a millimetre. */
struct plane {
    GEOSContextHandle_t geos;
    struct geod_geodesic earth;
    double longitude, latitude;
};

static void to_plane(const struct plane *plane, const double point[2], double *x, double *y)
{
    double distance_m, azimuth_deg;
    geod_inverse(&plane->earth, plane->latitude, plane->longitude, point[1], point[0], &distance_m,
                 &azimuth_deg, NULL);
    *x = distance_m * sin(azimuth_deg * M_PI / 180);
    *y = distance_m * cos(azimuth_deg * M_PI / 180);
}

static void from_plane(const struct plane *plane, double x, double y, double point[2])
{
    geod_direct(&plane->earth, plane->latitude, plane->longitude, atan2(x, y) * 180 / M_PI,
                hypot(x, y), &point[1], &point[0], NULL);
}

static void quiet(const char *message, void *user)
{
    (void)message;
    (void)user;
}

static GEOSGeometry *polygon_of(const struct plane *plane, const struct roster_block *block)
{
    if (block->ring_points < 4)
        return NULL;
    GEOSCoordSequence *points = GEOSCoordSeq_create_r(plane->geos, (unsigned)block->ring_points, 2);
    for (size_t i = 0; points != NULL && i < block->ring_points; i++) {
        double x, y;
        /* The closing point must equal the first to the bit. */
        to_plane(plane, block->ring[i + 1 == block->ring_points ? 0 : i], &x, &y);
        GEOSCoordSeq_setXY_r(plane->geos, points, (unsigned)i, x, y);
    }
    GEOSGeometry *ring = points ? GEOSGeom_createLinearRing_r(plane->geos, points) : NULL;
    GEOSGeometry *polygon = ring ? GEOSGeom_createPolygon_r(plane->geos, ring, NULL, 0) : NULL;
    if (polygon != NULL && GEOSisValid_r(plane->geos, polygon) != 1) {
        GEOSGeom_destroy_r(plane->geos, polygon);
        polygon = NULL;
    }
    return polygon;
}

/* Marks with the lowest index of its group every block that can be reached over gaps of gap_m at
 * most. */
static void group(const struct plane *plane, GEOSGeometry *const *polygons, size_t count,
                  double gap_m, size_t *groups)
{
    for (size_t i = 0; i < count; i++)
        groups[i] = i;
    for (size_t i = 0; i < count; i++)
        for (size_t j = i + 1; j < count; j++) {
            double distance_m = INFINITY;
            GEOSDistance_r(plane->geos, polygons[i], polygons[j], &distance_m);
            if (distance_m > gap_m || groups[i] == groups[j])
                continue;
            size_t from = groups[i] > groups[j] ? groups[i] : groups[j];
            size_t into = groups[i] > groups[j] ? groups[j] : groups[i];
            for (size_t k = 0; k < count; k++)
                if (groups[k] == from)
                    groups[k] = into;
        }
}

static GEOSGeometry *widened(const struct plane *plane, const GEOSGeometry *shape, double by_m)
{
    return GEOSBufferWithStyle_r(plane->geos, shape, by_m, QUADRANT_STEPS, GEOSBUF_CAP_FLAT,
                                 GEOSBUF_JOIN_MITRE, MITRE_LIMIT);
}

/* Widens each member by half the gap, unites them, and narrows the result again. */
static GEOSGeometry *united(const struct plane *plane, GEOSGeometry *const *polygons,
                            const size_t *members, size_t count, double gap_m)
{
    double half_m = gap_m / 2 + 0.01;
    GEOSGeometry *whole = widened(plane, polygons[members[0]], half_m);
    for (size_t i = 1; whole != NULL && i < count; i++) {
        GEOSGeometry *next = widened(plane, polygons[members[i]], half_m);
        GEOSGeometry *both = next ? GEOSUnion_r(plane->geos, whole, next) : NULL;
        GEOSGeom_destroy_r(plane->geos, next);
        GEOSGeom_destroy_r(plane->geos, whole);
        whole = both;
    }
    GEOSGeometry *narrowed = whole ? widened(plane, whole, -half_m) : NULL;
    GEOSGeom_destroy_r(plane->geos, whole);
    return narrowed;
}

static int copy_ring(struct outline *outline, const double (*ring)[2], size_t points)
{
    outline->ring = malloc(points * sizeof *outline->ring);
    if (outline->ring == NULL)
        return -ENOMEM;
    memcpy(outline->ring, ring, points * sizeof *outline->ring);
    outline->points = points;
    return 0;
}

static int ring_from_plane(const struct plane *plane, const GEOSGeometry *polygon,
                           struct outline *outline)
{
    const GEOSGeometry *exterior = GEOSGetExteriorRing_r(plane->geos, polygon);
    if (exterior == NULL)
        return -EINVAL;
    const GEOSCoordSequence *points = GEOSGeom_getCoordSeq_r(plane->geos, exterior);
    unsigned count = 0;
    GEOSCoordSeq_getSize_r(plane->geos, points, &count);
    outline->ring = malloc(count * sizeof *outline->ring);
    if (outline->ring == NULL)
        return -ENOMEM;
    outline->points = count;
    for (unsigned i = 0; i < count; i++) {
        double x, y;
        GEOSCoordSeq_getXY_r(plane->geos, points, i, &x, &y);
        from_plane(plane, x, y, outline->ring[i]);
    }
    return 0;
}

static double signed_area_m2(const double (*ring)[2], size_t points, double *perimeter_m)
{
    struct geod_geodesic earth = wgs84();
    struct geod_polygon polygon;
    double area_m2;
    geod_polygon_init(&polygon, 0);
    for (size_t i = 0; i + 1 < points; i++)
        geod_polygon_addpoint(&earth, &polygon, ring[i][1], ring[i][0]);
    geod_polygon_compute(&earth, &polygon, 0, 1, &area_m2, perimeter_m);
    return area_m2;
}

void outline_measure(const double (*ring)[2], size_t points, double *perimeter_m, double *area_m2)
{
    *area_m2 = fabs(signed_area_m2(ring, points, perimeter_m));
}

static void make_counter_clockwise(struct outline *outline)
{
    double perimeter_m;
    if (signed_area_m2((const double(*)[2])outline->ring, outline->points, &perimeter_m) >= 0)
        return;
    for (size_t i = 0, j = outline->points - 1; i < j; i++, j--)
        for (int k = 0; k < 2; k++) {
            double kept = outline->ring[i][k];
            outline->ring[i][k] = outline->ring[j][k];
            outline->ring[j][k] = kept;
        }
}

/* One group's outline: a single block keeps its own points, to the bit. */
static int fill(const struct plane *plane, const struct roster_block *blocks,
                GEOSGeometry *const *polygons, double gap_m, struct outline *outline)
{
    int error;
    if (outline->member_count == 1) {
        const struct roster_block *block = &blocks[outline->members[0]];
        error = copy_ring(outline, (const double(*)[2])block->ring, block->ring_points);
    } else {
        GEOSGeometry *whole =
            united(plane, polygons, outline->members, outline->member_count, gap_m);
        error = whole ? ring_from_plane(plane, whole, outline) : -ENOMEM;
        GEOSGeom_destroy_r(plane->geos, whole);
    }
    if (error)
        return error;
    make_counter_clockwise(outline);
    outline_measure((const double(*)[2])outline->ring, outline->points, &outline->perimeter_m,
                    &outline->area_m2);
    return 0;
}

static int collect(const struct plane *plane, const struct roster_block *blocks,
                   GEOSGeometry *const *polygons, size_t count, double gap_m,
                   struct outlines *outlines)
{
    size_t *groups = calloc(count, sizeof *groups);
    outlines->items = calloc(count, sizeof *outlines->items);
    int error = groups && outlines->items ? 0 : -ENOMEM;
    if (!error)
        group(plane, polygons, count, gap_m, groups);
    for (size_t i = 0; !error && i < count; i++) {
        if (groups[i] != i)
            continue;
        struct outline *outline = &outlines->items[outlines->count++];
        outline->members = calloc(count, sizeof *outline->members);
        if (outline->members == NULL) {
            error = -ENOMEM;
            break;
        }
        for (size_t j = i; j < count; j++)
            if (groups[j] == i)
                outline->members[outline->member_count++] = j;
        error = fill(plane, blocks, polygons, gap_m, outline);
    }
    free(groups);
    return error;
}

int outline_of_blocks(const struct roster_block *blocks, size_t count, double gap_m,
                      struct outlines *outlines, size_t *at)
{
    struct outlines made = {0};
    int error = 0;
    if (count == 0) {
        *outlines = made;
        return 0;
    }
    if (blocks[0].ring_points < 4) {
        if (at != NULL)
            *at = 0;
        return -EINVAL;
    }
    struct plane plane = {.geos = GEOS_init_r(),
                          .earth = wgs84(),
                          .longitude = blocks[0].ring[0][0],
                          .latitude = blocks[0].ring[0][1]};
    GEOSContext_setErrorMessageHandler_r(plane.geos, quiet, NULL);
    GEOSContext_setNoticeMessageHandler_r(plane.geos, quiet, NULL);
    GEOSGeometry **polygons = calloc(count, sizeof(GEOSGeometry *));
    if (polygons == NULL)
        error = -ENOMEM;
    for (size_t i = 0; !error && i < count; i++) {
        polygons[i] = polygon_of(&plane, &blocks[i]);
        if (polygons[i] == NULL) {
            error = -EINVAL;
            if (at != NULL)
                *at = i;
        }
    }
    if (!error)
        error = collect(&plane, blocks, polygons, count, gap_m, &made);
    for (size_t i = 0; polygons != NULL && i < count; i++)
        GEOSGeom_destroy_r(plane.geos, polygons[i]);
    free(polygons);
    GEOS_finish_r(plane.geos);
    if (error)
        outlines_free(&made);
    else
        *outlines = made;
    return error;
}

void outlines_free(struct outlines *outlines)
{
    for (size_t i = 0; i < outlines->count; i++) {
        free(outlines->items[i].ring);
        free(outlines->items[i].members);
    }
    free(outlines->items);
    *outlines = (struct outlines){0};
}

void outline_point(const struct outline *outline, double along_m, double *longitude,
                   double *latitude)
{
    struct geod_geodesic earth = wgs84();
    for (size_t i = 0; i + 1 < outline->points; i++) {
        const double *from = outline->ring[i], *to = outline->ring[i + 1];
        double length_m, azimuth_deg;
        geod_inverse(&earth, from[1], from[0], to[1], to[0], &length_m, &azimuth_deg, NULL);
        if (along_m <= length_m || i + 2 == outline->points) {
            geod_direct(&earth, from[1], from[0], azimuth_deg, fmin(along_m, length_m), latitude,
                        longitude, NULL);
            return;
        }
        along_m -= length_m;
    }
}
