#include "deploy/rehearsal/place.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/streams.h"

enum { TRAPS_OF_BLOCK = 70, SPACING_M = 15, HEADLAND_M = 12, CORNERS = 5 };

static const double metres_of_degree =
    111200.0; /* mean of the meridian, good enough for a plane of a farm */

double place_distance_m(struct place_point a, struct place_point b)
{
    return hypot(a.east_m - b.east_m, a.north_m - b.north_m);
}

static double east_scale(const struct place *place)
{
    return metres_of_degree * cos(place->latitude * M_PI / 180.0);
}

struct place_point place_of_degrees(const struct place *place, double latitude, double longitude)
{
    return (struct place_point){.east_m = (longitude - place->longitude) * east_scale(place),
                                .north_m = (latitude - place->latitude) * metres_of_degree};
}

void place_to_degrees(const struct place *place, struct place_point at, double *latitude,
                      double *longitude)
{
    *latitude = place->latitude + at.north_m / metres_of_degree;
    *longitude = place->longitude + at.east_m / east_scale(place);
}

struct place_point place_moved(const struct place *place, size_t trap)
{
    const struct place_trap *here = &place->traps[trap];
    for (size_t step = 5; step > 0; step--) {
        const struct place_trap *there = &place->traps[(trap + step) % place->trap_count];
        if (there->block == here->block && there != here)
            return (struct place_point){there->at.east_m + 2.0, there->at.north_m + 2.0};
    }
    return here->at;
}

static size_t traps_in(const struct place *place, size_t block)
{
    size_t share = place->trap_count / place->block_count;
    return share + (block < place->trap_count % place->block_count ? 1 : 0);
}

/* A rectangle, half as deep again as it is wide, whose boundary holds its traps. */
static int make_block(struct place *place, size_t b, double west_m, double *width_m)
{
    struct place_block *block = &place->blocks[b];
    double around = (double)traps_in(place, b) * SPACING_M, wide = around / 5.0,
           deep = around / 2.0 - wide;
    const struct place_point corners[CORNERS] = {
        {west_m, 0}, {west_m + wide, 0}, {west_m + wide, deep}, {west_m, deep}, {west_m, 0}};
    block->points = malloc(sizeof corners);
    if (block->points == NULL)
        return -ENOMEM;
    memcpy(block->points, corners, sizeof corners);
    block->point_count = CORNERS;
    snprintf(block->name, sizeof block->name, "b%02u", (unsigned)b + 1);
    snprintf(block->title, sizeof block->title, "Block %u", (unsigned)b + 1);
    *width_m = wide;
    return 0;
}

static struct place_point along(const struct place_block *block, double metres)
{
    for (size_t i = 0; i + 1 < block->point_count; i++) {
        double side = place_distance_m(block->points[i], block->points[i + 1]);
        if (metres <= side) {
            double share = side > 0.0 ? metres / side : 0.0;
            return (struct place_point){
                block->points[i].east_m +
                    share * (block->points[i + 1].east_m - block->points[i].east_m),
                block->points[i].north_m +
                    share * (block->points[i + 1].north_m - block->points[i].north_m)};
        }
        metres -= side;
    }
    return block->points[block->point_count - 1];
}

static double length_of(const struct place_block *block)
{
    double metres = 0.0;
    for (size_t i = 0; i + 1 < block->point_count; i++)
        metres += place_distance_m(block->points[i], block->points[i + 1]);
    return metres;
}

void place_spread(struct place *place)
{
    for (size_t b = 0; b < place->block_count; b++) {
        size_t count = 0, nth = 0;
        for (size_t t = 0; t < place->trap_count; t++)
            count += place->traps[t].block == b;
        double spacing = count > 0 ? length_of(&place->blocks[b]) / (double)count : 0.0;
        for (size_t t = 0; t < place->trap_count; t++) {
            if (place->traps[t].block != b)
                continue;
            if (isnan(place->traps[t].at.east_m))
                place->traps[t].at = along(&place->blocks[b], ((double)nth + 0.5) * spacing);
            nth++;
        }
    }
}

static void hang_traps(struct place *place)
{
    size_t t = 0;
    for (size_t b = 0; b < place->block_count; b++) {
        for (size_t i = 0; i < traps_in(place, b); i++, t++) {
            struct place_trap *trap = &place->traps[t];
            snprintf(trap->name, sizeof trap->name, "b%02u-%03u", (unsigned)b + 1, (unsigned)i + 1);
            trap->block = b;
            trap->at = along(&place->blocks[b], ((double)i + 0.5) * SPACING_M);
            trap->full_mark_mm = 90.0;
            trap->low_mark_mm = 60.0;
        }
    }
}

static void make_units(struct place *place, uint64_t seed)
{
    struct dice dice;
    dice_seed(&dice, seed, STREAM_PLACE, 0);
    for (size_t u = 0; u < place->unit_count; u++) {
        struct place_unit *unit = &place->units[u];
        unit->devaddr = 0x00100000u + (uint32_t)u * 0x101u;
        unit->trap = u < place->trap_count ? u : SIZE_MAX;
        for (size_t i = 0; i < sizeof unit->nwk_skey; i++) {
            unit->nwk_skey[i] = (uint8_t)dice_below(&dice, 256);
            unit->app_skey[i] = (uint8_t)dice_below(&dice, 256);
        }
    }
}

static void put_gateways(struct place *place, double width_m)
{
    for (size_t g = 0; g < place->gateway_count; g++) {
        struct place_gateway *gateway = &place->gateways[g];
        snprintf(gateway->name, sizeof gateway->name, "gateway-%u", (unsigned)g + 1);
        gateway->at = (struct place_point){
            width_m * ((double)g + 0.5) / (double)place->gateway_count, g % 2 == 0 ? -40.0 : 160.0};
        gateway->channel = (struct place_channel){915000000, 500000, 7};
    }
}

static int fill_place(struct place *place, uint64_t seed)
{
    double west = 0.0;
    for (size_t b = 0; b < place->block_count; b++) {
        double wide;
        if (make_block(place, b, west, &wide) != 0)
            return -ENOMEM;
        west += wide + HEADLAND_M;
    }
    hang_traps(place);
    make_units(place, seed);
    put_gateways(place, west);
    return 0;
}

int place_invent(struct place **place, uint64_t seed, size_t stations, size_t gateways)
{
    if (stations == 0 || gateways == 0 || gateways > PLACE_GATEWAYS_MAX)
        return -EINVAL;
    struct place *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    *made = (struct place){.name = "rehearsal",
                           .title = "Invented site",
                           .time_zone = "America/Los_Angeles",
                           .latitude = 46.25,
                           .longitude = -119.70,
                           .trap_count = stations,
                           .block_count = (stations + TRAPS_OF_BLOCK - 1) / TRAPS_OF_BLOCK,
                           .unit_count = stations + stations / 10 + 1,
                           .gateway_count = gateways};
    made->blocks = calloc(made->block_count, sizeof *made->blocks);
    made->traps = calloc(made->trap_count, sizeof *made->traps);
    made->units = calloc(made->unit_count, sizeof *made->units);
    int result = -ENOMEM;
    if (made->blocks != NULL && made->traps != NULL && made->units != NULL)
        result = fill_place(made, seed);
    if (result != 0)
        place_close(made);
    else
        *place = made;
    return result;
}

void place_close(struct place *place)
{
    if (place == NULL)
        return;
    for (size_t b = 0; place->blocks != NULL && b < place->block_count; b++)
        free(place->blocks[b].points);
    free(place->blocks);
    free(place->traps);
    free(place->units);
    free(place);
}
