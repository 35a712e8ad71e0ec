/* Random values of every message, within the stated ranges; the same seed gives the same values. */
#ifndef EDGEROW_TESTS_FEED_RANDOM_H
#define EDGEROW_TESTS_FEED_RANDOM_H

#include "protocol/feed/health.h"
#include "protocol/feed/lease.h"
#include "protocol/feed/mark.h"
#include "protocol/feed/order.h"
#include "protocol/feed/presence.h"
#include "protocol/feed/row.h"
#include "protocol/feed/state.h"

struct random {
    uint64_t state;
};

uint64_t random_next(struct random *r);
int64_t random_between(struct random *r, int64_t least, int64_t most);

void random_row(struct random *r, void *row);
void random_mark(struct random *r, void *mark);
void random_lease(struct random *r, void *lease);
void random_held(struct random *r, void *held);
void random_order(struct random *r, void *order);
void random_presence(struct random *r, void *presence);
void random_gateway_health(struct random *r, void *health);
void random_collector_health(struct random *r, void *health);
void random_trap_state(struct random *r, void *state);
void random_block_state(struct random *r, void *state);
void random_notice_state(struct random *r, void *state);

#endif
