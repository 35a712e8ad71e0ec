/* What a seed makes of a run: how large the site is, and which kinds of faults strike. */
#ifndef EDGEROW_SIMULATION_PLAN_H
#define EDGEROW_SIMULATION_PLAN_H

#include <stdbool.h>
#include <stdint.h>

enum { PLAN_STATIONS = 12, PLAN_GATEWAYS = 3, PLAN_COLLECTORS = 2 };

enum fault {
    FAULT_AIR,           /* frames lost, in bursts */
    FAULT_REPEAT,        /* a frame comes twice */
    FAULT_HOSTILE,       /* replayed, forged, damaged and foreign frames */
    FAULT_GATEWAY_KILL,  /* the process dies */
    FAULT_GATEWAY_POWER, /* the power fails, also in the middle of a write */
    FAULT_GATEWAY_CLOCK, /* boots in the past, unsynchronised for hours or for good */
    FAULT_GATEWAY_DISK,  /* operations fail; no room */
    FAULT_SPOOL_FULL,    /* a small spool and a long silence of the collectors */
    FAULT_SPOOL_COPY,    /* an old copy of the card is put back */
    FAULT_SPOOL_LOST,    /* the spool is deleted */
    FAULT_COLLECTOR_KILL,
    FAULT_COLLECTOR_POWER,
    FAULT_COLLECTOR_CLOCK,
    FAULT_COLLECTOR_DISK,
    FAULT_STORE_LOST,
    FAULT_STORE_COPY,   /* an old backup is put back */
    FAULT_BROKER_KILL,  /* what it had not saved is lost */
    FAULT_BROKER_QUEUE, /* a short queue that drops silently */
    FAULT_NETWORK_CUT,  /* connections cut, partitions of minutes to days */
    FAULT_NETWORK_MESS, /* messages delayed, reordered, repeated, dropped */
    FAULT_MAIL,         /* the mail server fails, refuses, or takes and does not say so */
    FAULT_ROSTER,       /* a unit is entered days after it is heard */
    FAULT_STATION,      /* stations restart, lose their counters, stand still */
    FAULT_PRUNE,        /* old days are removed during the run */
    FAULTS
};

struct plan {
    uint64_t seed;
    unsigned stations, gateways, collectors, days;
    uint32_t faults; /* one bit a kind */
    unsigned interval_min, queue_max, window, spool_kib;
    int64_t history_s, keep_s;
};

/* From the seed; allowed: which kinds may strike at all. */
void plan_make(struct plan *plan, uint64_t seed, uint32_t allowed);
/* What follows from the kinds of faults: again when they were changed. */
void plan_settle(struct plan *plan);
bool plan_has(const struct plan *plan, enum fault fault);
const char *fault_name(enum fault fault);
/* A kind by its name, or FAULTS. */
enum fault fault_named(const char *name, unsigned len);

#endif
