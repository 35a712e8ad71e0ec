#include "gateway/publish/publisher.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/clock.h"
#include "common/log.h"
#include "common/session.h"
#include "gateway/publish/courier.h"
#include "protocol/feed/presence.h"
#include "protocol/feed/topic.h"

_Static_assert((int)FLOW_PEERS_MAX >= (int)GATEWAY_COLLECTORS_MAX, "a flow position per collector");

struct publisher {
    struct session *session;
    sd_event *event;
    sd_event_source *patience; /* a collector's mark is overdue */
    sd_event_source *more;     /* rows are left for the next turn of the loop */
    struct spool *spool;
    struct courier courier;
    struct publisher_events events;
    int64_t since_ms;
    bool blocked; /* the session takes no more for now */
    struct log_gate ignored_gate, refused_gate, read_gate, lost_gate, down_gate;
    char site[FEED_NAME_MAX + 1];
    char name[FEED_NAME_MAX + 1];
    char row_topic[FEED_TOPIC_MAX], presence_topic[FEED_TOPIC_MAX], health_topic[FEED_TOPIC_MAX];
    char text[FEED_MESSAGE_MAX];
};

static int arm_patience(struct publisher *p)
{
    int64_t due_us = courier_due_us(&p->courier);
    if (due_us == INT64_MAX || !session_is_connected(p->session))
        return sd_event_source_set_enabled(p->patience, SD_EVENT_OFF);
    sd_event_source_set_time(p->patience, (uint64_t)due_us);
    return sd_event_source_set_enabled(p->patience, SD_EVENT_ONESHOT);
}

static void complain_read(struct publisher *p, uint64_t wanted, const char *why)
{
    uint64_t held;
    if (log_gate_open(&p->read_gate, clock_transport_us(), &held))
        log_error("Row %llu of the spool cannot be published: %s. The gateway goes on hearing and "
                  "tries again.",
                  (unsigned long long)wanted, why);
}

/* A row that no message can hold must not hold up those behind it. */
static int encode(struct publisher *p, struct feed_row *row, size_t *len)
{
    int error = feed_row_encode(row, p->text, sizeof p->text, len);
    if (error == 0)
        return 0;
    uint64_t held;
    if (log_gate_open(&p->lost_gate, clock_transport_us(), &held))
        log_error("Row %llu of the spool cannot be put into a message (%s) and is told as lost "
                  "(%llu more since the last such line).",
                  (unsigned long long)row->n, feed_error_text(error), (unsigned long long)held);
    row->kind = FEED_ROW_LOSS;
    row->loss = (struct feed_loss){
        .first = row->n, .last = row->n, .count = 1, .why = "not to be put into a message"};
    return feed_row_encode(row, p->text, sizeof p->text, len);
}

/* 1: published; 0: nothing to publish or no room; negative: the spool cannot be read. */
static int publish_one(struct publisher *p)
{
    uint64_t wanted = courier_wanted(&p->courier);
    struct feed_row row;
    size_t len;
    if (wanted == 0)
        return 0;
    if (session_in_flight(p->session) >= COURIER_IN_FLIGHT) {
        p->blocked = true;
        return 0;
    }
    int error = courier_read(&p->courier, wanted, &row);
    if (error < 0) {
        complain_read(p, wanted, error == -ENOENT ? "it is missing" : strerror(-error));
        return -EIO;
    }
    error = encode(p, &row, &len);
    if (error != 0) {
        complain_read(p, wanted, feed_error_text(error));
        return -EIO;
    }
    error = session_publish(p->session, p->row_topic, p->text, len, false, NULL);
    if (error != 0) {
        p->blocked = true;
        return 0;
    }
    courier_sent(&p->courier, wanted, &row, clock_transport_us());
    return 1;
}

void publisher_pump(struct publisher *p)
{
    int done = 0, published = 1;
    p->blocked = !session_is_connected(p->session);
    while (!p->blocked && published == 1 && done++ < COURIER_ROWS_AT_ONCE)
        published = publish_one(p);
    bool more = published == 1 && !p->blocked && courier_wanted(&p->courier) != 0;
    sd_event_source_set_enabled(p->more, more ? SD_EVENT_ONESHOT : SD_EVENT_OFF);
    arm_patience(p);
}

bool publisher_is_connected(const struct publisher *p)
{
    return p->session != NULL && session_is_connected(p->session);
}

bool publisher_is_idle(const struct publisher *p)
{
    int enabled = SD_EVENT_OFF;
    sd_event_source_get_enabled(p->more, &enabled);
    return enabled == SD_EVENT_OFF;
}

static int on_more(sd_event_source *source, void *user)
{
    (void)source;
    publisher_pump(user);
    return 0;
}

static int on_patience(sd_event_source *source, uint64_t at_us, void *user)
{
    (void)source;
    (void)at_us;
    struct publisher *p = user;
    courier_tick(&p->courier, clock_transport_us());
    publisher_pump(p);
    return 0;
}

static void publish_presence(struct publisher *p, bool online)
{
    struct feed_presence presence = {.online = online, .since_ms = p->since_ms};
    size_t len;
    snprintf(presence.software, sizeof presence.software, "%s", EDGEROW_VERSION);
    if (feed_presence_encode(&presence, p->text, sizeof p->text, &len) == 0)
        (void)session_publish(p->session, p->presence_topic, p->text, len, true, NULL);
}

static void on_connected(void *user, bool session_present)
{
    (void)session_present;
    struct publisher *p = user;
    publish_presence(p, true);
    p->events.connected(p->events.user);
    courier_connected(&p->courier);
    publisher_pump(p);
}

static void on_disconnected(void *user, const char *why)
{
    struct publisher *p = user;
    log_warning("%s Frames are kept in the spool meanwhile.", why);
    p->blocked = true;
    sd_event_source_set_enabled(p->more, SD_EVENT_OFF);
    arm_patience(p);
}

static void say_ignored(struct publisher *p, const char *topic, const char *why)
{
    uint64_t held;
    if (log_gate_open(&p->ignored_gate, clock_transport_us(), &held))
        log_warning("A stored mark in %s was ignored: %s (%llu more since the last such line).",
                    topic, why, (unsigned long long)held);
}

static void say_refused(struct publisher *p, const char *collector, const struct feed_mark *mark)
{
    uint64_t held;
    struct spool_state state;
    spool_state(p->spool, &state);
    if (log_gate_open(&p->refused_gate, clock_transport_us(), &held))
        log_error(
            "Collector %s says it has stored rows of spool %s up to %llu with hash %s; this spool "
            "ends at %llu and does not agree. The mark is not obeyed: nothing is forgotten. Was "
            "the "
            "spool restored from a copy, or does the memory card lose writes?",
            collector, mark->spool, (unsigned long long)mark->n, mark->hash,
            (unsigned long long)state.last);
}

static void say_renewed(struct publisher *p)
{
    struct spool_state state;
    spool_state(p->spool, &state);
    log_warning("The spool goes on as %s, and what it holds from row %llu on is published again.",
                state.id, (unsigned long long)state.oldest);
}

static void complain_down(struct publisher *p, const char *topic, const char *why)
{
    uint64_t held;
    if (log_gate_open(&p->down_gate, clock_transport_us(), &held))
        log_warning("A message in %s was not obeyed: %s (%llu more since the last such line).",
                    topic, why, (unsigned long long)held);
}

static bool unit_of(const struct feed_topic *topic, uint32_t *devaddr)
{
    if (strlen(topic->other) != 8 || strspn(topic->other, "0123456789abcdefABCDEF") != 8)
        return false;
    *devaddr = (uint32_t)strtoul(topic->other, NULL, 16);
    return true;
}

static void take_lease(struct publisher *p, const char *topic, uint32_t devaddr,
                       const void *payload, size_t len)
{
    struct feed_lease lease;
    struct feed_fault fault;
    if (len == 0)
        return; /* cleared: what was leased runs out */
    if (feed_lease_decode(payload, len, &lease, &fault) != 0)
        complain_down(p, topic, feed_error_text(fault.error));
    else if (lease.devaddr != devaddr)
        complain_down(p, topic, "it speaks of another unit than its topic");
    else
        p->events.lease(p->events.user, &lease);
}

static void take_order(struct publisher *p, const char *topic, uint32_t devaddr,
                       const void *payload, size_t len)
{
    struct feed_order order;
    struct feed_fault fault;
    if (len == 0)
        p->events.order(p->events.user, devaddr, NULL);
    else if (feed_order_decode(payload, len, &order, &fault) != 0)
        complain_down(p, topic, feed_error_text(fault.error));
    else if (order.devaddr != devaddr)
        complain_down(p, topic, "it speaks of another unit than its topic");
    else
        p->events.order(p->events.user, devaddr, &order);
}

static void take_down(struct publisher *p, const char *topic, const struct feed_topic *parsed,
                      const void *payload, size_t len)
{
    uint32_t devaddr;
    if (!unit_of(parsed, &devaddr))
        complain_down(p, topic, "its last level is no address of 8 hex digits");
    else if (parsed->kind == FEED_TOPIC_LEASE)
        take_lease(p, topic, devaddr, payload, len);
    else
        take_order(p, topic, devaddr, payload, len);
}

static void on_message(void *user, const char *topic, const void *payload, size_t len,
                       bool retained)
{
    struct publisher *p = user;
    struct feed_topic parsed;
    struct feed_mark mark;
    if (feed_topic_parse(topic, &parsed) != 0)
        return;
    if (parsed.kind == FEED_TOPIC_LEASE || parsed.kind == FEED_TOPIC_ORDER) {
        take_down(p, topic, &parsed, payload, len);
        return;
    }
    if (parsed.kind != FEED_TOPIC_STORED || len == 0)
        return;
    enum courier_heard heard = courier_hear(&p->courier, parsed.other, payload, len, retained,
                                            clock_transport_us(), &mark);
    switch (heard) {
    case COURIER_UNREADABLE:
        say_ignored(p, topic, "it cannot be read");
        break;
    case COURIER_STRANGER:
        say_ignored(p, topic, "that collector is not named in [collectors] names");
        break;
    case COURIER_OTHER_SPOOL:
        say_ignored(p, topic, "it speaks of another spool");
        break;
    case COURIER_REFUSED:
        say_refused(p, parsed.other, &mark);
        break;
    case COURIER_RENEWED:
        say_refused(p, parsed.other, &mark);
        say_renewed(p);
        break;
    case COURIER_OBEYED:
    case COURIER_KNOWN:
        break;
    }
}

static bool on_batch(void *user)
{
    struct publisher *p = user;
    p->events.batch(p->events.user);
    publisher_pump(p);
    return true;
}

static void on_sent(void *user, int id)
{
    (void)id;
    struct publisher *p = user;
    if (p->blocked && session_in_flight(p->session) <= COURIER_IN_FLIGHT / 2)
        sd_event_source_set_enabled(p->more, SD_EVENT_ONESHOT);
    if (session_in_flight(p->session) <= COURIER_IN_FLIGHT / 2)
        p->events.room(p->events.user);
}

static int make_topics(struct publisher *p, const struct gateway_settings *settings,
                       char marks_topic[FEED_TOPIC_MAX])
{
    struct feed_topic topic = {.kind = FEED_TOPIC_ROW};
    snprintf(topic.site, sizeof topic.site, "%s", settings->gateway.site);
    snprintf(topic.name, sizeof topic.name, "%s", settings->gateway.name);
    snprintf(p->site, sizeof p->site, "%s", settings->gateway.site);
    snprintf(p->name, sizeof p->name, "%s", settings->gateway.name);
    int error = feed_topic_format(&topic, p->row_topic);
    topic.kind = FEED_TOPIC_GATEWAY_PRESENCE;
    if (error == 0)
        error = feed_topic_format(&topic, p->presence_topic);
    topic.kind = FEED_TOPIC_GATEWAY_HEALTH;
    if (error == 0)
        error = feed_topic_format(&topic, p->health_topic);
    topic.kind = FEED_TOPIC_STORED;
    snprintf(topic.other, sizeof topic.other, "+");
    if (error == 0)
        error = feed_topic_format(&topic, marks_topic);
    return error == 0 ? 0 : -EINVAL;
}

/* One collector decides who speaks to a unit: the one that is named first. */
static int subscribe_down(struct publisher *p, enum feed_topic_kind kind, const char *collector)
{
    char filter[FEED_TOPIC_MAX];
    struct feed_topic topic = {.kind = kind, .other = "+"};
    snprintf(topic.site, sizeof topic.site, "%s", p->site);
    snprintf(topic.name, sizeof topic.name, "%s", collector);
    int error = feed_topic_format(&topic, filter);
    return error != 0 ? -EINVAL : session_subscribe(p->session, filter);
}

static int open_session(struct publisher *p, const struct gateway_settings *settings,
                        const char *marks_topic)
{
    struct feed_presence gone = {.online = false};
    snprintf(gone.software, sizeof gone.software, "%s", EDGEROW_VERSION);
    size_t len;
    if (feed_presence_encode(&gone, p->text, sizeof p->text, &len) != 0)
        return -EINVAL;
    struct session_will will = {.topic = p->presence_topic, .text = p->text};
    struct session_events events = {
        .user = p,
        .connected = on_connected,
        .disconnected = on_disconnected,
        .message = on_message,
        .batch = on_batch,
        .sent = on_sent,
    };
    int error = session_open(&p->session, p->event, &settings->broker, &will, &events);
    if (error == 0)
        error = session_subscribe(p->session, marks_topic);
    if (error == 0)
        error = subscribe_down(p, FEED_TOPIC_LEASE, settings->collectors.name[0]);
    if (error == 0)
        error = subscribe_down(p, FEED_TOPIC_ORDER, settings->collectors.name[0]);
    return error;
}

int publisher_open(struct publisher **publisher, sd_event *event,
                   const struct gateway_settings *settings, struct spool *spool, int64_t now_ms,
                   const struct publisher_events *events)
{
    char marks_topic[FEED_TOPIC_MAX];
    struct publisher *p = calloc(1, sizeof *p);
    if (p == NULL)
        return -ENOMEM;
    p->event = sd_event_ref(event);
    p->spool = spool;
    p->since_ms = now_ms;
    p->events = *events;
    courier_start(&p->courier, spool, settings->collectors.count, (uint64_t)settings->spool.window);
    int error = make_topics(p, settings, marks_topic);
    if (error == 0)
        error = sd_event_add_time(event, &p->patience, CLOCK_MONOTONIC, 0, 100000, on_patience, p);
    if (error >= 0)
        error = sd_event_source_set_enabled(p->patience, SD_EVENT_OFF);
    if (error >= 0)
        error = sd_event_add_defer(event, &p->more, on_more, p);
    if (error >= 0)
        error = sd_event_source_set_enabled(p->more, SD_EVENT_OFF);
    if (error >= 0)
        error = open_session(p, settings, marks_topic);
    if (error < 0) {
        publisher_close(p);
        return error;
    }
    *publisher = p;
    return 0;
}

void publisher_close(struct publisher *p)
{
    if (p == NULL)
        return;
    if (p->session != NULL && session_is_connected(p->session))
        publish_presence(p, false);
    session_close(p->session);
    sd_event_source_unref(p->patience);
    sd_event_source_unref(p->more);
    sd_event_unref(p->event);
    free(p);
}

void publisher_health(struct publisher *p, const struct feed_gateway_health *health)
{
    size_t len;
    if (!session_is_connected(p->session))
        return;
    if (feed_gateway_health_encode(health, p->text, sizeof p->text, &len) == 0)
        (void)session_publish(p->session, p->health_topic, p->text, len, true, NULL);
}

bool publisher_held(struct publisher *p, const struct feed_held *held)
{
    char topic_text[FEED_TOPIC_MAX];
    struct feed_topic topic = {.kind = FEED_TOPIC_HELD};
    size_t len;
    if (!session_is_connected(p->session) || session_in_flight(p->session) >= COURIER_IN_FLIGHT)
        return false;
    snprintf(topic.site, sizeof topic.site, "%s", p->site);
    snprintf(topic.name, sizeof topic.name, "%s", p->name);
    snprintf(topic.other, sizeof topic.other, "%08x", held->devaddr);
    if (feed_topic_format(&topic, topic_text) != 0 ||
        feed_held_encode(held, p->text, sizeof p->text, &len) != 0)
        return true; /* our own mistake: saying it again would not help */
    return session_publish(p->session, topic_text, p->text, len, true, NULL) == 0;
}

void publisher_counts(const struct publisher *p, struct publisher_counts *counts)
{
    *counts = (struct publisher_counts){.marks_refused = p->courier.marks_refused,
                                        .marks_ignored = p->courier.marks_ignored};
}
