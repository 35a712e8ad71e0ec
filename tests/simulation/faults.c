/* Lays the faults of a run into the queue of events. Each kind has a stream of chance of its own. */
#include "tests/simulation/world.h"

static int64_t moment_us(const struct world *world, struct chance *chance)
{
    return chance_between(chance, BEGIN_US + HOUR_US, world->faults_end_us - 1);
}

/* Mostly short, sometimes long. */
static int64_t away_us(struct chance *chance)
{
    return chance_of(chance, 0.2) ? chance_between(chance, 600, 6 * 3600) * SECOND_US
                                  : chance_between(chance, 1, 120) * SECOND_US;
}

static void kill_gateway(struct world *world, const struct event *event)
{
    world_count(world, FAULT_GATEWAY_KILL);
    barn_kill(world, &world->gateways[event->who], away_us(&world->faults));
}

static void cut_gateway(struct world *world, const struct event *event)
{
    world_count(world, FAULT_GATEWAY_POWER);
    if (event->tag == 0)
        barn_power_cut(world, &world->gateways[event->who], away_us(&world->faults));
    else
        medium_fail(event->who, event->tag, MEDIUM_POWER, true);
}

static void reboot_gateway(struct world *world, const struct event *event)
{
    barn_power_cut(world, &world->gateways[event->who], MINUTE_US);
}

static void heal(struct world *world, const struct event *event)
{
    (void)world;
    if (!medium_power_failed(event->who))
        medium_heal(event->who);
}

static void spoil(struct world *world, unsigned machine, uint64_t nth)
{
    if (nth == 0)
        medium_fill(machine, true);
    else
        medium_fail(machine, nth, MEDIUM_ERROR, chance_of(&world->faults, 0.5));
    world_at(world, world->now_us + away_us(&world->faults), heal, machine, 0, NULL);
}

static void spoil_gateway(struct world *world, const struct event *event)
{
    world_count(world, FAULT_GATEWAY_DISK);
    spoil(world, event->who, event->tag);
}

static void copy_spool(struct world *world, const struct event *event)
{
    struct barn *barn = &world->gateways[event->who];
    medium_copy_free(barn->copy);
    barn->copy = medium_copy_take(event->who);
}

static void put_back_spool(struct world *world, const struct event *event)
{
    world_count(world, FAULT_SPOOL_COPY);
    barn_lose_spool(world, &world->gateways[event->who], true);
    /* Often away for so long that it passes the numbers it had already given. */
    if (chance_of(&world->faults, 0.7))
        world->broker.clients[event->who].cut_until_us =
            world->now_us + chance_between(&world->faults, 1, 72) * HOUR_US;
}

static void lose_spool(struct world *world, const struct event *event)
{
    world_count(world, FAULT_SPOOL_LOST);
    barn_lose_spool(world, &world->gateways[event->who], false);
}

static void kill_collector(struct world *world, const struct event *event)
{
    world_count(world, FAULT_COLLECTOR_KILL);
    office_kill(world, &world->collectors[event->who], away_us(&world->faults));
}

static void cut_collector(struct world *world, const struct event *event)
{
    world_count(world, FAULT_COLLECTOR_POWER);
    if (event->tag == 0)
        office_power_cut(world, &world->collectors[event->who], away_us(&world->faults));
    else
        medium_fail(PLAN_GATEWAYS + event->who, event->tag, MEDIUM_POWER, true);
}

static void reboot_collector(struct world *world, const struct event *event)
{
    office_power_cut(world, &world->collectors[event->who], MINUTE_US);
}

static void spoil_collector(struct world *world, const struct event *event)
{
    world_count(world, FAULT_COLLECTOR_DISK);
    spoil(world, PLAN_GATEWAYS + event->who, event->tag);
}

static void copy_store(struct world *world, const struct event *event)
{
    struct office *office = &world->collectors[event->who];
    medium_copy_free(office->copy);
    office->copy = medium_copy_take(PLAN_GATEWAYS + event->who);
}

static void put_back_store(struct world *world, const struct event *event)
{
    world_count(world, FAULT_STORE_COPY);
    office_lose_store(world, &world->collectors[event->who], true);
}

static void lose_store(struct world *world, const struct event *event)
{
    world_count(world, FAULT_STORE_LOST);
    office_lose_store(world, &world->collectors[event->who], false);
}

static void kill_broker(struct world *world, const struct event *event)
{
    (void)event;
    world_count(world, FAULT_BROKER_KILL);
    broker_kill(world, away_us(&world->faults));
}

/* tag: seconds away; 0: only this connection. */
static void cut_network(struct world *world, const struct event *event)
{
    world_count(world, FAULT_NETWORK_CUT);
    world->broker.clients[event->who].cut_until_us =
        world->now_us + (int64_t)event->tag * SECOND_US;
    client_break(world, event->who);
}

static void mail_fails(struct world *world, const struct event *event)
{
    world->mail_down = event->tag != 0;
}

static void enter_units(struct world *world, const struct event *event)
{
    world_count(world, FAULT_ROSTER);
    office_change_roster(world, &world->collectors[event->who]);
}

typedef void (*strike)(struct world *world, const struct event *event);

/* So many strikes, each at one of the machines. in_write: half of them at the nth operation to come. */
static void scatter(struct world *world, enum fault fault, unsigned times, strike run,
                    unsigned machines, unsigned in_write)
{
    struct chance chance = chance_stream(world->plan.seed, 400 + fault);
    unsigned count = 1 + chance_below(&chance, times);
    for (unsigned i = 0; i < count && plan_has(&world->plan, fault); i++) {
        uint64_t nth =
            chance_of(&chance, 0.5) && in_write > 0 ? 1 + chance_below(&chance, in_write) : 0;
        int64_t at_us = moment_us(world, &chance);
        world_at(world, at_us, run, chance_below(&chance, machines), nth, NULL);
    }
}

/* A copy is taken, and put back later. */
static void plan_copy(struct world *world, enum fault fault, strike take, strike put,
                      unsigned machines)
{
    struct chance chance = chance_stream(world->plan.seed, 400 + fault);
    if (!plan_has(&world->plan, fault))
        return;
    unsigned machine = chance_below(&chance, machines);
    int64_t at_us = moment_us(world, &chance);
    int64_t later_us = at_us + chance_between(&chance, 1, 48 * 60) * MINUTE_US;
    world_at(world, at_us, take, machine, 0, NULL);
    if (later_us < world->faults_end_us)
        world_at(world, later_us, put, machine, 0, NULL);
}

static void plan_network(struct world *world)
{
    struct chance chance = chance_stream(world->plan.seed, 400 + FAULT_NETWORK_CUT);
    unsigned count = 3 + chance_below(&chance, 25);
    for (unsigned i = 0; i < count && plan_has(&world->plan, FAULT_NETWORK_CUT); i++) {
        unsigned g = chance_below(&chance, world->plan.gateways);
        unsigned c = PLAN_GATEWAYS + chance_below(&chance, world->plan.collectors);
        uint64_t away_s = chance_of(&chance, 0.15) ? chance_below(&chance, 3 * 86400)
                                                   : chance_below(&chance, 600);
        int64_t at_us = moment_us(world, &chance);
        world_at(world, at_us, cut_network, chance_of(&chance, 0.5) ? g : c, away_s, NULL);
    }
    /* A spool fills when a collector is long away. */
    for (unsigned c = 0; c < world->plan.collectors && plan_has(&world->plan, FAULT_SPOOL_FULL);
         c++)
        world_at(world, BEGIN_US + chance_between(&chance, 6, 30) * HOUR_US, cut_network,
                 PLAN_GATEWAYS + c, (uint64_t)chance_between(&chance, 2 * 86400, 5 * 86400), NULL);
}

static void plan_mail(struct world *world)
{
    struct chance chance = chance_stream(world->plan.seed, 400 + FAULT_MAIL);
    for (unsigned i = 0; i < 4 && plan_has(&world->plan, FAULT_MAIL); i++) {
        int64_t at_us = moment_us(world, &chance);
        world_at(world, at_us, mail_fails, 0, 1, NULL);
        world_at(world, at_us + chance_between(&chance, 1, 1440) * MINUTE_US, mail_fails, 0, 0,
                 NULL);
    }
}

/* All is well from here on. */
static void faults_end(struct world *world, const struct event *event)
{
    (void)event;
    world->mail_down = false;
    world->broker.running = true;
    for (unsigned i = 0; i < BROKER_CLIENTS; i++)
        world->broker.clients[i].cut_until_us = 0;
    for (unsigned g = 0; g < world->plan.gateways; g++) {
        struct barn *barn = &world->gateways[g];
        if (medium_power_failed(g))
            barn_power_cut(world, barn, SECOND_US);
        medium_heal(g);
        if (barn->sync_at_us > world->now_us)
            barn->sync_at_us = world->now_us;
        if (!barn->running)
            barn_kill(world, barn, 5 * SECOND_US);
    }
    for (unsigned c = 0; c < world->plan.collectors; c++) {
        struct office *office = &world->collectors[c];
        if (medium_power_failed(PLAN_GATEWAYS + c))
            office_power_cut(world, office, SECOND_US);
        medium_heal(PLAN_GATEWAYS + c);
        if (office->sync_at_us > world->now_us)
            office->sync_at_us = world->now_us;
        office_change_roster(world, office);
        if (!office->running)
            office_kill(world, office, 5 * SECOND_US);
    }
}

void faults_plan(struct world *world)
{
    unsigned gateways = world->plan.gateways, collectors = world->plan.collectors;
    scatter(world, FAULT_GATEWAY_KILL, 12, kill_gateway, gateways, 0);
    scatter(world, FAULT_GATEWAY_POWER, 8, cut_gateway, gateways, 200);
    scatter(world, FAULT_GATEWAY_CLOCK, 3, reboot_gateway, gateways, 0);
    scatter(world, FAULT_GATEWAY_DISK, 8, spoil_gateway, gateways, 200);
    scatter(world, FAULT_SPOOL_LOST, 2, lose_spool, gateways, 0);
    scatter(world, FAULT_COLLECTOR_KILL, 12, kill_collector, collectors, 0);
    scatter(world, FAULT_COLLECTOR_POWER, 8, cut_collector, collectors, 400);
    scatter(world, FAULT_COLLECTOR_CLOCK, 3, reboot_collector, collectors, 0);
    scatter(world, FAULT_COLLECTOR_DISK, 8, spoil_collector, collectors, 400);
    scatter(world, FAULT_STORE_LOST, 2, lose_store, collectors, 0);
    scatter(world, FAULT_BROKER_KILL, 10, kill_broker, 1, 0);
    plan_copy(world, FAULT_SPOOL_COPY, copy_spool, put_back_spool, gateways);
    plan_copy(world, FAULT_STORE_COPY, copy_store, put_back_store, collectors);
    plan_network(world);
    plan_mail(world);
    for (unsigned c = 0; c < collectors && plan_has(&world->plan, FAULT_ROSTER); c++)
        world_at(world, BEGIN_US + (36 + 20 * c) * HOUR_US, enter_units, c, 0, NULL);
    world_at(world, world->faults_end_us, faults_end, 0, 0, NULL);
}
