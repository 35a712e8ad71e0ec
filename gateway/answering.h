/*
 * The edge round gateway/answer: leases and orders as they come, counters and the duty ledger on the disk
 * before they are used, frames down to the radios.
 */
#ifndef EDGEROW_GATEWAY_ANSWERING_H
#define EDGEROW_GATEWAY_ANSWERING_H

#include "common/clock.h"
#include "gateway/hearing.h"
#include "gateway/publish/publisher.h"
#include "gateway/reception.h"
#include "gateway/settings.h"

struct answering;

/* What it works with; all outlive it. */
struct answering_parts {
    const struct gateway_settings *settings;
    struct clock_source *clock;
    struct spool *spool;
    struct publisher *publisher;
    struct reception *reception;
};

/* 0, or a negative errno after a line in the log. */
int answering_open(struct answering **answering, const struct answering_parts *parts,
                   struct verify_table *table);
void answering_close(struct answering *answering);
/* Other keys are in force. 0, or a negative errno after a line in the log: then it answers nobody. */
int answering_reload(struct answering *answering, struct verify_table *table);

void answering_lease(struct answering *answering, const struct feed_lease *lease);
void answering_order(struct answering *answering, uint32_t devaddr, const struct feed_order *order);
/* After the messages that came together: what they made gone is written, then they are obeyed. */
void answering_settle(struct answering *answering);
/* Says what is held and was not said yet, as far as there is room. */
void answering_tell(struct answering *answering);
/* A connection has begun. */
void answering_connected(struct answering *answering);

/* A frame that is new or repeated, on the disk when it is confirmed. */
void answering_heard(struct answering *answering, const struct radio_packet *packet,
                     const struct verify_result *result);
/* The identity of this start of the gateway. */
const char *answering_run(const struct answering *answering);
void answering_health(struct answering *answering, unsigned radio,
                      struct feed_radio_health *health);

#endif
