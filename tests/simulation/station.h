/*
 * A station, and the truth about it: what it counted and what it sent, with marks of who has promised to keep it.
 * Counts are not cut to 32 bits here, so that the truth knows no wrap.
 */
#ifndef EDGEROW_SIMULATION_STATION_H
#define EDGEROW_SIMULATION_STATION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/air/keys.h"
#include "protocol/air/report.h"
#include "tests/simulation/chance.h"
#include "tests/simulation/plan.h"

struct world;

struct sent {
    uint32_t fcnt;
    uint8_t epoch;
    bool confirmed;
    int64_t tick_us, at_us; /* true end of its last interval; end of the frame */
    uint64_t entries;
    uint8_t payload_len, payload[AIR_REPORT_MAX];
    uint8_t len, bytes[64];
    /* the oracle's */
    uint8_t promised; /* by gateways: they have it on disk */
    uint8_t stored;   /* by collectors: they have said that it is on disk */
    uint8_t dated;    /* gateways that had a right clock, and have had it on disk, as it was sent */
    uint8_t told[PLAN_COLLECTORS]; /* gateways whose copy the collector has */
    bool heard;                    /* some gateway has taken it */
};

struct station {
    unsigned index;
    uint32_t devaddr;
    struct air_keys keys;
    struct chance chance;
    unsigned interval_min;
    int64_t period_us, tick_us; /* of its own clock */
    uint32_t fcnt;
    uint8_t epoch, tick, recent_count, recent[AIR_RECENT_MAX];
    uint64_t entries, exits, shorts, blocked_2s;
    double busy, level_mm, level_loss_mm;
    int64_t off_until_us, daily_us;
    bool partial, ended;
    bool tainted; /* an old frame of it was taken for a fresh one somewhere */
    struct sent *sent;
    size_t sent_count, sent_capacity;
};

void station_open(struct world *world, struct station *station, unsigned index);
void station_close(struct station *station);
/* NULL: it never sent that. */
struct sent *station_sent(struct station *station, uint32_t fcnt);
void station_secret(unsigned index, uint8_t nwk[16], uint8_t app[16]);

#endif
