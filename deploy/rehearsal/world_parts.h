/* The world's own parts: for world.c and slice.c only. */
#ifndef EDGEROW_REHEARSAL_WORLD_PARTS_H
#define EDGEROW_REHEARSAL_WORLD_PARTS_H

#include "deploy/rehearsal/others.h"
#include "deploy/rehearsal/wasps.h"
#include "deploy/rehearsal/world.h"

#define WORLD_NOWHERE SIZE_MAX

struct world {
    struct world_settings settings;
    struct place *place;
    struct ledger *ledger;
    struct weather *weather;
    struct wasps *wasps;
    struct waves *waves;
    struct crew crew;
    struct faults faults;
    size_t next_fault;
    struct trap *traps;
    struct others *others;
    struct station *stations; /* by unit */
    size_t *unit_of_trap, *trap_of_unit;
    int64_t *unit_since_us;
    int64_t *switch_on_us; /* by unit; 0: nobody will, or somebody did */
    double *attraction, *per_hour;
    unsigned (*inwards)[INSECT_KINDS];
    bool *asked;
    struct dice dice;
    int64_t now_us, hour_s, day_s;
    unsigned day_number;
    int error;
    struct passes passes;
};

struct station_sink world_sink(struct world *world);
/* From at_us on the unit serves the trap; WORLD_NOWHERE: none. */
void world_assign(struct world *world, size_t unit, size_t trap, int64_t at_us);

#endif
