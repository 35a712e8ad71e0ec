/* The collector's daemon: the thin edge around ingest, store, judging and delivery. */
#ifndef EDGEROW_COLLECTOR_DAEMON_H
#define EDGEROW_COLLECTOR_DAEMON_H

#include <systemd/sd-event.h>

#include "collector/daemon/leasing.h"
#include "collector/daemon/outlet.h"
#include "collector/delivery/delivery.h"
#include "collector/ingest/ingest.h"
#include "collector/judging.h"
#include "collector/site.h"
#include "common/clock.h"
#include "common/damage.h"
#include "common/log.h"

enum { DAEMON_TROUBLES_MAX = 64 };

/* A condition without an end of its own: it is over a day after it last came. */
struct daemon_trouble {
    char subject[33], item[17];
    int64_t last_s;
};

struct daemon {
    struct site_settings site;
    struct zone *zone;
    struct roster *roster;
    sd_event *event;
    sd_event_source *signals[3];
    struct clock_source *clock;
    struct clock_timer *judge_timer, *delivery_timer;
    struct session *session;
    struct store *store;
    struct ingest *ingest;
    struct judging *judging;
    struct delivery *delivery;
    struct leasing *leasing;
    struct outlet marks, states; /* marks go first */
    struct daemon_trouble troubles[DAEMON_TROUBLES_MAX];
    size_t trouble_count;
    int64_t since_ms; /* start, event time */
    int64_t trimmed_s;
    bool held;   /* the rehearsal's clock waits until the first connection */
    bool judged; /* at least once: before, there is no state to say */
    bool leaving, store_failing, clock_doubted;
    int leave_message; /* of the farewell */
    struct log_gate store_gate, connection_gate;
    struct damage damage;
};

/* Reads site, zone and roster; says what is wrong. 0 or a negative errno. */
int daemon_configure(struct daemon *daemon, const char *path);
/* Runs until told to end. 0 or a negative errno; what went wrong is logged. */
int daemon_run(struct daemon *daemon);
void daemon_free(struct daemon *daemon);

int64_t daemon_now_s(const struct daemon *daemon);
/* A condition that a person should know; not before judging is open. */
void daemon_condition(struct daemon *daemon, enum feed_notice_kind kind, const char *subject,
                      const char *item, bool present, const char *detail);

/* saying.c: what goes out. */
extern const struct judging_events daemon_judging_events; /* user: the daemon */
void daemon_say_mark(void *user, const char *gateway, const struct feed_mark *mark);
void daemon_say_lease(struct daemon *daemon, const struct feed_lease *lease);
/* order NULL: the unit's is over. */
void daemon_say_order(struct daemon *daemon, uint32_t devaddr, const struct feed_order *order);
void daemon_say_health(struct daemon *daemon);
/* Topic and text of presence; NULL topic: out of memory. Caller frees both. */
void daemon_presence(const struct daemon *daemon, bool online, char **topic, char **text);
/* Removes the retained states of traps and blocks that the roster does not have: of one, or of all that
 * another roster had. */
void daemon_clear_unknown(struct daemon *daemon, enum feed_topic_kind kind, const char *name);
void daemon_clear_gone(struct daemon *daemon, const struct roster *before);
void daemon_flush(struct daemon *daemon);

/* hearing.c: what comes in. */
extern const struct session_events daemon_session_events; /* user: the daemon */
int daemon_subscribe(struct daemon *daemon);
extern const struct ingest_events daemon_ingest_events;

#endif
