/* What comes in: rows by the batch, presence and health of gateways. */
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/daemon/daemon.h"
#include "protocol/feed/health.h"
#include "protocol/feed/presence.h"
#include "protocol/feed/topic.h"

static const enum feed_topic_kind kinds[] = {FEED_TOPIC_ROW,
                                             FEED_TOPIC_GATEWAY_PRESENCE,
                                             FEED_TOPIC_GATEWAY_HEALTH,
                                             FEED_TOPIC_TRAP,
                                             FEED_TOPIC_BLOCK,
                                             FEED_TOPIC_NOTICE};

static int subscribe_units(struct daemon *daemon, enum feed_topic_kind kind, const char *name)
{
    struct feed_topic topic = {.kind = kind, .other = "+"};
    char filter[FEED_TOPIC_MAX];
    snprintf(topic.site, sizeof topic.site, "%s", daemon->site.site);
    snprintf(topic.name, sizeof topic.name, "%s", name);
    int error = feed_topic_format(&topic, filter);
    return error ? error : session_subscribe(daemon->session, filter);
}

int daemon_subscribe(struct daemon *daemon)
{
    int error = subscribe_units(daemon, FEED_TOPIC_HELD, "+");
    if (!error)
        error = subscribe_units(daemon, FEED_TOPIC_LEASE, daemon->site.collector);
    if (!error)
        error = subscribe_units(daemon, FEED_TOPIC_ORDER, daemon->site.collector);
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0] && !error; i++) {
        struct feed_topic topic = {.kind = kinds[i], .name = "+"};
        char filter[FEED_TOPIC_MAX];
        snprintf(topic.site, sizeof topic.site, "%s", daemon->site.site);
        error = feed_topic_format(&topic, filter);
        if (!error)
            error = session_subscribe(daemon->session, filter);
    }
    return error;
}

static void take_health(struct daemon *daemon, const char *gateway, const char *text, size_t len)
{
    struct feed_gateway_health health;
    struct feed_fault fault;
    if (feed_gateway_health_decode(text, len, &health, &fault)) {
        log_debug("The health message of gateway %s cannot be read (%s).", gateway, fault.where);
        return;
    }
    leasing_health(daemon, gateway, &health);
    judging_hear_health(daemon->judging, gateway, &health,
                        ingest_caught_up(daemon->ingest, gateway, health.spool, health.last_n));
}

static void take_presence(const char *gateway, const char *text, size_t len)
{
    struct feed_presence presence;
    struct feed_fault fault;
    if (feed_presence_decode(text, len, &presence, &fault) == 0)
        log_info("Gateway %s is %s.", gateway, presence.online ? "there" : "gone");
}

static void take_message(void *user, const char *topic_text, const void *payload, size_t len,
                         bool retained)
{
    struct daemon *daemon = user;
    struct feed_topic topic;
    if (feed_topic_parse(topic_text, &topic) || strcmp(topic.site, daemon->site.site) != 0)
        return;
    if (topic.kind == FEED_TOPIC_ROW)
        (void)ingest_take(daemon->ingest, topic.name, payload, len, daemon_now_s(daemon));
    else if (topic.kind == FEED_TOPIC_GATEWAY_HEALTH)
        take_health(daemon, topic.name, payload, len);
    else if (topic.kind == FEED_TOPIC_GATEWAY_PRESENCE)
        take_presence(topic.name, payload, len);
    else if (topic.kind == FEED_TOPIC_HELD || topic.kind == FEED_TOPIC_LEASE ||
             topic.kind == FEED_TOPIC_ORDER)
        leasing_message(daemon, &topic, payload, len);
    else if (retained && len > 0) /* a state of a former roster, or of a time before this store */
        daemon_clear_unknown(daemon, topic.kind, topic.name);
}

static void say_store_failed(struct daemon *daemon, int error)
{
    uint64_t held;
    char detail[200];
    snprintf(detail, sizeof detail,
             "Reports cannot be stored (%s: %s). They wait with the gateways and come again.",
             daemon->site.store, strerror(-error));
    if (log_gate_open(&daemon->store_gate, clock_transport_us(), &held))
        log_error("%s (%" PRIu64 " more of these)", detail, held);
    daemon_condition(daemon, FEED_NOTICE_COLLECTOR, "site", "store", true, detail);
    daemon->store_failing = true;
}

static bool finish_batch(void *user)
{
    struct daemon *daemon = user;
    int error = ingest_finish(daemon->ingest, clock_transport_us());
    if (error) {
        say_store_failed(daemon, error);
        return false;
    }
    if (daemon->store_failing) {
        daemon_condition(daemon, FEED_NOTICE_COLLECTOR, "site", "store", false, "");
        daemon->store_failing = false;
        log_info("Reports are stored again.");
    }
    leasing_look(daemon);
    daemon_flush(daemon);
    return true;
}

static void connected(void *user, bool session_present)
{
    struct daemon *daemon = user;
    char *topic, *text;
    (void)session_present;
    log_info("Connected to the broker %s.", daemon->site.broker.host);
    daemon_presence(daemon, true, &topic, &text);
    if (topic)
        outlet_put(&daemon->marks, topic, text, strlen(text));
    free(topic);
    free(text);
    ingest_say_marks(daemon->ingest);
    leasing_connected(daemon);
    judging_connection(daemon->judging, true, daemon_now_s(daemon));
    if (daemon->judged)
        judging_say_all(daemon->judging);
    daemon_say_health(daemon);
    daemon_flush(daemon);
    if (daemon->held) {
        daemon->held = false;
        clock_release(daemon->clock);
    }
}

static void disconnected(void *user, const char *why)
{
    struct daemon *daemon = user;
    uint64_t held;
    judging_connection(daemon->judging, false, daemon_now_s(daemon));
    if (log_gate_open(&daemon->connection_gate, clock_transport_us(), &held))
        log_warning("The connection to the broker ended: %s", why);
}

static void sent(void *user, int id)
{
    struct daemon *daemon = user;
    if (daemon->leaving && id == daemon->leave_message)
        sd_event_exit(daemon->event, 0);
    else
        daemon_flush(daemon);
}

const struct session_events daemon_session_events = {.connected = connected,
                                                     .disconnected = disconnected,
                                                     .message = take_message,
                                                     .batch = finish_batch,
                                                     .sent = sent};

static void report_heard(void *user, const char *gateway, const struct feed_frame *frame,
                         const struct air_report *report, bool first)
{
    struct daemon *daemon = user;
    struct judging_report heard = {.devaddr = frame->devaddr,
                                   .key_check = frame->key_check,
                                   .fcnt = frame->fcnt,
                                   .heard_ms = frame->heard_ms,
                                   .first = first,
                                   .unsure = !frame->synchronised,
                                   .gateway = gateway,
                                   .report = report};
    judging_hear(daemon->judging, &heard);
    leasing_heard(daemon, gateway, frame, report);
}

static struct daemon_trouble *trouble_of(struct daemon *daemon, const char *subject,
                                         const char *item)
{
    for (size_t i = 0; i < daemon->trouble_count; i++)
        if (strcmp(daemon->troubles[i].subject, subject) == 0 &&
            strcmp(daemon->troubles[i].item, item) == 0)
            return &daemon->troubles[i];
    if (daemon->trouble_count == DAEMON_TROUBLES_MAX)
        return NULL;
    return &daemon->troubles[daemon->trouble_count++];
}

static void take_trouble(void *user, const char *gateway, const char *item, bool present,
                         const char *detail)
{
    struct daemon *daemon = user;
    struct daemon_trouble *trouble = trouble_of(daemon, gateway, item);
    daemon_condition(daemon, FEED_NOTICE_DATA, gateway, item, present, detail);
    if (!trouble)
        return;
    snprintf(trouble->subject, sizeof trouble->subject, "%s", gateway);
    snprintf(trouble->item, sizeof trouble->item, "%s", item);
    trouble->last_s = daemon_now_s(daemon);
}

const struct ingest_events daemon_ingest_events = {
    .mark = daemon_say_mark, .heard = report_heard, .trouble = take_trouble};
