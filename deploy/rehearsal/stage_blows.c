/* What falls on the programs, how it ends, and who is started again. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "deploy/rehearsal/shut.h"
#include "deploy/rehearsal/stage.h"

enum { COLLECTOR, BROKER, FIRST_GATEWAY };

static struct stage_gateway *gateway_of(struct stage *stage, unsigned p)
{
    return p >= FIRST_GATEWAY ? &stage->gateways[p - FIRST_GATEWAY] : NULL;
}

static struct process *process_of(struct stage *stage, unsigned p)
{
    return p == COLLECTOR ? &stage->collector
           : p == BROKER  ? &stage->broker
                          : &gateway_of(stage, p)->process;
}

static void folder_of(const struct stage *stage, unsigned p, char path[RUNDIR_PATH_MAX])
{
    const char *name = p == COLLECTOR ? "collector"
                       : p == BROKER  ? "broker"
                                      : stage->place->gateways[p - FIRST_GATEWAY].name;
    rundir_path(stage->dir, path, "%s", name);
}

/* What a gateway was given and has not written is gone with it. */
static void start_again(struct stage *stage, unsigned p)
{
    struct stage_gateway *gateway = gateway_of(stage, p);
    struct process *process = process_of(stage, p);
    if (process_start(process) != 0)
        fprintf(stderr, "edgerow-rehearse: %s does not start again.\n", process->name);
    if (gateway == NULL)
        return;
    gateway->unsure = true;
    airlink_drop(&gateway->air);
}

static void kill_one(struct stage *stage, unsigned p, bool emptied)
{
    char path[RUNDIR_PATH_MAX];
    process_kill(process_of(stage, p));
    rundir_path(stage->dir, path, "broker/mosquitto.db");
    if (emptied && unlink(path) != 0 && errno != ENOENT)
        fprintf(stderr, "edgerow-rehearse: %s: %s\n", path, strerror(errno));
    start_again(stage, p);
}

static int shut(struct stage *stage, unsigned p, bool on)
{
    char path[RUNDIR_PATH_MAX];
    folder_of(stage, p, path);
    int error = shut_folder(path, on);
    if (error != 0)
        fprintf(stderr, "edgerow-rehearse: %s cannot be made %s: %s\n", path,
                on ? "read-only" : "writable", strerror(-error));
    return error;
}

void stage_relieve(struct stage *stage, unsigned p)
{
    struct stage_blow *lasting = &stage->blows[p];
    lasting->relief = sd_event_source_disable_unref(lasting->relief);
    if (lasting->stopped)
        process_go_on(process_of(stage, p));
    if (lasting->shut) {
        (void)shut(stage, p, false);
        (void)stage_look_after(stage, p);
    }
    lasting->stopped = lasting->shut = false;
}

void stage_relieve_all(struct stage *stage)
{
    for (unsigned p = 0; p < stage->gateway_count + FIRST_GATEWAY; p++)
        stage_relieve(stage, p);
}

static int on_relief(sd_event_source *source, uint64_t at_us, void *user)
{
    struct stage *stage = user;
    (void)at_us;
    for (unsigned p = 0; p < BLOWS_MAX; p++)
        if (stage->blows[p].relief == source) {
            stage_relieve(stage, p);
            break;
        }
    return 0;
}

/* Only the broker can be emptied. A gateway that is cut off cannot say what it still holds in memory, so that nobody
 * would know what a later kill takes with it: its files stay writable. */
static enum blow_kind fitting(struct stage *stage, unsigned p, enum blow_kind kind)
{
    const struct stage_gateway *gateway = gateway_of(stage, p);
    bool possible = kind == BLOW_EMPTIED     ? p == BROKER
                    : kind == BLOW_READ_ONLY ? gateway == NULL || !gateway->cut
                                             : true;
    return possible ? kind : BLOW_KILL;
}

static bool is_off(const struct stage *stage, unsigned p)
{
    return p >= FIRST_GATEWAY && !stage->gateways[p - FIRST_GATEWAY].powered;
}

void stage_strike(struct stage *stage, unsigned p, const struct blow *blow)
{
    struct stage_blow *lasting = &stage->blows[p];
    enum blow_kind kind = fitting(stage, p, blow->kind);
    if (is_off(stage, p))
        return;
    stage_relieve(stage, p);
    stage->struck[kind]++;
    if (kind == BLOW_KILL || kind == BLOW_EMPTIED) {
        kill_one(stage, p, kind == BLOW_EMPTIED);
        return;
    }
    if (kind == BLOW_STOP)
        process_stop(process_of(stage, p));
    else
        (void)shut(stage, p, true);
    lasting->stopped = kind == BLOW_STOP;
    lasting->shut = kind == BLOW_READ_ONLY;
    sd_event_add_time_relative(stage->event, &lasting->relief, CLOCK_MONOTONIC, blow->for_us, 1,
                               on_relief, stage);
}

/* ---- who is still there ---- */

static void show_log(const struct process *process)
{
    char command[640];
    fprintf(stderr, "The last lines of %s:\n", process->log);
    snprintf(command, sizeof command, "tail -n 8 '%s' >&2", process->log);
    if (system(command) != 0)
        fprintf(stderr, "(none)\n");
}

bool stage_look_after(struct stage *stage, unsigned p)
{
    struct process *process = process_of(stage, p);
    int how = 0;
    if (process->pid == 0 || process_running(process, &how))
        return true;
    if (stage->blows[p].shut) {
        stage->ended_shut++;
        start_again(stage, p);
        return true;
    }
    fprintf(stderr, "edgerow-rehearse: %s ended by itself (wait status 0x%x).\n", process->name,
            (unsigned)how);
    show_log(process);
    return false;
}
