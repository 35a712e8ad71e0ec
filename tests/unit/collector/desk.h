/* A collector without a daemon: roster, store and ingest in a folder of the test's own, and what it said. */
#ifndef EDGEROW_TEST_DESK_H
#define EDGEROW_TEST_DESK_H

#include "collector/ingest/ingest.h"
#include "tests/unit/collector/stored.h"
#include "tests/unit/collector/world.h"

enum { NOW_S = 1788000000 };

extern char desk_folder[];
extern struct zone *desk_zone;

/* What the collector said. */
struct ears {
    uint64_t n[WORLD_GATEWAYS];
    unsigned marks, heard, first, conflicts, losses, contradictions;
};

struct desk {
    char path[256];
    struct roster *roster;
    struct store *store;
    struct ingest *ingest;
    struct ears ears;
    int64_t transport_us;
};

/* Makes the folder and opens the zone; 0. */
int desk_begin(void);
/* Removes both. 0. */
int desk_end(void);
int desk_empty(void);
void desk_clear(void);
void desk_open(struct desk *c, const char *name);
void desk_close(struct desk *c);
void desk_take(struct desk *c, const struct world_spool *spool, const struct feed_row *row);
void desk_finish(struct desk *c);
void desk_expect_conserved(struct desk *c, const struct world *world);
char *desk_rows(struct desk *c);
void desk_run_plainly(struct desk *c, const struct world *world);
void desk_run_wildly(struct desk *c, const struct world *world, const char *name, uint64_t seed);
void desk_one_world(struct desk *c, struct world *world, const char *name);

#define desk_number(c, ...) stored_number(store_db((c)->store), __VA_ARGS__)

#endif
