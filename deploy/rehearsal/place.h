/*
 * Where the rehearsal plays: blocks, traps, units, gateways, on a local plane in metres. Either
 * invented for a number of stations or read from a site's own files (place_read.c). Shares no code
 * with the collector.
 */
#ifndef EDGEROW_REHEARSAL_PLACE_H
#define EDGEROW_REHEARSAL_PLACE_H

#include <stddef.h>
#include <stdint.h>

enum { PLACE_NAME_MAX = 32, PLACE_TITLE_MAX = 63, PLACE_GATEWAYS_MAX = 4, PLACE_WHY_MAX = 768 };

struct place_point {
    double east_m, north_m;
};

struct place_block {
    char name[PLACE_NAME_MAX + 1];
    char title[PLACE_TITLE_MAX + 1];
    size_t point_count; /* closed: the first point is repeated at the end */
    struct place_point *points;
};

struct place_trap {
    char name[PLACE_NAME_MAX + 1];
    size_t block;
    struct place_point at;
    double full_mark_mm, low_mark_mm;
};

struct place_unit {
    uint32_t devaddr;
    uint8_t nwk_skey[16], app_skey[16];
    size_t trap; /* served when the rehearsal begins; SIZE_MAX: a spare on the shelf */
};

struct place_channel {
    uint32_t frequency_hz, bandwidth_hz;
    uint8_t spreading_factor;
};

struct place_gateway {
    char name[PLACE_NAME_MAX + 1];
    struct place_point at;
    struct place_channel channel;
};

struct place {
    char name[PLACE_NAME_MAX + 1];
    char title[PLACE_TITLE_MAX + 1];
    char time_zone[64];
    double latitude, longitude; /* of the plane's origin */
    size_t block_count, trap_count, unit_count, gateway_count;
    struct place_block *blocks;
    struct place_trap *traps;
    struct place_unit *units;
    struct place_gateway gateways[PLACE_GATEWAYS_MAX];
};

/* Blocks of about seventy traps, a trap every 15 m of boundary (common practice, no source), with a
 * tenth as many spare units. 0 or a negative errno. */
int place_invent(struct place **place, uint64_t seed, size_t stations, size_t gateways);
void place_close(struct place *place);

/* Gives traps without a position (NAN) places spread evenly round their block. */
void place_spread(struct place *place);
/* Where a trap hangs after it was moved: some traps further along its block. */
struct place_point place_moved(const struct place *place, size_t trap);

double place_distance_m(struct place_point a, struct place_point b);
struct place_point place_of_degrees(const struct place *place, double latitude, double longitude);
void place_to_degrees(const struct place *place, struct place_point at, double *latitude,
                      double *longitude);

#endif
