#include "gateway/daemon.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>

#include <systemd/sd-daemon.h>
#include <systemd/sd-event.h>

#include "common/clock.h"
#include "common/damage.h"
#include "common/log.h"
#include "gateway/answering.h"
#include "gateway/hearing.h"
#include "gateway/panel/panel.h"
#include "gateway/publish/publisher.h"
#include "gateway/reception.h"
#include "gateway/verify/keyfile.h"

/* Commits of a rehearsal wait until the air is quiet, and come before its clock moves on. */
enum { PRIORITY_IDLE = 50 };

#define SECOND_US INT64_C(1000000)
#define MINUTE_US (60 * SECOND_US)
#define RETRY_US  (5 * SECOND_US)

struct daemon {
    const struct gateway_settings *settings;
    sd_event *event;
    struct clock_source *clock;
    struct clock_timer *minute;
    struct hearing hearing;
    struct spool *spool;
    struct publisher *publisher;
    struct reception *reception;
    struct answering *answering;
    sd_event_source *commit; /* what waits has waited long enough */
    sd_event_source *idle;   /* rehearsal: commit when the air is quiet */
    struct panel *panel;     /* NULL: no light and no button */
    sd_event_source *watchdog;
    uint64_t watchdog_us;
    bool rehearsal;
    bool waiting; /* a commit is arranged */
    int commit_error;
    struct log_gate commit_gate;
    struct damage damage;
};

static int64_t now_s(const struct daemon *d)
{
    return clock_event_us(d->clock) / SECOND_US;
}

static void arm_commit(struct daemon *d, int64_t after_us)
{
    if (d->rehearsal && d->commit_error == 0) {
        sd_event_source_set_enabled(d->idle, SD_EVENT_ONESHOT);
        return;
    }
    sd_event_source_set_time(d->commit, (uint64_t)(clock_transport_us() + after_us));
    sd_event_source_set_enabled(d->commit, SD_EVENT_ONESHOT);
}

static const char *commit_trouble(int error)
{
    return error == 0 ? "" : error == -ENOSPC ? "disk full" : "the spool cannot be written";
}

static void complain_commit(struct daemon *d, int error)
{
    uint64_t held;
    struct spool_state state;
    if (!log_gate_open(&d->commit_gate, clock_transport_us(), &held))
        return;
    spool_state(d->spool, &state);
    log_error(
        "%s: %s; %zu frames wait in memory, where %d fit, and a stop of this service would lose "
        "them. %s",
        d->settings->spool.path, error == -ENOSPC ? "the disk is full" : strerror(-error),
        state.waiting, 4096,
        error == -ENOSPC ? "Free space on that disk, or raise [spool] size_mib."
                         : "Look at the disk: a memory card that fails must be replaced.");
}

/* Writes what waits. On failure everything still waits and is tried again. */
static int commit_now(struct daemon *d)
{
    int error = spool_commit(d->spool, now_s(d));
    if (error != 0) {
        complain_commit(d, error);
    } else if (d->commit_error != 0) {
        log_info("%s: written again; nothing waits any more.", d->settings->spool.path);
    }
    d->commit_error = error;
    d->waiting = error != 0;
    if (d->waiting)
        arm_commit(d, RETRY_US);
    else
        sd_event_source_set_enabled(d->commit, SD_EVENT_OFF);
    publisher_pump(d->publisher);
    return error;
}

static int on_commit(sd_event_source *source, uint64_t at_us, void *user)
{
    (void)source;
    (void)at_us;
    commit_now(user);
    return 0;
}

static int on_idle(sd_event_source *source, void *user)
{
    (void)source;
    commit_now(user);
    return 0;
}

/* A rehearsal stamps its packets by this machine's clock, which it may have set wrong. */
static struct hearing_time time_of(const struct daemon *d, const struct radio_packet *packet)
{
    bool stamped = packet->event_us != 0;
    struct hearing_time time = {.own = stamped && (!d->rehearsal || clock_synchronised(d->clock))};
    int64_t event_us = clock_event_us(d->clock);
    time.event_us = packet->event_us;
    if (!stamped)
        time.event_us = event_us - (clock_transport_us() - packet->transport_us);
    time.boot_us = clock_boot_us(d->clock) - (event_us - time.event_us);
    return time;
}

static void arrange_commit(struct daemon *d)
{
    struct spool_state state;
    spool_state(d->spool, &state);
    if (d->commit_error == 0 && state.waiting >= (size_t)d->settings->spool.commit_rows) {
        commit_now(d);
    } else if (!d->waiting) {
        d->waiting = true;
        arm_commit(d, d->settings->spool.commit_seconds * SECOND_US);
    }
}

static void on_heard(void *user, const struct radio_packet *packet)
{
    struct daemon *d = user;
    struct hearing_outcome outcome;
    struct hearing_time time = time_of(d, packet);
    hearing_packet(&d->hearing, packet, &time, clock_transport_us(), &outcome);
    enum verify_verdict verdict = outcome.result.verdict;
    if (outcome.urgent)
        commit_now(d);
    else if (verdict == VERIFY_ACCEPTED)
        arrange_commit(d);
    bool confirmed = air_frame_is_confirmed(&outcome.result.frame);
    /* Acknowledged is only what is on the disk; a repeat may wait there since its first hearing. */
    if ((verdict == VERIFY_ACCEPTED || verdict == VERIFY_REPEATED) &&
        (!confirmed || d->commit_error == 0))
        answering_heard(d->answering, packet, &outcome.result);
}

static void fill_radio(struct daemon *d, unsigned i, uint32_t stations,
                       struct feed_radio_health *out)
{
    struct radio_counts counts = {0};
    reception_counts(d->reception, i, &counts);
    *out = (struct feed_radio_health){
        .working = counts.working,
        .frames = counts.packets,
        .crc_errors = counts.crc_errors,
        .header_errors = counts.header_errors,
        .ring_full = counts.ring_full,
        .restarts = counts.restarts,
        .deaf_ms = counts.deaf_us / 1000,
        .sent = counts.sent,
        .sent_late = counts.sent_late,
        .overrun = counts.overrun,
        .without_crc = counts.without_crc,
    };
    traffic_report(&d->hearing.traffic, i, stations, clock_event_us(d->clock), out);
    snprintf(out->trouble, sizeof out->trouble, "%s", counts.trouble);
    answering_health(d->answering, i, out);
}

static uint64_t disk_free(const char *path)
{
    char folder[4096];
    struct statvfs fs;
    snprintf(folder, sizeof folder, "%s", path);
    char *slash = strrchr(folder, '/');
    if (slash == NULL || slash == folder)
        return 0;
    *slash = '\0';
    return statvfs(folder, &fs) == 0 ? (uint64_t)fs.f_bavail * fs.f_frsize : 0;
}

static void fill_health(struct daemon *d, int64_t now_us, struct feed_gateway_health *health)
{
    struct spool_state state;
    struct publisher_counts marks;
    const uint64_t *counts = d->hearing.counts;
    spool_state(d->spool, &state);
    publisher_counts(d->publisher, &marks);
    *health = (struct feed_gateway_health){
        .at_ms = now_us / 1000,
        .synchronised = clock_synchronised(d->clock),
        .accepted = counts[VERIFY_ACCEPTED],
        .repeated = counts[VERIFY_REPEATED],
        .replayed = counts[VERIFY_REPLAYED],
        .restarted = counts[VERIFY_RESTARTED],
        .forged = counts[VERIFY_FORGED],
        .unknown = counts[VERIFY_UNKNOWN],
        .unusable = counts[VERIFY_UNUSABLE],
        .last_n = state.last,
        .oldest_n = state.oldest,
        .marked_n = state.marked,
        .thinned = state.given_up,
        .waiting = state.waiting,
        .marks_refused = marks.marks_refused,
        .marks_ignored = marks.marks_ignored,
        .stations = traffic_stations(d->hearing.table, now_us),
        .spool_bytes = state.used_bytes,
        .disk_free_bytes = disk_free(d->settings->spool.path),
        .radio_count = (uint8_t)reception_count(d->reception),
    };
    snprintf(health->run, sizeof health->run, "%s", answering_run(d->answering));
    snprintf(health->spool, sizeof health->spool, "%s", state.id);
    snprintf(health->trouble, sizeof health->trouble, "%s", commit_trouble(d->commit_error));
    for (unsigned i = 0; i < health->radio_count; i++)
        fill_radio(d, i, (uint32_t)health->stations, &health->radios[i]);
}

static void settle_clock(struct daemon *d, int64_t now_us)
{
    struct spool_state state;
    spool_settle_clock(d->spool, now_us / 1000, clock_boot_us(d->clock) / 1000,
                       clock_synchronised(d->clock));
    spool_state(d->spool, &state);
    if (state.waiting > 0)
        arrange_commit(d);
}

static void say_health(struct daemon *d, int64_t now_us)
{
    struct feed_gateway_health health;
    fill_health(d, now_us, &health);
    publisher_health(d->publisher, &health);
}

/* Of its own accord, not only once a minute: the connection came up, or a radio failed or recovered. */
static void say_health_now(void *user)
{
    struct daemon *d = user;
    if (clock_ready(d->clock))
        say_health(d, clock_event_us(d->clock));
}

static void on_connected(void *user)
{
    say_health_now(user);
    answering_connected(((struct daemon *)user)->answering);
}

static void on_lease(void *user, const struct feed_lease *lease)
{
    answering_lease(((struct daemon *)user)->answering, lease);
}

static void on_order(void *user, uint32_t devaddr, const struct feed_order *order)
{
    answering_order(((struct daemon *)user)->answering, devaddr, order);
}

static void on_batch(void *user)
{
    answering_settle(((struct daemon *)user)->answering);
}

static void on_room(void *user)
{
    answering_tell(((struct daemon *)user)->answering);
}

static void on_minute(void *user, int64_t now_us)
{
    struct daemon *d = user;
    settle_clock(d, now_us);
    say_health(d, now_us);
    clock_timer_arm(d->minute, (now_us / MINUTE_US + 1) * MINUTE_US);
}

static void on_step(void *user, int64_t by_us)
{
    struct daemon *d = user;
    int64_t now_us = clock_event_us(d->clock);
    (void)by_us;
    traffic_begin(&d->hearing.traffic);
    clock_timer_arm(d->minute, (now_us / MINUTE_US + 1) * MINUTE_US);
}

/* Reached only when the loop turns; and the loop turns only when no commit, no radio and no message
 * has kept it for longer than the watchdog allows. */
static int on_watchdog(sd_event_source *source, uint64_t at_us, void *user)
{
    struct daemon *d = user;
    (void)at_us;
    sd_notify(0, "WATCHDOG=1");
    sd_event_source_set_time(source, (uint64_t)clock_transport_us() + d->watchdog_us / 2);
    return sd_event_source_set_enabled(source, SD_EVENT_ONESHOT);
}

static int on_end(sd_event_source *source, const struct signalfd_siginfo *info, void *user)
{
    (void)source;
    struct daemon *d = user;
    log_info("Told to end by signal %u.", info->ssi_signo);
    return sd_event_exit(d->event, 0);
}

static int reload_keys(struct daemon *d)
{
    struct verify_table *table;
    struct settings_fault fault;
    int error = keyfile_read(d->settings->keys.file, &table, &fault);
    if (error != 0) {
        log_error("%s The keys in force stay.", fault.text);
        return error;
    }
    /* First what the disk knows, then what this run knows better. */
    error = spool_load_counters(d->spool, table);
    if (error != 0) {
        log_error("%s: the frame counters cannot be read: %s. The keys in force stay.",
                  d->settings->spool.path, strerror(-error));
        verify_table_free(table);
        return error;
    }
    verify_table_inherit(table, d->hearing.table);
    verify_table_free(d->hearing.table);
    d->hearing.table = table;
    answering_reload(d->answering, table);
    log_info("%s: keys of %zu units are in force.", d->settings->keys.file,
             verify_table_count(table));
    return 0;
}

static int on_reload(sd_event_source *source, const struct signalfd_siginfo *info, void *user)
{
    (void)source;
    (void)info;
    reload_keys(user);
    return 0;
}

static int open_keys(struct daemon *d)
{
    struct settings_fault fault;
    int error = keyfile_read(d->settings->keys.file, &d->hearing.table, &fault);
    if (error != 0) {
        log_error("%s", fault.text);
        return error;
    }
    if (verify_table_count(d->hearing.table) == 0)
        log_warning("%s: no unit in it yet: every frame is from an unknown unit.",
                    d->settings->keys.file);
    error = spool_load_counters(d->spool, d->hearing.table);
    if (error != 0)
        log_error("%s: the frame counters cannot be read: %s.", d->settings->spool.path,
                  strerror(-error));
    return error;
}

static int open_spool(struct daemon *d)
{
    struct settings_fault fault;
    clock_boot_id(d->hearing.boot);
    struct spool_options options = {
        .path = d->settings->spool.path,
        .size_bytes = (uint64_t)d->settings->spool.size_mib << 20,
        .history_s = d->settings->spool.history_days * 86400,
        .boot = d->hearing.boot,
        .collectors = &d->settings->collectors,
    };
    int error = spool_open(&d->spool, &options, now_s(d), &fault);
    if (error != 0)
        log_error("%s", fault.text);
    d->hearing.spool = d->spool;
    return error;
}

static int open_radios(struct daemon *d)
{
    struct settings_fault fault;
    struct reception_events events = {.user = d, .heard = on_heard, .changed = say_health_now};
    int error = reception_open(&d->reception, d->event, d->settings, &events, &fault);
    if (error != 0)
        log_error("%s", fault.text);
    return error;
}

static enum light_state light_state(void *user)
{
    struct daemon *d = user;
    bool trouble = d->commit_error != 0;
    for (unsigned i = 0; i < reception_count(d->reception); i++) {
        struct radio_counts counts = {0};
        reception_counts(d->reception, i, &counts);
        trouble = trouble || !counts.working;
    }
    if (trouble)
        return LIGHT_TROUBLE;
    if (!publisher_is_connected(d->publisher))
        return LIGHT_OFFLINE;
    return traffic_stations(d->hearing.table, clock_event_us(d->clock)) == 0 ? LIGHT_UNHEARD
                                                                             : LIGHT_WELL;
}

/* Whoever presses may be about to cut the power. */
static uint32_t on_button(void *user)
{
    struct daemon *d = user;
    uint32_t stations = traffic_stations(d->hearing.table, clock_event_us(d->clock));
    commit_now(d);
    say_health_now(d);
    log_info("The button was pressed: %u stations were heard within the last hour.", stations);
    return stations;
}

/* Nobody goes deaf for want of a light. */
static void open_panel(struct daemon *d)
{
    struct settings_fault fault;
    struct panel_events events = {.user = d, .state = light_state, .pressed = on_button};
    if (panel_open(&d->panel, d->event, &d->settings->panel, &events, &fault) != 0)
        log_error("%s The gateway works without light and button.", fault.text);
}

static int add_timers(struct daemon *d)
{
    int error = sd_event_add_time(d->event, &d->commit, CLOCK_MONOTONIC, 0, 0, on_commit, d);
    if (error >= 0)
        error = sd_event_source_set_enabled(d->commit, SD_EVENT_OFF);
    if (error >= 0)
        error = sd_event_add_defer(d->event, &d->idle, on_idle, d);
    if (error >= 0)
        error = sd_event_source_set_priority(d->idle, PRIORITY_IDLE);
    if (error >= 0)
        error = sd_event_source_set_enabled(d->idle, SD_EVENT_OFF);
    if (error >= 0)
        error = clock_timer_new(d->clock, on_minute, d, &d->minute);
    return error;
}

static int add_signals(struct daemon *d)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGHUP);
    sigprocmask(SIG_BLOCK, &set, NULL);
    signal(SIGPIPE, SIG_IGN);
    int error = sd_event_add_signal(d->event, NULL, SIGTERM, on_end, d);
    if (error >= 0)
        error = sd_event_add_signal(d->event, NULL, SIGINT, on_end, d);
    if (error >= 0)
        error = sd_event_add_signal(d->event, NULL, SIGHUP, on_reload, d);
    return error;
}

static int add_watchdog(struct daemon *d)
{
    if (sd_watchdog_enabled(0, &d->watchdog_us) <= 0)
        return 0;
    return sd_event_add_time(d->event, &d->watchdog, CLOCK_MONOTONIC,
                             (uint64_t)clock_transport_us() + d->watchdog_us / 2, 0, on_watchdog,
                             d);
}

static int open_loop(struct daemon *d)
{
    int error = sd_event_new(&d->event);
    if (error >= 0)
        error = add_signals(d);
    if (error >= 0)
        error = clock_open(&d->clock, d->event, d->settings->rehearsal.clock);
    if (error >= 0)
        error = add_timers(d);
    if (error >= 0)
        error = add_watchdog(d);
    if (error < 0)
        log_error("The event loop cannot be set up: %s.", strerror(-error));
    return error < 0 ? error : 0;
}

static int open_answering(struct daemon *d)
{
    struct answering_parts parts = {.settings = d->settings,
                                    .clock = d->clock,
                                    .spool = d->spool,
                                    .publisher = d->publisher,
                                    .reception = d->reception};
    return answering_open(&d->answering, &parts, d->hearing.table);
}

static int open_all(struct daemon *d)
{
    int error = open_loop(d);
    if (error == 0)
        error = open_spool(d);
    if (error == 0)
        error = open_keys(d);
    if (error == 0) {
        struct publisher_events events = {.user = d,
                                          .connected = on_connected,
                                          .lease = on_lease,
                                          .order = on_order,
                                          .batch = on_batch,
                                          .room = on_room};
        error = publisher_open(&d->publisher, d->event, d->settings, d->spool,
                               clock_event_us(d->clock) / 1000, &events);
        if (error != 0)
            log_error("The connection to the broker cannot be prepared: %s.", strerror(-error));
    }
    traffic_begin(&d->hearing.traffic);
    for (unsigned i = 0; i < d->settings->radio_count; i++)
        d->hearing.coding_rate[i] = (uint8_t)d->settings->radios[i].coding_rate;
    if (error == 0)
        error = open_radios(d);
    if (error == 0)
        error = open_answering(d);
    if (error == 0)
        open_panel(d);
    return error;
}

static void start(struct daemon *d)
{
    struct spool_state state;
    clock_watch_steps(d->clock, on_step, d);
    clock_timer_arm(d->minute, clock_event_us(d->clock));
    spool_state(d->spool, &state);
    log_info(
        "Gateway %s of site %s hears with %u radio(s); keys of %zu units; spool %s holds rows %llu "
        "to %llu.",
        d->settings->gateway.name, d->settings->gateway.site, reception_count(d->reception),
        verify_table_count(d->hearing.table), state.id, (unsigned long long)state.oldest,
        (unsigned long long)state.last);
    sd_notify(0, "READY=1");
}

static void close_all(struct daemon *d)
{
    panel_close(d->panel);
    reception_close(d->reception);
    publisher_close(d->publisher);
    answering_close(d->answering);
    spool_close(d->spool);
    verify_table_free(d->hearing.table);
    sd_event_source_unref(d->commit);
    sd_event_source_unref(d->idle);
    sd_event_source_unref(d->watchdog);
    clock_timer_free(d->minute);
    clock_close(d->clock);
    sd_event_unref(d->event);
}

int daemon_run(const struct gateway_settings *settings)
{
    struct daemon d = {.settings = settings, .rehearsal = settings->rehearsal.clock[0] != '\0'};
    int status = 1;
    damage_watch(&d.damage);
    if (open_all(&d) == 0) {
        start(&d);
        d.damage.event = d.event;
        status = sd_event_loop(d.event);
        if (status < 0)
            log_error("The event loop failed: %s.", strerror(-status));
        d.damage.event = NULL;
        sd_notify(0, "STOPPING=1");
        commit_now(&d);
    }
    close_all(&d);
    return status == 0 ? 0 : 1;
}
