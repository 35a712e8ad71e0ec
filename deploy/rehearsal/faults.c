#include "deploy/rehearsal/faults.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/streams.h"

enum on { ON_UNIT, ON_TRAP, ON_GATEWAY };

struct habit {
    const char *text;
    unsigned group;
    enum on on;
    double per_month;  /* per hundred stations, or per gateway */
    unsigned least;    /* in a rehearsal, so that each shows */
    double mean_hours; /* 0: for good, or in a moment */
};

static const struct habit habits[FAULT_KINDS] = {
    [FAULT_DEAD] = {"station dead", FAULTS_STATIONS, ON_UNIT, 2, 1, 0},
    [FAULT_BATTERY] = {"battery fading", FAULTS_STATIONS, ON_UNIT, 2, 1, 0},
    [FAULT_MUTE] = {"station not heard", FAULTS_STATIONS, ON_UNIT, 3, 1, 30},
    [FAULT_COUNTER_STUCK] = {"counter stuck", FAULTS_STATIONS, ON_UNIT, 1.5, 1, 96},
    [FAULT_LEVEL_STUCK] = {"level stuck", FAULTS_STATIONS, ON_UNIT, 1, 0, 120},
    [FAULT_LEVEL_SENSOR] = {"level sensor faulty", FAULTS_STATIONS, ON_UNIT, 1, 0, 72},
    [FAULT_RESTART] = {"station restarted", FAULTS_STATIONS, ON_UNIT, 8, 1, 0},
    [FAULT_TILT] = {"trap tilted", FAULTS_STATIONS, ON_TRAP, 1.5, 1, 0},
    [FAULT_COUNTER_LOST] = {"counters lost", FAULTS_COUNTERS, ON_UNIT, 5, 2, 0},
    [FAULT_SWAP] = {"units swapped", FAULTS_UNITS, ON_UNIT, 3, 1, 0},
    [FAULT_RENEW] = {"unit replaced", FAULTS_UNITS, ON_UNIT, 2, 1, 0},
    [FAULT_MOVE] = {"trap moved", FAULTS_UNITS, ON_TRAP, 2, 1, 0},
    [FAULT_GATEWAY_POWER] = {"gateway without power", FAULTS_GATEWAYS, ON_GATEWAY, 1, 1, 3},
    [FAULT_GATEWAY_CLOCK] = {"gateway clock wrong", 0, ON_GATEWAY, 0, 0, 0},
    [FAULT_GATEWAY_CUT] = {"gateway cut off", FAULTS_GATEWAYS, ON_GATEWAY, 2, 1, 8},
    [FAULT_RADIO_DEAF] = {"radio deaf", FAULTS_GATEWAYS, ON_GATEWAY, 1, 0, 3},
};

const char *fault_text(enum fault_kind kind)
{
    return habits[kind].text;
}

static unsigned group_of(const char *word, size_t len)
{
    static const struct {
        const char *name;
        unsigned groups;
    } names[] = {{"stations", FAULTS_STATIONS},
                 {"counters", FAULTS_COUNTERS},
                 {"units", FAULTS_UNITS},
                 {"gateways", FAULTS_GATEWAYS},
                 {"all", FAULTS_STATIONS | FAULTS_COUNTERS | FAULTS_UNITS | FAULTS_GATEWAYS}};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (strlen(names[i].name) == len && strncmp(names[i].name, word, len) == 0)
            return names[i].groups;
    }
    return 0;
}

int faults_groups(const char *text, unsigned *groups)
{
    unsigned found = 0;
    for (const char *at = text; strcmp(text, "none") != 0 && at != NULL;) {
        size_t len = strcspn(at, ",");
        unsigned group = group_of(at, len);
        if (group == 0)
            return -EINVAL;
        found |= group;
        at = at[len] == ',' ? at + len + 1 : NULL;
    }
    *groups = found;
    return 0;
}

/* Units that were already moved about stay where they are: a second change of the same one would
 * only blur what the first shows. */
struct planning {
    const struct place *place;
    const struct faults_settings *settings;
    struct dice dice;
    bool *used;
    size_t next_spare;
    struct faults *faults;
};

static size_t pick_unused(struct planning *p)
{
    for (unsigned tries = 0; tries < 1000; tries++) {
        size_t item = dice_below(&p->dice, (uint32_t)p->place->trap_count);
        if (!p->used[item]) {
            p->used[item] = true;
            return item;
        }
    }
    return SIZE_MAX;
}

static size_t pick_other(struct planning *p, enum fault_kind kind)
{
    if (kind == FAULT_SWAP)
        return pick_unused(p);
    if (kind == FAULT_RENEW)
        return p->next_spare < p->place->unit_count ? p->next_spare++ : SIZE_MAX;
    return 0;
}

/* Between a fifth and seven tenths of the time, on a full slice, so that the consequences are seen.
 * Crews swap, replace and move in the morning. */
static int64_t pick_time(struct planning *p, enum fault_kind kind)
{
    double share = dice_between(&p->dice, 0.2, 0.7);
    int64_t at_s = p->settings->start_s + (int64_t)(share * p->settings->days * 86400.0);
    if (habits[kind].group == FAULTS_UNITS)
        at_s = p->settings->start_s + (at_s - p->settings->start_s) / 86400 * 86400 + 8 * 3600;
    return at_s / 300 * 300 * 1000000;
}

/* A board without a battery-backed clock boots with the time at which it stopped, or with that of its
 * software's making. */
static void plan_clock(struct planning *p, const struct fault *power)
{
    size_t outage_s = (size_t)((power->until_us - power->from_us) / 1000000);
    struct fault clock = {.kind = FAULT_GATEWAY_CLOCK,
                          .item = power->item,
                          .other = dice_chance(&p->dice, 0.5) ? outage_s : 200 * 86400,
                          .from_us = power->until_us};
    clock.until_us = clock.from_us + (int64_t)(1 + dice_below(&p->dice, 4)) * 3600000000;
    p->faults->list[p->faults->count++] = clock;
}

/* A boot is named by the kernel, which is the same for all of a rehearsal's: one wrong clock a gateway. */
static bool had_power_cut(const struct planning *p, size_t gateway)
{
    for (size_t f = 0; f < p->faults->count; f++) {
        if (p->faults->list[f].kind == FAULT_GATEWAY_POWER && p->faults->list[f].item == gateway)
            return true;
    }
    return false;
}

static void plan_one(struct planning *p, enum fault_kind kind)
{
    const struct habit *habit = &habits[kind];
    struct fault fault = {.kind = kind, .from_us = pick_time(p, kind)};
    fault.item = habit->on == ON_GATEWAY ? dice_below(&p->dice, (uint32_t)p->place->gateway_count)
                                         : pick_unused(p);
    fault.other = pick_other(p, kind);
    if (fault.item == SIZE_MAX || fault.other == SIZE_MAX)
        return;
    if (kind == FAULT_GATEWAY_POWER && had_power_cut(p, fault.item))
        return;
    double hours =
        habit->mean_hours > 0.0 ? habit->mean_hours * dice_between(&p->dice, 0.7, 1.4) : 0.0;
    fault.until_us =
        habit->mean_hours > 0.0 ? fault.from_us + (int64_t)(hours * 12.0) * 300000000 : INT64_MAX;
    p->faults->list[p->faults->count++] = fault;
    if (kind == FAULT_GATEWAY_POWER)
        plan_clock(p, &fault);
}

static unsigned how_many(struct planning *p, const struct habit *habit)
{
    if ((p->settings->groups & habit->group) == 0)
        return 0;
    double items = habit->on == ON_GATEWAY ? (double)p->place->gateway_count
                                           : (double)p->place->trap_count / 100;
    unsigned count = dice_poisson(&p->dice, habit->per_month * items * p->settings->days / 30.0);
    return count > habit->least ? count : habit->least;
}

static int by_beginning(const void *a, const void *b)
{
    const struct fault *x = a, *y = b;
    if (x->from_us != y->from_us)
        return x->from_us < y->from_us ? -1 : 1;
    return (int)x->kind - (int)y->kind;
}

enum { FAULTS_MAX = 4096 };

int faults_plan(struct faults *faults, const struct place *place,
                const struct faults_settings *settings)
{
    struct planning p = {
        .place = place, .settings = settings, .next_spare = place->trap_count, .faults = faults};
    *faults = (struct faults){.list = calloc(FAULTS_MAX, sizeof *faults->list)};
    p.used = calloc(place->unit_count, sizeof *p.used);
    if (faults->list == NULL || p.used == NULL) {
        free(p.used);
        faults_free(faults);
        return -ENOMEM;
    }
    dice_seed(&p.dice, settings->seed, STREAM_FAULTS, 0);
    for (int kind = 0; kind < FAULT_KINDS; kind++) {
        for (unsigned n = how_many(&p, &habits[kind]); n > 0 && faults->count + 1 < FAULTS_MAX; n--)
            plan_one(&p, (enum fault_kind)kind);
    }
    free(p.used);
    if (faults->count > 0)
        qsort(faults->list, faults->count, sizeof *faults->list, by_beginning);
    return 0;
}

void faults_free(struct faults *faults)
{
    free(faults->list);
    *faults = (struct faults){0};
}
