/*
 * The truth of a rehearsal, in an SQLite file of the run directory: what each station counted
 * interval by interval, what it sent, what each gateway heard, what really happened at each trap.
 * Written by the world alone; shares no code with gateway or collector. Tables in ledger.c. A
 * failed write is remembered: ask ledger_error() from time to time.
 */
#ifndef EDGEROW_REHEARSAL_LEDGER_H
#define EDGEROW_REHEARSAL_LEDGER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/faults.h"
#include "deploy/rehearsal/passes.h"
#include "deploy/rehearsal/place.h"
#include "deploy/rehearsal/station.h"

struct ledger;

/* Whether a gateway surely has what it was given: it said so. */
enum ledger_delivery { LEDGER_MAYBE, LEDGER_SURE };

struct ledger_level {
    int64_t at_s;
    size_t trap;
    double level_mm, age_days;
    unsigned dead;
    bool guarding;
};

struct ledger_visit {
    int64_t at_us;
    size_t trap, unit;
    bool replaced, pressed;
    double level_before_mm, level_after_mm;
    unsigned dead[INSECT_KINDS]; /* truth, before */
    bool counted;
    unsigned counted_kinds[INSECT_KINDS]; /* by hand, with errors */
};

/* path must not exist. 0 or a negative errno. */
int ledger_open(struct ledger **ledger, const char *path, const struct place *place);
void ledger_close(struct ledger *ledger);
/* 0, or the first failure. */
int ledger_error(const struct ledger *ledger);
/* One transaction for everything since the last. */
void ledger_commit(struct ledger *ledger);

void ledger_note(struct ledger *ledger, const char *key, const char *value);
void ledger_unit(struct ledger *ledger, const struct place *place, size_t unit, uint32_t key_check);
/* from_us inclusive to to_us exclusive. */
void ledger_assignment(struct ledger *ledger, size_t unit, size_t trap, int64_t from_us,
                       int64_t to_us);
void ledger_interval(struct ledger *ledger, size_t unit, const struct station_interval *interval);
/* The number of the frame, for ledger_copy. */
uint64_t ledger_frame(struct ledger *ledger, size_t unit, const struct station_frame *frame);
void ledger_copy(struct ledger *ledger, uint64_t frame, size_t gateway, int64_t at_us, bool echo,
                 enum ledger_delivery delivery);
/* Insects and drops that really crossed the mouth inwards, by local hour. */
void ledger_insects(struct ledger *ledger, size_t trap, int64_t hour_s,
                    const unsigned inwards[INSECT_KINDS]);
void ledger_level(struct ledger *ledger, const struct ledger_level *level);
void ledger_visit(struct ledger *ledger, const struct ledger_visit *visit);
void ledger_fault(struct ledger *ledger, const struct place *place, const struct fault *fault);

#endif
