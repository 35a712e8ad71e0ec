/*
 * Topics of the feed. Everything of a site lies under edgerow/<site>/.
 *
 *   edgerow/<site>/gateway/<gateway>/row        numbered spool rows, QoS 1, not retained
 *   edgerow/<site>/gateway/<gateway>/presence   online or not, retained, also the will
 *   edgerow/<site>/gateway/<gateway>/health     counters and gauges, retained
 *   edgerow/<site>/stored/<gateway>/<collector> the stored mark, retained
 *   edgerow/<site>/lease/<collector>/<unit>     which gateway speaks to a unit, retained
 *   edgerow/<site>/held/<gateway>/<unit>        what the gateway holds of that, retained
 *   edgerow/<site>/order/<collector>/<unit>     what the unit's station is to be told, retained
 *   edgerow/<site>/collector/<collector>/presence  retained, also the will
 *   edgerow/<site>/collector/<collector>/health    heartbeat, retained
 *   edgerow/<site>/trap/<trap>                  state of a trap and its station, retained
 *   edgerow/<site>/block/<block>                state of a block, retained
 *   edgerow/<site>/notice/<notice>              an open notice, retained; removed when it closes
 *
 * A unit is its address as 8 hex digits. A name is 1 to 32 of a-z A-Z 0-9 . _ - (so that it can be no wildcard and no level).
 */
#ifndef EDGEROW_FEED_TOPIC_H
#define EDGEROW_FEED_TOPIC_H

#include <stdbool.h>
#include <stddef.h>

enum { FEED_NAME_MAX = 32, FEED_TOPIC_MAX = 160 };

enum feed_topic_kind {
    FEED_TOPIC_ROW,
    FEED_TOPIC_GATEWAY_PRESENCE,
    FEED_TOPIC_GATEWAY_HEALTH,
    FEED_TOPIC_STORED,
    FEED_TOPIC_COLLECTOR_PRESENCE,
    FEED_TOPIC_COLLECTOR_HEALTH,
    FEED_TOPIC_TRAP,
    FEED_TOPIC_BLOCK,
    FEED_TOPIC_NOTICE,
    FEED_TOPIC_LEASE,
    FEED_TOPIC_HELD,
    FEED_TOPIC_ORDER
};

struct feed_topic {
    enum feed_topic_kind kind;
    char site[FEED_NAME_MAX + 1];
    char name[FEED_NAME_MAX + 1];  /* gateway, collector, trap, block or notice */
    char other[FEED_NAME_MAX + 1]; /* STORED: the collector; LEASE, HELD, ORDER: the unit */
};

bool feed_name_valid(const char *name);
/* Writes the topic; a name of "+" is allowed here, for subscriptions. 0, or FEED_* error. */
int feed_topic_format(const struct feed_topic *topic, char text[FEED_TOPIC_MAX]);
int feed_topic_parse(const char *text, struct feed_topic *topic);

#endif
