/*
 * One site in one process: stations, air, gateways, broker, collectors, their disks and clocks, moved by a queue
 * of events in simulated time. Times are microseconds of true time, UTC; transport time is the same.
 */
#ifndef EDGEROW_SIMULATION_WORLD_H
#define EDGEROW_SIMULATION_WORLD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "collector/roster/roster.h"
#include "collector/store/zone.h"
#include "tests/simulation/barn.h"
#include "tests/simulation/broker.h"
#include "tests/simulation/chance.h"
#include "tests/simulation/office.h"
#include "tests/simulation/plan.h"
#include "tests/simulation/station.h"

#define SECOND_US INT64_C(1000000)
#define MINUTE_US (60 * SECOND_US)
#define HOUR_US   (60 * MINUTE_US)
#define DAY_US    (24 * HOUR_US)
#define BEGIN_US  (INT64_C(1785542400) * SECOND_US) /* 2026-08-01 00:00 UTC */

enum { WORLD_FIRST_UNIT = 0x01000000 };

struct event {
    int64_t at_us;
    uint64_t order;
    void (*run)(struct world *world, const struct event *event);
    unsigned who;
    uint64_t tag; /* what the event is of: it is let go when that has ended */
    void *data;   /* freed when the event is done */
};

/* What stays the same for all runs of a process. */
struct world_fixed {
    struct zone *zone;
    struct roster *roster, *early; /* early: without the last two units */
};

struct world {
    struct plan plan;
    const struct world_fixed *fixed;
    int64_t now_us, faults_end_us, end_us;
    struct event *events;
    size_t event_count, event_capacity;
    uint64_t event_order, steps;
    struct station stations[PLAN_STATIONS];
    struct barn gateways[PLAN_GATEWAYS];
    struct office collectors[PLAN_COLLECTORS];
    struct broker broker;
    struct chance air, faults, network, mail;
    bool mail_down, keeps_rows;
    uint64_t injected[FAULTS];
    uint64_t frames_sent, frames_heard, rows_published, thinned, let_go, checks, mails_accepted,
        compared;
    bool failed;
    char failure[600];
};

/* fixed is made once: writes the roster's files into a temporary folder and reads them. */
int world_fixed_make(struct world_fixed *fixed);
void world_fixed_free(struct world_fixed *fixed);

void world_open(struct world *world, const struct plan *plan, const struct world_fixed *fixed);
/* Until the end or the first failure. True: every promise was kept. */
bool world_run(struct world *world);
void world_close(struct world *world);

void world_at(struct world *world, int64_t at_us,
              void (*run)(struct world *world, const struct event *event), unsigned who,
              uint64_t tag, void *data);
/* A broken promise: the first one is kept, and ends the run. */
void world_fail(struct world *world, const char *format, ...) __attribute__((format(printf, 2, 3)));
void world_count(struct world *world, enum fault fault);
/* Faults may still strike. */
bool world_is_rough(const struct world *world, enum fault fault);

/* faults.c: lays the faults of the whole run into the queue of events. */
void faults_plan(struct world *world);

#endif
