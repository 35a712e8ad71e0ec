/*
 * The gateway's voice: presence, health and rows on the broker, and an ear for stored marks.
 * Publishes only what the spool has committed.
 */
#ifndef EDGEROW_PUBLISH_PUBLISHER_H
#define EDGEROW_PUBLISH_PUBLISHER_H

#include <stdint.h>

#include <systemd/sd-event.h>

#include "gateway/settings.h"
#include "gateway/spool/spool.h"
#include "protocol/feed/health.h"
#include "protocol/feed/lease.h"
#include "protocol/feed/order.h"

struct publisher;

struct publisher_counts {
    uint64_t marks_refused, marks_ignored;
};

struct publisher_events {
    void *user;
    void (*connected)(void *user); /* a connection has begun: time to say how things are */
    /* Leases and orders of the collector that is named first; order NULL: the unit's is over. */
    void (*lease)(void *user, const struct feed_lease *lease);
    void (*order)(void *user, uint32_t devaddr, const struct feed_order *order);
    void (*batch)(void *user); /* after the messages that came together */
    void (*room)(void *user);  /* more may be said again */
};

/* now_ms: event time of the start of this run, for the birth message. Works with the broker down.
 */
int publisher_open(struct publisher **publisher, sd_event *event,
                   const struct gateway_settings *settings, struct spool *spool, int64_t now_ms,
                   const struct publisher_events *events);
/* Says goodbye in the presence topic before the connection ends. */
void publisher_close(struct publisher *publisher);

/* Publishes what may be published now: call after a commit. */
void publisher_pump(struct publisher *publisher);
/* True when nothing more can be handed to the session until a mark, an acknowledgement or the
 * broker itself comes. */
bool publisher_is_idle(const struct publisher *publisher);
bool publisher_is_connected(const struct publisher *publisher);
void publisher_health(struct publisher *publisher, const struct feed_gateway_health *health);
/* False: not now; `room` tells when. */
bool publisher_held(struct publisher *publisher, const struct feed_held *held);
void publisher_counts(const struct publisher *publisher, struct publisher_counts *counts);

#endif
