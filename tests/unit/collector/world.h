/* A small site with stations, gateways that hear them, and the rows of their spools, in memory. */
#ifndef EDGEROW_TEST_WORLD_H
#define EDGEROW_TEST_WORLD_H

#include "protocol/feed/row.h"
#include "tests/unit/collector/station.h"

enum { WORLD_GATEWAYS = 3, WORLD_FIRST_UNIT = 0x01000000, WORLD_KEY = 0x5A5A0000 };

struct world_spool {
    char gateway[8];
    char id[FEED_ID_SIZE];
    struct feed_row *rows;
    size_t count;
};

struct world {
    size_t stations;
    struct station_life *lives;
    struct world_spool spools[WORLD_GATEWAYS];
};

struct world_habits {
    size_t stations;
    unsigned intervals;
    double loss;      /* of a frame at a gateway */
    double unsure;    /* share of a gateway's boots without a synchronised clock */
    double corrected; /* of those, share whose offset is learned in the end */
    bool hard;        /* restarts, daily reports, events … */
};

void world_make(struct world *world, const struct world_habits *habits, uint64_t seed);
void world_free(struct world *world);
/* Writes stations.csv and blocks.geojson into folder; every other station is in the second block. */
void world_write_roster(const struct world *world, const char *folder);
/* The last report of a station and epoch that any gateway heard; NULL: none. */
const struct sent *world_last(const struct world *world, size_t station, uint8_t epoch);

#endif
