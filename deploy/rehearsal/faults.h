/*
 * What goes wrong, and when: thrown once from the seed before the rehearsal begins, so that
 * stations.csv can carry the dated lines of swapped units and moved traps from the start.
 */
#ifndef EDGEROW_REHEARSAL_FAULTS_H
#define EDGEROW_REHEARSAL_FAULTS_H

#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/place.h"

enum fault_kind {
    FAULT_DEAD,          /* a station stops for good: battery */
    FAULT_BATTERY,       /* cells that fade within days; a visit changes them */
    FAULT_MUTE,          /* counts, but is not heard for a while */
    FAULT_COUNTER_STUCK, /* counts nothing for a while */
    FAULT_LEVEL_STUCK,   /* shows the same level for a while */
    FAULT_LEVEL_SENSOR,  /* calls its level sensor faulty */
    FAULT_RESTART,       /* loses power for a moment */
    FAULT_TILT,          /* the trap falls and is set up again by the next visit */
    FAULT_COUNTER_LOST,  /* non-volatile counters gone: a new epoch */
    FAULT_SWAP,          /* two units trade places */
    FAULT_RENEW,         /* a unit is taken away and a spare hung instead */
    FAULT_MOVE,          /* a trap hangs elsewhere from now on */
    FAULT_GATEWAY_POWER, /* a gateway without power for hours */
    FAULT_GATEWAY_CLOCK, /* after that its clock is wrong until the network tells the time */
    FAULT_GATEWAY_CUT,   /* its network is cut: it hears and keeps */
    FAULT_RADIO_DEAF,    /* its radio hears nothing */
    FAULT_KINDS
};

enum fault_group {
    FAULTS_STATIONS = 1,
    FAULTS_COUNTERS = 2,
    FAULTS_UNITS = 4,
    FAULTS_GATEWAYS = 8
};

struct fault {
    enum fault_kind kind;
    size_t item;  /* unit, trap or gateway */
    size_t other; /* SWAP, RENEW: the other unit; CLOCK: seconds behind */
    int64_t from_us, until_us;
};

struct faults {
    size_t count;
    struct fault *list; /* by beginning */
};

struct faults_settings {
    unsigned groups; /* enum fault_group, or'ed */
    uint64_t seed;
    int64_t start_s;
    int days;
};

int faults_plan(struct faults *faults, const struct place *place,
                const struct faults_settings *settings);
void faults_free(struct faults *faults);
const char *fault_text(enum fault_kind kind);
/* "all", "none", or a list like "stations,units". 0 or -EINVAL. */
int faults_groups(const char *text, unsigned *groups);

#endif
