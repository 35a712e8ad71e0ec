/* What goes out: states, marks, presence and health, all retained. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>

#include "collector/daemon/daemon.h"
#include "protocol/feed/presence.h"

/* The encoder's result under a topic of this site. A message that does not encode is our own mistake, and is
 * said rather than sent. */
static void put(struct daemon *daemon, struct outlet *outlet, enum feed_topic_kind kind,
                const char *name, const char *other, int error, const char *text, size_t len)
{
    struct feed_topic topic = {.kind = kind};
    char topic_text[FEED_TOPIC_MAX];
    snprintf(topic.site, sizeof topic.site, "%s", daemon->site.site);
    snprintf(topic.name, sizeof topic.name, "%s", name);
    snprintf(topic.other, sizeof topic.other, "%s", other);
    if (!error)
        error = feed_topic_format(&topic, topic_text);
    if (error) {
        log_error("The state of \"%s\" cannot be published: %s.", name, feed_error_text(error));
        return;
    }
    outlet_put(outlet, topic_text, text, len);
}

static void say_trap(void *user, const struct feed_trap_state *state)
{
    struct daemon *daemon = user;
    char text[FEED_MESSAGE_MAX];
    size_t len = 0;
    int error = feed_trap_state_encode(state, text, sizeof text, &len);
    put(daemon, &daemon->states, FEED_TOPIC_TRAP, state->trap, "", error, text, len);
}

static void say_block(void *user, const struct feed_block_state *state)
{
    struct daemon *daemon = user;
    char text[FEED_MESSAGE_MAX];
    size_t len = 0;
    int error = feed_block_state_encode(state, text, sizeof text, &len);
    put(daemon, &daemon->states, FEED_TOPIC_BLOCK, state->block, "", error, text, len);
}

static void say_notice(void *user, const struct feed_notice_state *state)
{
    struct daemon *daemon = user;
    char text[FEED_MESSAGE_MAX];
    size_t len = 0;
    int error = state->open ? feed_notice_state_encode(state, text, sizeof text, &len) : 0;
    put(daemon, &daemon->states, FEED_TOPIC_NOTICE, state->notice, "", error, text, len);
}

static bool roster_has(const struct roster *roster, enum feed_topic_kind kind, const char *name)
{
    const struct roster_assignment *any = NULL;
    if (kind == FEED_TOPIC_TRAP)
        return roster_of_trap(roster, name, 0, &any) != NULL || any != NULL;
    for (size_t i = 0; i < roster->block_count; i++)
        if (strcmp(roster->blocks[i].name, name) == 0)
            return true;
    return false;
}

void daemon_clear_unknown(struct daemon *daemon, enum feed_topic_kind kind, const char *name)
{
    bool known = kind == FEED_TOPIC_NOTICE ? judging_notice_open(daemon->judging, name)
                                           : roster_has(daemon->roster, kind, name);
    if (!known)
        put(daemon, &daemon->states, kind, name, "", 0, NULL, 0);
}

void daemon_clear_gone(struct daemon *daemon, const struct roster *before)
{
    for (size_t i = 0; i < before->assignment_count; i++)
        daemon_clear_unknown(daemon, FEED_TOPIC_TRAP, before->assignments[i].trap);
    for (size_t i = 0; i < before->block_count; i++)
        daemon_clear_unknown(daemon, FEED_TOPIC_BLOCK, before->blocks[i].name);
}

const struct judging_events daemon_judging_events = {
    .trap = say_trap, .block = say_block, .notice = say_notice};

void daemon_say_mark(void *user, const char *gateway, const struct feed_mark *mark)
{
    struct daemon *daemon = user;
    char text[FEED_MESSAGE_MAX];
    size_t len = 0;
    int error = feed_mark_encode(mark, text, sizeof text, &len);
    put(daemon, &daemon->marks, FEED_TOPIC_STORED, gateway, daemon->site.collector, error, text,
        len);
}

void daemon_say_lease(struct daemon *daemon, const struct feed_lease *lease)
{
    char text[FEED_MESSAGE_MAX], unit[FEED_NAME_MAX + 1];
    size_t len = 0;
    int error = feed_lease_encode(lease, text, sizeof text, &len);
    snprintf(unit, sizeof unit, "%08x", lease->devaddr);
    put(daemon, &daemon->marks, FEED_TOPIC_LEASE, daemon->site.collector, unit, error, text, len);
}

void daemon_say_order(struct daemon *daemon, uint32_t devaddr, const struct feed_order *order)
{
    char text[FEED_MESSAGE_MAX], unit[FEED_NAME_MAX + 1];
    size_t len = 0;
    int error = order ? feed_order_encode(order, text, sizeof text, &len) : 0;
    snprintf(unit, sizeof unit, "%08x", devaddr);
    put(daemon, &daemon->marks, FEED_TOPIC_ORDER, daemon->site.collector, unit, error,
        order ? text : NULL, len);
}

void daemon_flush(struct daemon *daemon)
{
    outlet_flush(&daemon->marks, daemon->session);
    if (daemon->marks.count == 0)
        outlet_flush(&daemon->states, daemon->session);
}

static uint64_t disk_free_bytes(const char *path)
{
    struct statvfs disk;
    return statvfs(path, &disk) == 0 ? (uint64_t)disk.f_bavail * disk.f_frsize : 0;
}

static void judge_disk(struct daemon *daemon, uint64_t free_bytes)
{
    enum { LOW_MIB = 200 };
    char detail[200];
    bool low = free_bytes < (uint64_t)LOW_MIB << 20;
    snprintf(
        detail, sizeof detail,
        "%llu MB are left on the disk of %s: make room, or what the gateways hear waits with them.",
        (unsigned long long)(free_bytes >> 20), daemon->site.store);
    daemon_condition(daemon, FEED_NOTICE_COLLECTOR, "site", "disk", low, detail);
}

static void judge_quarantine(struct daemon *daemon, uint64_t quarantined)
{
    char detail[200];
    snprintf(detail, sizeof detail,
             "%llu messages cannot be used yet and are kept aside; most often a unit is missing in "
             "stations.csv. \"edgerow status\" lists them.",
             (unsigned long long)quarantined);
    daemon_condition(daemon, FEED_NOTICE_DATA, "site", "quarantine", quarantined > 0, detail);
}

void daemon_say_health(struct daemon *daemon)
{
    struct store_totals totals = {0};
    struct judging_counts judged = {0};
    const struct ingest_counts *counts = ingest_count(daemon->ingest);
    char text[FEED_MESSAGE_MAX];
    size_t len = 0;
    (void)store_total(daemon->store, &totals);
    judging_count(daemon->judging, &judged);
    struct feed_collector_health health = {
        .at_ms = clock_event_us(daemon->clock) / 1000,
        .rows = counts->rows,
        .reports = totals.reports,
        .repeats = counts->repeats + counts->copies,
        .quarantined = totals.quarantined,
        .conflicts = totals.conflicts,
        .ignored = totals.ignored,
        .traps = judged.traps,
        .traps_due = judged.traps_due,
        .stations_silent = judged.stations_silent,
        .notices_open = judged.notices_open,
        .deliveries_waiting = delivery_waiting(daemon->delivery),
        .store_bytes = totals.bytes,
        .disk_free_bytes = disk_free_bytes(daemon->site.store),
    };
    snprintf(health.store, sizeof health.store, "%s", store_id(daemon->store));
    judge_disk(daemon, health.disk_free_bytes);
    judge_quarantine(daemon, health.quarantined);
    int error = feed_collector_health_encode(&health, text, sizeof text, &len);
    put(daemon, &daemon->states, FEED_TOPIC_COLLECTOR_HEALTH, daemon->site.collector, "", error,
        text, len);
}

void daemon_presence(const struct daemon *daemon, bool online, char **topic, char **text)
{
    struct feed_topic name = {.kind = FEED_TOPIC_COLLECTOR_PRESENCE};
    struct feed_presence presence = {.online = online, .since_ms = online ? daemon->since_ms : 0};
    size_t len;
    *topic = malloc(FEED_TOPIC_MAX);
    *text = malloc(FEED_MESSAGE_MAX);
    snprintf(name.site, sizeof name.site, "%s", daemon->site.site);
    snprintf(name.name, sizeof name.name, "%s", daemon->site.collector);
    snprintf(presence.software, sizeof presence.software, "%s", EDGEROW_VERSION);
    if (*topic && *text && feed_topic_format(&name, *topic) == 0 &&
        feed_presence_encode(&presence, *text, FEED_MESSAGE_MAX, &len) == 0)
        return;
    free(*topic);
    free(*text);
    *topic = *text = NULL;
}
