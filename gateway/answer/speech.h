/*
 * To which units this gateway speaks, with which frame counters, and what it has to tell them. Pure.
 *
 * A block of counters that is taken from a lease is gone at once: the edge writes that to the disk
 * (unkept) before the first of them is used. A lease is obeyed only by the run of the gateway that it names, so
 * that after a restart the rest of a block is not used any more. So a killed gateway, and one whose files were
 * restored from a copy, never use a counter twice: they are given a new block, above what anybody says is gone.
 */
#ifndef EDGEROW_ANSWER_SPEECH_H
#define EDGEROW_ANSWER_SPEECH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "gateway/verify/unit.h"
#include "protocol/feed/lease.h"
#include "protocol/feed/order.h"

enum {
    SPEECH_LOW = 16,    /* counters left at which a new block is asked for */
    SPEECH_MARGIN_S = 2 /* before the lease's end nothing is begun any more */
};

struct speech_unit {
    uint32_t devaddr, key_check;
    uint64_t next; /* every counter below is gone: used here, or seen leased to anybody */
    uint64_t term; /* the latest lease obeyed; 0: none in this run */
    bool speaking;
    uint32_t first, count; /* the block of that lease */
    uint32_t left;         /* of it */
    int64_t until_s;
    /* The same on a clock that does not step: it answers frames that ended after since_us, when it
     * began to speak, and before until_us. A frame that ended earlier was for whoever spoke then. */
    int64_t since_us, until_us;
    bool has_order;
    struct feed_order order;
    uint64_t order_sent;
    bool answered; /* a frame, in this run */
    uint32_t answered_fcnt;
    int64_t answered_us; /* its end, on the clock of the air */
    bool unkept, untold; /* next is not on the disk; what is held was not said */
};

struct speech; /* a unit never moves while its speech lives */

/* A unit for each of the table, nothing known. 0 or -ENOMEM. */
int speech_new(struct verify_table *table, struct speech **speech);
void speech_free(struct speech *speech);
/* Takes over what is known of units whose keys have not changed. */
void speech_inherit(struct speech *speech, const struct speech *from);
size_t speech_count(const struct speech *speech);
struct speech_unit *speech_at(struct speech *speech, size_t index);
struct speech_unit *speech_find(struct speech *speech, uint32_t devaddr);

/* From the disk: every counter below next is gone. */
void speech_gone(struct speech *speech, uint32_t devaddr, uint32_t key_check, uint64_t next);
/* A lease as it comes; self: this gateway's name, run: the identity of this start of it; now on both clocks. */
void speech_lease(struct speech *speech, const char *self, const char *run,
                  const struct feed_lease *lease, int64_t now_s, int64_t now_us);
/* An order as it comes. */
void speech_order(struct speech *speech, const struct feed_order *order);
/* The order of this unit is over. */
void speech_order_over(struct speech *speech, uint32_t devaddr);

/* Takes the block out of use whose loss of counters could not be written. */
void speech_drop(struct speech_unit *unit);
/* May it answer a frame now that ended at this time on that clock? */
bool speech_speaks(const struct speech_unit *unit, int64_t now_s, int64_t ended_us);
/* The counter for the next frame down; the unit speaks. */
uint32_t speech_take(struct speech_unit *unit);
/* For the message that says what is held. */
void speech_held(const struct speech_unit *unit, int64_t now_ms, struct feed_held *held);
/* A connection has begun: everything known is to be said again. */
void speech_tell_all(struct speech *speech);

#endif
