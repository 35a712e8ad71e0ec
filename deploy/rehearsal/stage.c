#include "deploy/rehearsal/stage.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "deploy/rehearsal/loopback.h"

enum { PATIENCE_S = 90, TURN_US = 5000, CHUNK_BYTES = 16384, NUDGE_AFTER_MS = 100, END_MS = 10000 };

static int64_t real_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static void on_feed(void *user, const char *topic, const char *text, size_t len)
{
    struct stage *stage = user;
    feedview_take(&stage->view, topic, text, len);
}

/* ---- processes ---- */

static int describe(struct stage *stage, struct process *process, const char *name,
                    const char *program, const char *option, const char *config)
{
    char path[RUNDIR_PATH_MAX], settings[RUNDIR_PATH_MAX], log[RUNDIR_PATH_MAX];
    if (program[0] == '/')
        snprintf(path, sizeof path, "%s", program);
    else
        snprintf(path, sizeof path, "%s/%s", stage->dir->options->programs, program);
    rundir_path(stage->dir, settings, "%s", config);
    rundir_path(stage->dir, log, "logs/%s.log", name);
    if (access(path, X_OK) != 0) {
        fprintf(stderr, "edgerow-rehearse: %s: %s: build it, or say where the programs are.\n",
                path, strerror(errno));
        return -ENOENT;
    }
    return process_describe(process, name, log, (const char *[]){path, option, settings, NULL});
}

static bool all_alive(struct stage *stage)
{
    bool good = true;
    for (unsigned p = 0; p < stage->gateway_count + 2 && good; p++)
        good = stage_look_after(stage, p);
    return good;
}

/* ---- waiting ---- */

void stage_turn(struct stage *stage, uint64_t for_us)
{
    sd_event_run(stage->event, for_us);
}

static void reach_radios(struct stage *stage)
{
    for (size_t g = 0; g < stage->gateway_count; g++) {
        if (stage->gateways[g].powered)
            airlink_connect(&stage->gateways[g].air);
    }
}

int stage_wait(struct stage *stage, stage_condition condition, int64_t argument, const char *what)
{
    int64_t begun = real_ms(), looked = begun;
    while (!condition(stage, argument)) {
        stage_turn(stage, TURN_US);
        if (real_ms() - looked < 50)
            continue;
        looked = real_ms();
        reach_radios(stage);
        if (!all_alive(stage))
            return -ECHILD;
        if (looked - begun > PATIENCE_S * 1000) {
            fprintf(stderr, "edgerow-rehearse: waited %d s in vain: %s. Logs: %s/logs.\n",
                    PATIENCE_S, what, stage->dir->path);
            return -ETIMEDOUT;
        }
    }
    return 0;
}

static bool listening(struct stage *stage, int64_t unused)
{
    (void)unused;
    return listener_connected(stage->listener);
}

static bool collector_done(struct stage *stage, int64_t unused)
{
    (void)unused;
    return ticker_connected(stage->collector_ticker) && ticker_done(stage->collector_ticker);
}

static bool gateways_done(struct stage *stage, int64_t unused)
{
    (void)unused;
    for (size_t g = 0; g < stage->gateway_count; g++) {
        const struct stage_gateway *gateway = &stage->gateways[g];
        if (gateway->powered && !(ticker_connected(gateway->ticker) &&
                                  ticker_done(gateway->ticker) && gateway->air.fd >= 0))
            return false;
    }
    return true;
}

static bool covered(struct stage *stage, int64_t since_ms)
{
    for (size_t g = 0; g < stage->gateway_count; g++) {
        const struct stage_gateway *gateway = &stage->gateways[g];
        if (gateway->powered && !gateway->cut &&
            !feedview_covered(&stage->view, g, since_ms - gateway->behind_us / 1000))
            return false;
    }
    return true;
}

/* ---- time goes on ---- */

int stage_tell_collector(struct stage *stage, int64_t now_us)
{
    ticker_tell(stage->collector_ticker, now_us, 0);
    return stage_wait(stage, collector_done, 0, "the collector did not answer the clock");
}

/* In pieces, so that the loop turns and a kill can come in between. */
static void hand_over(struct stage *stage, struct stage_gateway *gateway)
{
    while (gateway->air.used > 0) {
        if (!airlink_push(&gateway->air, CHUNK_BYTES))
            gateway->unsure = true;
        stage_turn(stage, 0);
    }
}

static void tell_all(struct stage *stage, int64_t now_us)
{
    for (size_t g = 0; g < stage->gateway_count; g++) {
        if (stage->gateways[g].powered)
            ticker_tell(stage->gateways[g].ticker, now_us, stage->gateways[g].behind_us);
    }
}

/* Health of this instant may go down with the broker, or be said before a new connection stands; a minute later
 * there is more of it. */
static int nudge(struct stage *stage, int64_t *now_us)
{
    *now_us += 60000000;
    tell_all(stage, *now_us);
    return stage_wait(stage, gateways_done, 0, "a gateway did not answer the clock");
}

static int wait_covered(struct stage *stage, int64_t now_us)
{
    int64_t since_ms = now_us / 1000, nudged = real_ms(), pause_ms = NUDGE_AFTER_MS;
    int result = 0;
    while (result == 0 && pause_ms < PATIENCE_S * 1000 && !covered(stage, since_ms)) {
        stage_turn(stage, TURN_US);
        if (real_ms() - nudged < pause_ms)
            continue;
        nudged = real_ms();
        pause_ms *= 2;
        result = nudge(stage, &now_us);
    }
    return result != 0
               ? result
               : stage_wait(stage, covered, since_ms, "what a gateway has spooled is not stored");
}

int stage_tell_gateways(struct stage *stage, int64_t now_us)
{
    for (size_t g = 0; g < stage->gateway_count; g++)
        hand_over(stage, &stage->gateways[g]);
    tell_all(stage, now_us);
    int result = stage_wait(stage, gateways_done, 0, "a gateway did not answer the clock");
    return result != 0 ? result : wait_covered(stage, now_us);
}

/* ---- faults ---- */

int stage_power_gateway(struct stage *stage, size_t g, bool on, int64_t now_us)
{
    struct stage_gateway *gateway = &stage->gateways[g];
    if (gateway->powered == on)
        return 0;
    stage_relieve(stage, (unsigned)g + 2);
    gateway->powered = on;
    if (!on) {
        process_kill(&gateway->process);
        airlink_drop(&gateway->air);
        return 0;
    }
    ticker_tell(gateway->ticker, now_us, gateway->behind_us);
    int result = process_start(&gateway->process);
    return result != 0 ? result
                       : stage_wait(stage, gateways_done, 0, "a gateway did not come back");
}

void stage_set_behind(struct stage *stage, size_t g, int64_t behind_us)
{
    stage->gateways[g].behind_us = behind_us;
}

void stage_cut_gateway(struct stage *stage, size_t g, bool cut)
{
    stage_relieve(stage, (unsigned)g + 2);
    stage->gateways[g].cut = cut;
    cutter_cut(stage->gateways[g].cutter, cut);
}

/* ---- beginning and end ---- */

static int open_gateway(struct stage *stage, size_t g)
{
    struct stage_gateway *gateway = &stage->gateways[g];
    const char *name = stage->place->gateways[g].name;
    char path[RUNDIR_PATH_MAX], config[96];
    rundir_path(stage->dir, path, "%s.clock", name);
    int result = ticker_open(&gateway->ticker, stage->event, path);
    rundir_path(stage->dir, path, "%s.air", name);
    if (result == 0)
        result = airlink_open(&gateway->air, path);
    snprintf(config, sizeof config, "%s/gateway.ini", name);
    if (result == 0)
        result = describe(stage, &gateway->process, name, "edgerow-gateway", "--config", config);
    return result;
}

/* Each gateway reaches the broker through a wire of its own that can be cut. */
static int lay_wires(struct stage *stage)
{
    stage->dir->broker_port = loopback_free_port();
    stage->dir->mail_port = mailbox_port(stage->mailbox);
    int result = stage->dir->broker_port > 0 ? 0 : stage->dir->broker_port;
    for (size_t g = 0; result == 0 && g < stage->gateway_count; g++) {
        result = cutter_open(&stage->gateways[g].cutter, stage->event, stage->dir->broker_port);
        if (result == 0)
            stage->dir->gateway_port[g] = cutter_port(stage->gateways[g].cutter);
    }
    return result;
}

static int open_parts(struct stage *stage)
{
    char path[RUNDIR_PATH_MAX];
    rundir_path(stage->dir, path, "mailbox");
    int result = mailbox_open(&stage->mailbox, stage->event, path);
    if (result == 0)
        result = lay_wires(stage);
    if (result == 0)
        result = rundir_write(stage->dir);
    rundir_path(stage->dir, path, "collector.clock");
    if (result == 0)
        result = ticker_open(&stage->collector_ticker, stage->event, path);
    for (size_t g = 0; result == 0 && g < stage->gateway_count; g++)
        result = open_gateway(stage, g);
    if (result == 0)
        result = describe(stage, &stage->broker, "broker", stage->dir->options->broker, "-c",
                          "broker/mosquitto.conf");
    if (result == 0)
        result = describe(stage, &stage->collector, "collector", "edgerow-collector", "--config",
                          "site/site.ini");
    return result;
}

static int start_all(struct stage *stage, int64_t now_us)
{
    static const char *filters[] = {"edgerow/+/gateway/+/health", "edgerow/+/stored/+/+",
                                    "edgerow/+/trap/+",           "edgerow/+/block/+",
                                    "edgerow/+/notice/+",         NULL};
    int result = process_start(&stage->broker);
    if (result == 0)
        result = listener_open(&stage->listener, stage->event, stage->dir->broker_port, filters,
                               on_feed, stage);
    if (result == 0)
        result = stage_wait(stage, listening, 0, "the broker does not answer");
    for (size_t g = 0; result == 0 && g < stage->gateway_count; g++) {
        result = process_start(&stage->gateways[g].process);
        stage->gateways[g].powered = result == 0;
    }
    if (result == 0)
        result = process_start(&stage->collector);
    if (result != 0)
        return result;
    tell_all(stage, now_us);
    result = stage_tell_collector(stage, now_us);
    return result != 0 ? result : stage_tell_gateways(stage, now_us);
}

int stage_open(struct stage *stage, struct rundir *dir, int64_t now_us)
{
    *stage =
        (struct stage){.place = dir->place, .dir = dir, .gateway_count = dir->place->gateway_count};
    for (size_t g = 0; g < PLACE_GATEWAYS_MAX; g++)
        stage->gateways[g].air.fd = -1;
    int result = sd_event_new(&stage->event);
    if (result >= 0)
        result = feedview_open(&stage->view, dir->place);
    if (result == 0)
        result = open_parts(stage);
    return result == 0 ? start_all(stage, now_us) : result;
}

/* The loop goes on meanwhile: a program takes leave of the broker and of the mail server. */
static unsigned end_process(struct stage *stage, struct process *process)
{
    int64_t begun = real_ms();
    int how = 0;
    bool was = process->pid != 0;
    process_ask_to_end(process);
    while (process_running(process, &how) && real_ms() - begun < END_MS)
        stage_turn(stage, TURN_US);
    bool bad = was && (process->pid != 0 || how != 0);
    if (bad)
        fprintf(stderr, "edgerow-rehearse: %s did not end well (wait status 0x%x); see %s\n",
                process->name, (unsigned)how, process->log);
    process_kill(process);
    process_forget(process);
    return bad;
}

unsigned stage_close(struct stage *stage)
{
    unsigned bad = 0;
    stage_relieve_all(stage);
    for (size_t g = 0; g < stage->gateway_count; g++)
        bad += end_process(stage, &stage->gateways[g].process);
    bad += end_process(stage, &stage->collector);
    listener_close(stage->listener);
    bad += end_process(stage, &stage->broker);
    for (size_t g = 0; g < stage->gateway_count; g++) {
        ticker_close(stage->gateways[g].ticker);
        airlink_close(&stage->gateways[g].air);
        cutter_close(stage->gateways[g].cutter);
    }
    ticker_close(stage->collector_ticker);
    mailbox_close(stage->mailbox);
    feedview_close(&stage->view);
    sd_event_unref(stage->event);
    return bad;
}
