#include "collector/daemon/daemon.h"
#include "collector/store/entered.h"

#include <errno.h>
#include <inttypes.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <systemd/sd-daemon.h>

#define JUDGE_US    INT64_C(300000000) /* judging and heartbeat, event time */
#define FAREWELL_US UINT64_C(2000000)  /* for the last message, transport time */

enum { DAY_S = 86400, HOUR_S = 3600 };

int64_t daemon_now_s(const struct daemon *daemon)
{
    return clock_event_us(daemon->clock) / 1000000;
}

void daemon_condition(struct daemon *daemon, enum feed_notice_kind kind, const char *subject,
                      const char *item, bool present, const char *detail)
{
    if (daemon->judging)
        judging_condition(daemon->judging, kind, subject, item, present, detail);
}

static int check_secret(const char *path)
{
    struct settings_fault fault;
    int error = path && *path ? settings_secret_check(path, &fault) : 0;
    if (error)
        log_error("%s", fault.text);
    return error;
}

static int check_secrets(const struct site_settings *site)
{
    int error = check_secret(site->broker.password_file);
    for (unsigned i = 0; i < site->mail_count && !error; i++)
        error = check_secret(site->mails[i].password_file);
    return error;
}

static void say_faults(const struct roster_fault *fault)
{
    const char *at = fault->text;
    unsigned said = 0;
    while (*at) {
        size_t len = strcspn(at, "\n");
        log_error("%.*s", (int)len, at);
        said++;
        at += len + (at[len] == '\n');
    }
    if (said < fault->count)
        log_error("And %u more of these.", fault->count - said);
}

int daemon_configure(struct daemon *daemon, const char *path)
{
    struct settings_fault fault;
    struct roster_fault roster_fault;
    int error = site_read(path, &daemon->site, &fault);
    if (error) {
        log_error("%s", fault.text);
        return error;
    }
    error = zone_open(daemon->site.time_zone, &daemon->zone);
    if (error) {
        log_error(
            "%s: [site] time_zone = %s is not a time zone this machine knows: use a name such as "
            "Europe/Rome or America/Los_Angeles, and install tzdata.",
            path, daemon->site.time_zone);
        return error;
    }
    error = roster_read_in(daemon->site.stations, daemon->site.blocks, daemon->zone,
                           &daemon->roster, &roster_fault);
    if (error)
        say_faults(&roster_fault);
    return error ? error : check_secrets(&daemon->site);
}

static void end_old_troubles(struct daemon *daemon, int64_t now_s)
{
    size_t kept = 0;
    for (size_t i = 0; i < daemon->trouble_count; i++) {
        const struct daemon_trouble *trouble = &daemon->troubles[i];
        if (now_s - trouble->last_s < DAY_S)
            daemon->troubles[kept++] = *trouble;
        else
            daemon_condition(daemon, FEED_NOTICE_DATA, trouble->subject, trouble->item, false, "");
    }
    daemon->trouble_count = kept;
}

/* What is due now is on its way already: the end of that transfer arms the timer again. */
static void arm_delivery(struct daemon *daemon)
{
    int64_t next_s = delivery_next_s(daemon->delivery);
    if (next_s > daemon_now_s(daemon) && next_s < INT64_MAX / 1000000)
        clock_timer_arm(daemon->delivery_timer, next_s * 1000000);
    else
        clock_timer_disarm(daemon->delivery_timer);
}

static void look_at_delivery(struct daemon *daemon)
{
    (void)delivery_look(daemon->delivery);
    arm_delivery(daemon);
}

static void delivery_due(void *user, int64_t now_us)
{
    (void)now_us;
    look_at_delivery(user);
}

/* Once an hour: memory that a normal day does not need, and rows too old to keep. */
static void tidy(struct daemon *daemon, int64_t now_s)
{
    bool left = false;
    daemon->trimmed_s = now_s;
    store_trim(daemon->store, now_s);
    if (!clock_synchronised(daemon->clock))
        return;
    int error = store_prune(daemon->store, now_s - daemon->site.keep_days * DAY_S, now_s, &left);
    if (error)
        log_error("Old rows could not be removed: %s.", strerror(-error));
    daemon_condition(
        daemon, FEED_NOTICE_COLLECTOR, "site", "sums", error == -EBADMSG,
        "Stored hours do not add up to a station's counter. Please report this with the log.");
}

/* Without a believed clock every silence and every date would be in doubt. */
static bool may_judge(struct daemon *daemon)
{
    bool may = clock_synchronised(daemon->clock);
    if (may == daemon->clock_doubted) {
        daemon->clock_doubted = !may;
        if (may)
            log_info("The machine's clock is synchronised: judging goes on.");
        else
            log_warning("The machine's clock is not synchronised (see timedatectl): reports are "
                        "stored, but "
                        "traps and stations are not judged until it is.");
    }
    return may;
}

static void judge(struct daemon *daemon, int64_t now_s)
{
    end_old_troubles(daemon, now_s);
    if (may_judge(daemon) && judging_run(daemon->judging, now_s) == 0) {
        daemon->judged = true;
        look_at_delivery(daemon);
    }
    daemon_say_health(daemon);
    leasing_look(daemon);
    if (now_s - daemon->trimmed_s >= HOUR_S)
        tidy(daemon, now_s);
    daemon_flush(daemon);
}

static void judge_due(void *user, int64_t now_us)
{
    struct daemon *daemon = user;
    judge(daemon, now_us / 1000000);
    clock_timer_arm(daemon->judge_timer, (now_us / JUDGE_US + 1) * JUDGE_US);
}

/* The machine's clock was set: what was armed for the old one is armed anew. */
static void clock_stepped(void *user, int64_t by_us)
{
    struct daemon *daemon = user;
    log_warning("The clock was set by %" PRId64 " s.", by_us / 1000000);
    clock_timer_arm(daemon->judge_timer, clock_event_us(daemon->clock));
}

static int64_t delivery_now_s(void *user)
{
    return daemon_now_s(user);
}

static void delivery_busy(void *user, bool busy)
{
    struct daemon *daemon = user;
    if (busy) {
        clock_hold(daemon->clock);
        return;
    }
    if (daemon->delivery)
        arm_delivery(daemon);
    clock_release(daemon->clock);
}

static void delivery_trouble(void *user, const char *delivery, const char *why)
{
    char item[64];
    snprintf(item, sizeof item, "mail-%s", delivery);
    daemon_condition(user, FEED_NOTICE_COLLECTOR, "site", item, why != NULL, why ? why : "");
}

static int open_store(struct daemon *daemon, int64_t now_s)
{
    struct settings_fault fault;
    int error =
        store_open(&daemon->store, daemon->site.store, daemon->zone, daemon->roster, now_s, &fault);
    if (error) {
        log_error("%s", fault.text);
        return error;
    }
    /* Without the second file reports are stored all the same. */
    if (entered_sync(store_db(daemon->store), daemon->site.entered, &fault))
        log_error("%s", fault.text);
    error = ingest_open(&daemon->ingest, daemon->store, daemon->roster,
                        &(struct ingest_events){.user = daemon,
                                                .mark = daemon_ingest_events.mark,
                                                .heard = daemon_ingest_events.heard,
                                                .trouble = daemon_ingest_events.trouble});
    return error;
}

/* What was found of the database at this start; nothing ends what an earlier one said. */
static void say_damage(struct daemon *daemon)
{
    const char *aside = store_set_aside(daemon->store);
    bool mended = store_mended(daemon->store);
    char detail[300];
    snprintf(detail, sizeof detail,
             aside ? "The database was damaged. It was moved to %s, and a new one is filled from "
                     "what the gateways still hold. Is the disk or card failing?"
                   : "An index of the database was damaged. It was made anew%s, and nothing is "
                     "lost. Is the disk or card failing?",
             aside ? aside : "");
    daemon_condition(daemon, FEED_NOTICE_COLLECTOR, "site", "damaged", aside || mended, detail);
}

static int open_judging(struct daemon *daemon, int64_t now_s)
{
    struct judging_events events = daemon_judging_events;
    events.user = daemon;
    int error = judging_open(&daemon->judging, store_db(daemon->store), &daemon->site,
                             daemon->roster, &events, now_s);
    if (error)
        return error;
    say_damage(daemon);
    return 0;
}

static int open_delivery(struct daemon *daemon)
{
    struct settings_fault fault;
    struct delivery_events events = {.user = daemon,
                                     .now_s = delivery_now_s,
                                     .busy = delivery_busy,
                                     .trouble = delivery_trouble};
    int error = delivery_open(&daemon->delivery, daemon->event, store_db(daemon->store),
                              &daemon->site, &events, &fault);
    if (error)
        log_error("%s", fault.text);
    return error;
}

static int open_session(struct daemon *daemon)
{
    char *topic, *text;
    struct session_events events = daemon_session_events;
    events.user = daemon;
    daemon_presence(daemon, false, &topic, &text);
    if (!topic)
        return -ENOMEM;
    struct session_will will = {topic, text};
    int error = session_open(&daemon->session, daemon->event, &daemon->site.broker, &will, &events);
    if (!error)
        error = daemon_subscribe(daemon);
    free(topic);
    free(text);
    return error;
}

static int open_timers(struct daemon *daemon)
{
    int error = clock_timer_new(daemon->clock, judge_due, daemon, &daemon->judge_timer);
    if (!error)
        error = clock_timer_new(daemon->clock, delivery_due, daemon, &daemon->delivery_timer);
    if (!error) {
        clock_watch_steps(daemon->clock, clock_stepped, daemon);
        clock_timer_arm(daemon->judge_timer, clock_event_us(daemon->clock));
    }
    return error;
}

/* All that needs to know what time it is. */
static int start(struct daemon *daemon)
{
    int64_t now_s = daemon_now_s(daemon);
    daemon->since_ms = clock_event_us(daemon->clock) / 1000;
    daemon->trimmed_s = now_s;
    int error = open_store(daemon, now_s);
    if (!error)
        error = leasing_open(daemon, now_s);
    if (!error)
        error = open_judging(daemon, now_s);
    if (!error)
        error = ingest_retry(daemon->ingest, now_s);
    if (!error)
        error = open_delivery(daemon);
    if (!error)
        error = open_timers(daemon);
    if (!error)
        error = open_session(daemon);
    return error;
}

static int change_roster(struct daemon *daemon, struct roster *roster)
{
    int64_t now_s = daemon_now_s(daemon);
    int error = store_change_roster(daemon->store, roster, now_s);
    if (error)
        return error;
    error = judging_change_roster(daemon->judging, roster, now_s);
    if (error) {
        (void)store_change_roster(daemon->store, daemon->roster, now_s);
        return error;
    }
    ingest_change_roster(daemon->ingest, roster);
    struct roster *before = daemon->roster;
    daemon->roster = roster;
    daemon_clear_gone(daemon, before);
    roster_free(before);
    if (ingest_retry(daemon->ingest, now_s))
        log_warning("What is kept aside could not be tried again; it will be at the next start.");
    return 0;
}

static void reload(struct daemon *daemon)
{
    struct roster *roster = NULL;
    struct roster_fault fault;
    int error =
        roster_read_in(daemon->site.stations, daemon->site.blocks, daemon->zone, &roster, &fault);
    if (error)
        say_faults(&fault);
    if (!error) {
        error = change_roster(daemon, roster);
        if (error) {
            roster_free(roster);
            snprintf(fault.text, sizeof fault.text,
                     "The changed roster could not be taken over: %s.", strerror(-error));
            log_error("%s", fault.text);
        }
    }
    fault.text[strcspn(fault.text, "\n")] = '\0';
    daemon_condition(daemon, FEED_NOTICE_COLLECTOR, "site", "roster", error != 0, fault.text);
    if (error)
        log_warning("The old roster stays in force.");
    else
        log_info("Took over %zu assignments in %zu blocks.", daemon->roster->assignment_count,
                 daemon->roster->block_count);
    judge(daemon, daemon_now_s(daemon));
}

static int hang_up(sd_event_source *source, const struct signalfd_siginfo *info, void *user)
{
    struct daemon *daemon = user;
    (void)source;
    (void)info;
    if (!daemon->session || daemon->leaving)
        return 0;
    sd_notifyf(0, "RELOADING=1\nMONOTONIC_USEC=%" PRId64, clock_transport_us());
    reload(daemon);
    sd_notify(0, "READY=1");
    return 0;
}

static int farewell_over(sd_event_source *source, uint64_t usec, void *user)
{
    struct daemon *daemon = user;
    (void)source;
    (void)usec;
    return sd_event_exit(daemon->event, 0);
}

/* Says that it goes, and goes when the broker has heard it or takes too long. */
static int terminate(sd_event_source *source, const struct signalfd_siginfo *info, void *user)
{
    struct daemon *daemon = user;
    char *topic, *text;
    (void)source;
    (void)info;
    if (!daemon->session || daemon->leaving || !session_is_connected(daemon->session))
        return sd_event_exit(daemon->event, 0);
    sd_notify(0, "STOPPING=1");
    daemon->leaving = true;
    daemon_presence(daemon, false, &topic, &text);
    int error = topic ? session_publish(daemon->session, topic, text, strlen(text), true,
                                        &daemon->leave_message)
                      : -ENOMEM;
    free(topic);
    free(text);
    if (error || sd_event_add_time_relative(daemon->event, NULL, CLOCK_MONOTONIC, FAREWELL_US, 0,
                                            farewell_over, daemon) < 0)
        return sd_event_exit(daemon->event, 0);
    return 0;
}

static int open_loop(struct daemon *daemon)
{
    sigset_t mask;
    sigemptyset(&mask);
    sigaddset(&mask, SIGTERM);
    sigaddset(&mask, SIGINT);
    sigaddset(&mask, SIGHUP);
    if (sigprocmask(SIG_BLOCK, &mask, NULL))
        return -errno;
    signal(SIGPIPE, SIG_IGN);
    int error = sd_event_default(&daemon->event);
    if (error >= 0)
        error = sd_event_add_signal(daemon->event, &daemon->signals[0], SIGTERM, terminate, daemon);
    if (error >= 0)
        error = sd_event_add_signal(daemon->event, &daemon->signals[1], SIGINT, terminate, daemon);
    if (error >= 0)
        error = sd_event_add_signal(daemon->event, &daemon->signals[2], SIGHUP, hang_up, daemon);
    if (error >= 0)
        error = sd_event_set_watchdog(daemon->event, true);
    return error < 0 ? error : 0;
}

/* A rehearsal says what time it is; until then there is nothing to do. */
static int wait_for_time(struct daemon *daemon)
{
    int error = clock_open(&daemon->clock, daemon->event, daemon->site.follow);
    if (error)
        return error;
    clock_hold(daemon->clock);
    daemon->held = true;
    while (!clock_ready(daemon->clock) && sd_event_get_state(daemon->event) != SD_EVENT_FINISHED) {
        error = sd_event_run(daemon->event, UINT64_MAX);
        if (error < 0)
            return error;
    }
    return 0;
}

int daemon_run(struct daemon *daemon)
{
    damage_watch(&daemon->damage);
    int error = open_loop(daemon);
    if (!error)
        error = wait_for_time(daemon);
    if (!error && sd_event_get_state(daemon->event) == SD_EVENT_FINISHED)
        return 0;
    if (!error)
        error = start(daemon);
    if (!error) {
        log_info("Version %s, site %s, %zu assignments in %zu blocks.", EDGEROW_VERSION,
                 daemon->site.site, daemon->roster->assignment_count, daemon->roster->block_count);
        sd_notify(0, "READY=1");
        daemon->damage.event = daemon->event;
        error = sd_event_loop(daemon->event);
        daemon->damage.event = NULL;
    }
    if (error < 0)
        log_error("The collector ends: %s.", strerror(-error));
    return error;
}

void daemon_free(struct daemon *daemon)
{
    session_close(daemon->session);
    delivery_close(daemon->delivery);
    judging_close(daemon->judging);
    ingest_close(daemon->ingest);
    leasing_close(daemon);
    store_close(daemon->store);
    clock_timer_free(daemon->judge_timer);
    clock_timer_free(daemon->delivery_timer);
    clock_close(daemon->clock);
    for (size_t i = 0; i < 3; i++)
        sd_event_source_unref(daemon->signals[i]);
    sd_event_unref(daemon->event);
    outlet_free(&daemon->marks);
    outlet_free(&daemon->states);
    roster_free(daemon->roster);
    zone_close(daemon->zone);
    site_free(&daemon->site);
}
