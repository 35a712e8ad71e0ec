/* Block boundaries: GeoJSON, RFC 7946. */
#include <errno.h>
#include <geodesic.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "collector/roster/parts.h"
#include "protocol/feed/topic.h"

#define WGS84_AXIS_M     6378137.0
#define WGS84_FLATTENING (1 / 298.257223563)

enum { RING_MIN = 4, RING_MAX = 100000 };

/* What is being read, for messages. */
struct place {
    const char *path;
    size_t feature;
    const char *name; /* of the block, when known */
    struct roster_fault *fault;
};

static int refuse(const struct place *place, const char *what)
{
    if (place->name)
        roster_say(place->fault, "%s: block \"%.40s\" %s", place->path, place->name, what);
    else
        roster_say(place->fault, "%s: feature %zu %s", place->path, place->feature, what);
    return -EINVAL;
}

static int read_position(const struct place *place, json_t *position, double point[2])
{
    json_t *longitude = json_array_get(position, 0), *latitude = json_array_get(position, 1);
    if (!json_is_number(longitude) || !json_is_number(latitude))
        return refuse(place,
                      "has a position that is not [longitude, latitude]: export the file again as "
                      "GeoJSON in WGS 84.");
    point[0] = json_number_value(longitude);
    point[1] = json_number_value(latitude);
    if (fabs(point[0]) > 180 || fabs(point[1]) > 90)
        return refuse(
            place, "has a position outside 180 degrees of longitude or 90 of latitude: longitude "
                   "comes first, and the coordinates must be degrees, not metres.");
    return 0;
}

static int read_ring(const struct place *place, json_t *positions, struct roster_block *block)
{
    size_t count = json_array_size(positions);
    if (count < RING_MIN || count > RING_MAX)
        return refuse(place,
                      "has no ring of 4 to 100000 positions: draw its boundary as one polygon.");
    block->ring = calloc(count, sizeof *block->ring);
    if (!block->ring)
        return -ENOMEM;
    block->ring_points = count;
    int error = 0;
    for (size_t i = 0; i < count && !error; i++)
        error = read_position(place, json_array_get(positions, i), block->ring[i]);
    if (!error && (block->ring[0][0] != block->ring[count - 1][0] ||
                   block->ring[0][1] != block->ring[count - 1][1]))
        error =
            refuse(place, "has a ring that does not end where it begins (RFC 7946, section 3.1.6): "
                          "close it.");
    return error;
}

static int read_geometry(const struct place *place, json_t *feature, struct roster_block *block)
{
    json_t *geometry = json_object_get(feature, "geometry");
    const char *type = json_string_value(json_object_get(geometry, "type"));
    if (!type)
        return refuse(place, "has no boundary: draw it as a polygon.");
    if (strcmp(type, "Polygon") != 0)
        return refuse(place,
                      strcmp(type, "MultiPolygon") == 0
                          ? "is a MultiPolygon: give each part its own feature and block name."
                          : "is not a Polygon: draw its boundary as a polygon.");
    json_t *rings = json_object_get(geometry, "coordinates");
    return read_ring(place, json_array_get(rings, 0), block);
}

static int read_names(struct place *place, json_t *feature, const struct roster *roster,
                      struct roster_block *block)
{
    json_t *properties = json_object_get(feature, "properties");
    const char *name = json_string_value(json_object_get(properties, "block"));
    json_t *title = json_object_get(properties, "title");
    if (!name || !feed_name_valid(name))
        return refuse(place,
                      "has no property \"block\" of 1 to 32 letters, digits, dots, hyphens or "
                      "underscores: name the block as stations.csv does.");
    if (roster_block_named(roster, name) < roster->block_count)
        return refuse(place,
                      "names a block that an earlier feature named: each block is one feature.");
    strcpy(block->name, name);
    place->name = block->name;
    if (title && (!json_is_string(title) || json_string_length(title) >= sizeof block->title))
        return refuse(place, "has a \"title\" that is not a text of at most 63 bytes: shorten it.");
    strcpy(block->title, title && json_string_length(title) > 0 ? json_string_value(title) : name);
    return 0;
}

static int read_feature(struct place *place, json_t *feature, struct roster *roster)
{
    struct roster_block *block = &roster->blocks[roster->block_count];
    place->name = NULL;
    const char *type = json_string_value(json_object_get(feature, "type"));
    int error = 0;
    if (!type || strcmp(type, "Feature") != 0)
        error = refuse(place, "is not a Feature: export the file again as a FeatureCollection.");
    if (!error)
        error = read_names(place, feature, roster, block);
    if (!error)
        error = read_geometry(place, feature, block);
    if (error) {
        free(block->ring);
        *block = (struct roster_block){.ring_points = 0};
        return error;
    }
    roster->block_count++;
    return 0;
}

static int read_features(const char *path, json_t *features, struct roster *roster,
                         struct roster_fault *fault)
{
    size_t count = json_array_size(features);
    if (count == 0 || count > ROSTER_BLOCKS_MAX) {
        roster_say(fault, "%s: it has %s: draw one polygon for each block.", path,
                   count ? "more than 1000 features" : "no features");
        return -EINVAL;
    }
    roster->blocks = calloc(count, sizeof *roster->blocks);
    if (!roster->blocks)
        return -ENOMEM;
    struct place place = {.path = path, .fault = fault};
    int error = 0;
    for (size_t i = 0; i < count && error != -ENOMEM; i++) {
        place.feature = i + 1;
        int one = read_feature(&place, json_array_get(features, i), roster);
        error = one ? one : error;
    }
    return error;
}

int roster_read_blocks(const char *path, const char *text, size_t len, struct roster *roster,
                       struct roster_fault *fault)
{
    json_error_t where;
    static const char mark[] = "\xEF\xBB\xBF";
    if (len >= 3 && memcmp(text, mark, 3) == 0)
        text += 3, len -= 3;
    json_t *root = json_loadb(text, len, JSON_REJECT_DUPLICATES, &where);
    if (!root) {
        roster_say(fault, "%s:%d: it is not JSON (%.100s): export it again as GeoJSON.", path,
                   where.line, where.text);
        return -EINVAL;
    }
    const char *type = json_string_value(json_object_get(root, "type"));
    int error = -EINVAL;
    if (type && strcmp(type, "FeatureCollection") == 0)
        error = read_features(path, json_object_get(root, "features"), roster, fault);
    else
        roster_say(fault,
                   "%s: it is not a GeoJSON FeatureCollection (RFC 7946): export it again as one.",
                   path);
    json_decref(root);
    return error;
}

/* The ring as seen from the point: true distances and directions to its corners. */
struct corner {
    double east_m, north_m;
};

static struct corner corner_of(const struct geod_geodesic *earth, double latitude, double longitude,
                               const double point[2])
{
    double distance_m, azimuth;
    geod_inverse(earth, latitude, longitude, point[1], point[0], &distance_m, &azimuth, NULL);
    double radians = azimuth * 3.14159265358979323846 / 180;
    return (struct corner){distance_m * sin(radians), distance_m * cos(radians)};
}

/* From the origin to the line between two corners. */
static double distance_to_side(struct corner a, struct corner b)
{
    double east = b.east_m - a.east_m, north = b.north_m - a.north_m;
    double length2 = east * east + north * north;
    double along = length2 > 0 ? -(a.east_m * east + a.north_m * north) / length2 : 0;
    along = along < 0 ? 0 : along > 1 ? 1 : along;
    return hypot(a.east_m + along * east, a.north_m + along * north);
}

double roster_distance_m(const struct roster_block *block, double latitude, double longitude)
{
    struct geod_geodesic earth;
    double nearest_m = INFINITY;
    bool inside = false;
    geod_init(&earth, WGS84_AXIS_M, WGS84_FLATTENING);
    struct corner a = corner_of(&earth, latitude, longitude, block->ring[0]);
    for (size_t i = 1; i < block->ring_points; i++) {
        struct corner b = corner_of(&earth, latitude, longitude, block->ring[i]);
        double side_m = distance_to_side(a, b);
        nearest_m = side_m < nearest_m ? side_m : nearest_m;
        if ((a.north_m > 0) != (b.north_m > 0) &&
            a.east_m - a.north_m * (b.east_m - a.east_m) / (b.north_m - a.north_m) > 0)
            inside = !inside;
        a = b;
    }
    return inside ? 0 : nearest_m;
}
