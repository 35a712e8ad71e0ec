/*
 * The simulated vineyard: one seed, one outcome. Advances in slices of five minutes; hands on what
 * the gateways' radios hear; keeps the ledger. Knows no daemon, no socket and no clock.
 */
#ifndef EDGEROW_REHEARSAL_WORLD_H
#define EDGEROW_REHEARSAL_WORLD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/crew.h"
#include "deploy/rehearsal/faults.h"
#include "deploy/rehearsal/ledger.h"
#include "deploy/rehearsal/place.h"
#include "deploy/rehearsal/trap.h"
#include "deploy/rehearsal/waves.h"
#include "deploy/rehearsal/weather.h"

enum { WORLD_SLICE_S = 300 };

struct world_settings {
    uint64_t seed;
    int64_t start_s; /* a local midnight */
    int days;
    unsigned interval_min;
    unsigned fault_groups;
    enum crew_policy crew;
    bool mixed_laws; /* each trap by a law of its own, otherwise all by law */
    enum trap_law law;
    double loss, wet, repeats;
    bool capture;
    const char *weather_folder, *climate;
};

struct world;

int world_open(struct world **world, struct place *place, const struct world_settings *settings,
               struct ledger *ledger, char why[WEATHER_WHY_MAX]);
void world_close(struct world *world);

/* until_us: a multiple of the slice. */
int world_advance(struct world *world, int64_t until_us, waves_heard heard, void *user);
/* For a crew that works by messages: visit these traps on the next morning. */
void world_ask_visit(struct world *world, size_t trap);
/* Faults of this rehearsal, for dated lines of stations.csv and for what happens to gateways. */
const struct faults *world_faults(const struct world *world);
/* Radio frames sent and copies taken by collisions so far. */
void world_counts(const struct world *world, uint64_t *sent, uint64_t *collided);

#endif
