/* Leases and orders: the daemon's part of collector/lease and collector/order. */
#ifndef EDGEROW_COLLECTOR_LEASING_H
#define EDGEROW_COLLECTOR_LEASING_H

#include "protocol/air/report.h"
#include "protocol/feed/health.h"
#include "protocol/feed/lease.h"
#include "protocol/feed/order.h"
#include "protocol/feed/topic.h"

struct daemon;

/* After the store is open. 0, or a negative errno after a line in the log. */
int leasing_open(struct daemon *daemon, int64_t now_s);
void leasing_close(struct daemon *daemon);

/* What comes in. */
void leasing_heard(struct daemon *daemon, const char *gateway, const struct feed_frame *frame,
                   const struct air_report *report);
void leasing_health(struct daemon *daemon, const char *gateway,
                    const struct feed_gateway_health *health);
void leasing_message(struct daemon *daemon, const struct feed_topic *topic, const char *text,
                     size_t len);
void leasing_connected(struct daemon *daemon);
/* Decides, writes, then says. After each batch, and with each judging. */
void leasing_look(struct daemon *daemon);

#endif
