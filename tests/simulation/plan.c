#include "tests/simulation/plan.h"

#include <string.h>

#include "tests/simulation/chance.h"

enum { DAY_S = 86400 };

static const char *const names[FAULTS] = {
    [FAULT_AIR] = "air",
    [FAULT_REPEAT] = "repeat",
    [FAULT_HOSTILE] = "hostile",
    [FAULT_GATEWAY_KILL] = "gateway-kill",
    [FAULT_GATEWAY_POWER] = "gateway-power",
    [FAULT_GATEWAY_CLOCK] = "gateway-clock",
    [FAULT_GATEWAY_DISK] = "gateway-disk",
    [FAULT_SPOOL_FULL] = "spool-full",
    [FAULT_SPOOL_COPY] = "spool-copy",
    [FAULT_SPOOL_LOST] = "spool-lost",
    [FAULT_COLLECTOR_KILL] = "collector-kill",
    [FAULT_COLLECTOR_POWER] = "collector-power",
    [FAULT_COLLECTOR_CLOCK] = "collector-clock",
    [FAULT_COLLECTOR_DISK] = "collector-disk",
    [FAULT_STORE_LOST] = "store-lost",
    [FAULT_STORE_COPY] = "store-copy",
    [FAULT_BROKER_KILL] = "broker-kill",
    [FAULT_BROKER_QUEUE] = "broker-queue",
    [FAULT_NETWORK_CUT] = "network-cut",
    [FAULT_NETWORK_MESS] = "network-mess",
    [FAULT_MAIL] = "mail",
    [FAULT_ROSTER] = "roster",
    [FAULT_STATION] = "station",
    [FAULT_PRUNE] = "prune",
};

const char *fault_name(enum fault fault)
{
    return names[fault];
}

enum fault fault_named(const char *name, unsigned len)
{
    for (int i = 0; i < FAULTS; i++)
        if (strlen(names[i]) == len && strncmp(names[i], name, len) == 0)
            return (enum fault)i;
    return FAULTS;
}

bool plan_has(const struct plan *plan, enum fault fault)
{
    return (plan->faults >> fault & 1) != 0;
}

/* Kinds that are faults of their own kind of luck: not in every run. */
static double likely(enum fault fault)
{
    switch (fault) {
    case FAULT_SPOOL_FULL:
    case FAULT_SPOOL_COPY:
    case FAULT_SPOOL_LOST:
    case FAULT_STORE_LOST:
    case FAULT_STORE_COPY:
    case FAULT_COLLECTOR_CLOCK:
    case FAULT_PRUNE:
        return 0.15;
    case FAULT_AIR:
        return 0.9;
    default:
        return 0.5;
    }
}

/* A lost store can only be filled again from histories that nothing has shortened. */
static void exclude(struct plan *plan)
{
    bool store = plan_has(plan, FAULT_STORE_LOST) || plan_has(plan, FAULT_STORE_COPY);
    if (store)
        plan->faults &= ~(1U << FAULT_SPOOL_FULL | 1U << FAULT_PRUNE | 1U << FAULT_COLLECTOR_CLOCK);
    if (plan_has(plan, FAULT_SPOOL_FULL))
        plan->faults &= ~(1U << FAULT_SPOOL_COPY | 1U << FAULT_SPOOL_LOST);
}

/* Most sites are small: a fault finds as much there, and a week of a large one costs several times as much. Only a
 * spool needs many stations to fill. */
static void shrink_site(struct plan *plan)
{
    struct chance chance = chance_stream(plan->seed, 8);
    if (chance_of(&chance, 0.3) || plan_has(plan, FAULT_SPOOL_FULL))
        return;
    plan->stations = 1 + (plan->stations - 1) / 4;
    plan->gateways = 1 + (plan->gateways - 1) / 2;
}

void plan_make(struct plan *plan, uint64_t seed, uint32_t allowed)
{
    static const unsigned intervals[] = {15, 30, 60, 60, 60};
    struct chance chance = chance_stream(seed, 1);
    *plan = (struct plan){.seed = seed, .days = 7};
    plan->stations = 1 + chance_below(&chance, PLAN_STATIONS);
    plan->gateways = 1 + chance_below(&chance, PLAN_GATEWAYS);
    plan->collectors = 1 + chance_of(&chance, 0.3);
    plan->interval_min = intervals[chance_below(&chance, 5)];
    plan->window = 4 + chance_below(&chance, chance_of(&chance, 0.1) ? 200 : 24);
    plan->keep_s = 2 * DAY_S;
    for (int i = 0; i < FAULTS; i++)
        if (chance_of(&chance, likely((enum fault)i)))
            plan->faults |= 1U << i;
    plan->faults &= allowed;
    shrink_site(plan);
    plan_settle(plan);
}

void plan_settle(struct plan *plan)
{
    struct chance chance = chance_stream(plan->seed, 6);
    exclude(plan);
    plan->queue_max = 40 + chance_below(&chance, 140);
    plan->history_s = (int64_t)chance_below(&chance, 48) * 3600;
    plan->spool_kib = 256 + chance_below(&chance, 128);
    if (!plan_has(plan, FAULT_BROKER_QUEUE))
        plan->queue_max = 1000;
    if (plan_has(plan, FAULT_STORE_LOST) || plan_has(plan, FAULT_STORE_COPY))
        plan->history_s = 60 * DAY_S;
    if (!plan_has(plan, FAULT_SPOOL_FULL))
        plan->spool_kib = 16384;
}
