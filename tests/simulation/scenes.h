/* Short scenes on one machine that are played again and again with something failing. */
#ifndef EDGEROW_SIMULATION_SCENES_H
#define EDGEROW_SIMULATION_SCENES_H

#include "tests/simulation/medium.h"
#include "tests/simulation/world.h"

enum { SCENE_MACHINE = 3 };

struct scene {
    const char *name;
    unsigned steps;
    void (*prepare)(
        struct scene *scene); /* the disk as it is found, while nothing fails; NULL: empty */
    int (*open)(struct scene *scene);
    void (*close)(struct scene *scene); /* also when half open */
    int (*play)(struct scene *scene, unsigned step);
    /* What is on disk in the end. Caller frees. */
    char *(*tell)(struct scene *scene);
    bool opened;
};

bool scene_is_open(const struct scene *scene);
/* Hearing, committing, marks, thinning and forgetting. */
struct scene *scene_of_gateway(void);
/* What a spool keeps beside rows: counters, clocks, marks of two collectors, a new id. */
struct scene *scene_of_card(void);
struct scene *scene_of_full_card(void);
struct scene *scene_of_damaged_card(void);
/* Batches, quarantine, another roster, judging, the outbox, pruning. */
struct scene *scene_of_collector(const struct world_fixed *fixed);

/* One of everything a collector stores; a store of older software; a damaged one; what people enter. */
struct scene *scene_of_ledger(const struct world_fixed *fixed);
struct scene *scene_of_old_store(void);
struct scene *scene_of_damaged_store(void);
struct scene *scene_of_entries(void);
/* Orders to stations in the collector's store. */
struct scene *scene_of_orders(void);

/* A report of a station, as a frame that a gateway has taken. k: from 0, one an hour. */
void scene_frame(unsigned station, unsigned k, struct feed_frame *frame);

#endif
