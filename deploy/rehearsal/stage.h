/*
 * The real programs: broker, gateways, collector, each with its log, its clock and its radio, and
 * the mailbox. Starts them, waits for them, kills and starts them again.
 */
#ifndef EDGEROW_REHEARSAL_STAGE_H
#define EDGEROW_REHEARSAL_STAGE_H

#include <stdbool.h>
#include <stdint.h>

#include "deploy/rehearsal/airlink.h"
#include "deploy/rehearsal/blows.h"
#include "deploy/rehearsal/cutter.h"
#include "deploy/rehearsal/feedview.h"
#include "deploy/rehearsal/listener.h"
#include "deploy/rehearsal/mailbox.h"
#include "deploy/rehearsal/process.h"
#include "deploy/rehearsal/rundir.h"
#include "deploy/rehearsal/ticker.h"

struct stage_gateway {
    struct process process;
    struct ticker *ticker;
    struct airlink air;
    struct cutter *cutter;
    bool powered, cut;
    int64_t behind_us; /* how much less its clock shows than it should */
    bool unsure;       /* was killed since the last stage_sure(): what it was given may be lost */
};

/* What lasts of a blow. */
struct stage_blow {
    sd_event_source *relief; /* ends it; NULL: none lasts */
    bool stopped, shut;
};

struct stage {
    const struct place *place;
    struct rundir *dir;
    sd_event *event;
    struct process broker, collector;
    struct ticker *collector_ticker;
    struct listener *listener;
    struct mailbox *mailbox;
    struct feedview view;
    size_t gateway_count;
    struct stage_gateway gateways[PLACE_GATEWAYS_MAX];
    struct stage_blow blows[BLOWS_MAX]; /* by process: collector, broker, gateways */
    unsigned struck[BLOW_KINDS];
    unsigned ended_shut; /* processes that ended because their files could not be written */
};

/* Writes the configuration and starts everything; event time begins at now_us. 0, or a negative
 * errno after a message. */
int stage_open(struct stage *stage, struct rundir *dir, int64_t now_us);
/* Ends the programs in order. Returns how many did not end well by themselves. */
unsigned stage_close(struct stage *stage);

typedef bool (*stage_condition)(struct stage *stage, int64_t argument);
/* Runs the loop until it holds. 0; -ETIMEDOUT or -ECHILD after a message that says what was
 * awaited. */
int stage_wait(struct stage *stage, stage_condition condition, int64_t argument, const char *what);
/* Runs the loop for a moment. */
void stage_turn(struct stage *stage, uint64_t for_us);

/* The collector goes on to this instant. */
int stage_tell_collector(struct stage *stage, int64_t now_us);
/* What the radios heard is handed over, the gateways go on to this instant, and what they have is
 * stored. */
int stage_tell_gateways(struct stage *stage, int64_t now_us);

/* Strikes a process: 0 the collector, 1 the broker, then the gateways. A gateway without power is left alone. What lasts
 * ends by itself after blow->for_us of real time. */
void stage_strike(struct stage *stage, unsigned process, const struct blow *blow);
/* Ends what lasts of a blow. */
void stage_relieve(struct stage *stage, unsigned process);
void stage_relieve_all(struct stage *stage);
/* Looks whether a process that should run does. One that ended while its files could not be written is started
 * again, as the system's supervisor would. False: it ended, after a message. */
bool stage_look_after(struct stage *stage, unsigned process);
/* A gateway without power is not running; with power it starts, at now_us. */
int stage_power_gateway(struct stage *stage, size_t gateway, bool on, int64_t now_us);
/* Takes effect with the next instant it is told. */
void stage_set_behind(struct stage *stage, size_t gateway, int64_t behind_us);
void stage_cut_gateway(struct stage *stage, size_t gateway, bool cut);

#endif
