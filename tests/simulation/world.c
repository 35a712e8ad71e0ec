#include "tests/simulation/world.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tests/simulation/books.h"

enum { CHECK_HOURS = 12, COMPARE_EVERY = 4 };
#define STEPS_MAX UINT64_C(3000000)

static bool earlier(const struct event *a, const struct event *b)
{
    return a->at_us != b->at_us ? a->at_us < b->at_us : a->order < b->order;
}

static void swap(struct event *a, struct event *b)
{
    struct event kept = *a;
    *a = *b;
    *b = kept;
}

void world_at(struct world *world, int64_t at_us,
              void (*run)(struct world *world, const struct event *event), unsigned who,
              uint64_t tag, void *data)
{
    if (world->event_count == world->event_capacity) {
        world->event_capacity = 2 * world->event_capacity + 1024;
        world->events = realloc(world->events, world->event_capacity * sizeof *world->events);
    }
    size_t at = world->event_count++;
    world->events[at] = (struct event){.at_us = at_us < world->now_us ? world->now_us : at_us,
                                       .order = world->event_order++,
                                       .run = run,
                                       .who = who,
                                       .tag = tag,
                                       .data = data};
    for (; at > 0 && earlier(&world->events[at], &world->events[(at - 1) / 2]); at = (at - 1) / 2)
        swap(&world->events[at], &world->events[(at - 1) / 2]);
}

static struct event take(struct world *world)
{
    struct event first = world->events[0];
    struct event *events = world->events;
    size_t count = --world->event_count, at = 0;
    events[0] = events[count];
    for (;;) {
        size_t least = at, left = 2 * at + 1;
        for (size_t child = left; child < count && child < left + 2; child++)
            if (earlier(&events[child], &events[least]))
                least = child;
        if (least == at)
            return first;
        swap(&events[at], &events[least]);
        at = least;
    }
}

void world_fail(struct world *world, const char *format, ...)
{
    va_list list;
    if (world->failed)
        return;
    world->failed = true;
    int len = snprintf(world->failure, sizeof world->failure,
                       "day %.3f: ", (double)(world->now_us - BEGIN_US) / (double)DAY_US);
    va_start(list, format);
    vsnprintf(world->failure + len, sizeof world->failure - (size_t)len, format, list);
    va_end(list);
}

void world_count(struct world *world, enum fault fault)
{
    world->injected[fault]++;
}

bool world_is_rough(const struct world *world, enum fault fault)
{
    return plan_has(&world->plan, fault) && world->now_us < world->faults_end_us;
}

static void check(struct world *world, const struct event *event)
{
    (void)event;
    for (unsigned c = 0; c < world->plan.collectors; c++)
        if (world->collectors[c].running && !world->collectors[c].batch_arranged)
            books_check_store(world, &world->collectors[c]);
    world_at(world, world->now_us + CHECK_HOURS * HOUR_US, check, 0, 0, NULL);
}

static void stations_end(struct world *world, const struct event *event)
{
    (void)event;
    for (unsigned i = 0; i < world->plan.stations; i++)
        world->stations[i].ended = true;
}

static void last_check(struct world *world, const struct event *event)
{
    (void)event;
    books_check_end(world);
    for (unsigned c = 0; c < world->plan.collectors && !world->failed; c++)
        books_check_order(world, &world->collectors[c]);
}

static void mail_check(struct world *world, const struct event *event)
{
    (void)event;
    books_check_mail(world);
    books_check_bounds(world);
}

void world_open(struct world *world, const struct plan *plan, const struct world_fixed *fixed)
{
    medium_reset(plan->seed);
    *world = (struct world){.plan = *plan,
                            .fixed = fixed,
                            .now_us = BEGIN_US,
                            .air = chance_stream(plan->seed, 2),
                            .faults = chance_stream(plan->seed, 3),
                            .network = chance_stream(plan->seed, 4),
                            .mail = chance_stream(plan->seed, 5),
                            .keeps_rows = plan->seed % COMPARE_EVERY == 0};
    world->faults_end_us = BEGIN_US + plan->days * DAY_US - 3 * HOUR_US;
    world->end_us = world->faults_end_us + 131 * MINUTE_US;
    broker_open(world);
    for (unsigned i = 0; i < plan->stations; i++)
        station_open(world, &world->stations[i], i);
    for (unsigned g = 0; g < plan->gateways; g++)
        barn_open(world, &world->gateways[g], g);
    for (unsigned c = 0; c < plan->collectors; c++)
        office_open(world, &world->collectors[c], c);
    faults_plan(world);
    world_at(world, BEGIN_US + CHECK_HOURS * HOUR_US, check, 0, 0, NULL);
    world_at(world, world->faults_end_us + 40 * MINUTE_US, stations_end, 0, 0, NULL);
    world_at(world, world->faults_end_us + 60 * MINUTE_US, last_check, 0, 0, NULL);
    world_at(world, world->faults_end_us + 130 * MINUTE_US, mail_check, 0, 0, NULL);
}

bool world_run(struct world *world)
{
    while (!world->failed && world->event_count > 0 && world->events[0].at_us <= world->end_us) {
        struct event event = take(world);
        world->now_us = event.at_us;
        event.run(world, &event);
        free(event.data);
        if (++world->steps > STEPS_MAX)
            world_fail(world, "it goes round in circles: %llu events",
                       (unsigned long long)world->steps);
    }
    return !world->failed;
}

/* A message on its way is part of an event's data: it is let go by running the event against nobody. */
void world_close(struct world *world)
{
    for (unsigned i = 0; i < BROKER_CLIENTS; i++) {
        world->broker.clients[i].connected = false;
        world->broker.clients[i].running = false;
    }
    world->broker.running = false;
    for (size_t i = 0; i < world->event_count; i++) {
        broker_let_go(&world->events[i]);
        free(world->events[i].data);
    }
    for (unsigned g = 0; g < world->plan.gateways; g++)
        barn_close(&world->gateways[g]);
    for (unsigned c = 0; c < world->plan.collectors; c++)
        office_close(&world->collectors[c]);
    for (unsigned i = 0; i < world->plan.stations; i++)
        station_close(&world->stations[i]);
    broker_close(world);
    free(world->events);
    world->events = NULL;
}

static int write_roster(const char *folder, unsigned stations)
{
    char path[200];
    snprintf(path, sizeof path, "%s/blocks.geojson", folder);
    FILE *file = fopen(path, "w");
    if (file == NULL)
        return -1;
    fputs("{\"type\": \"FeatureCollection\", \"features\": [\n", file);
    for (unsigned i = 0; i < 2; i++)
        fprintf(file,
                "{\"type\": \"Feature\", \"properties\": {\"block\": \"b%u\", \"title\": \"Block "
                "%u\"}, \"geometry\": {\"type\": \"Polygon\", \"coordinates\": [[[%u.1, 44.1], "
                "[%u.102, 44.1], [%u.102, 44.102], [%u.1, 44.1]]]}}%s\n",
                i, i, 11 + i, 11 + i, 11 + i, 11 + i, i ? "" : ",");
    fputs("]}\n", file);
    fclose(file);
    snprintf(path, sizeof path, "%s/stations.csv", folder);
    file = fopen(path, "w");
    if (file == NULL)
        return -1;
    fputs("trap,block,unit\n", file);
    for (unsigned i = 0; i < stations; i++)
        fprintf(file, "t%03u,b%u,%08X\n", i, i % 2, WORLD_FIRST_UNIT + i);
    return fclose(file);
}

static int read_roster(const char *folder, unsigned stations, const struct zone *zone,
                       struct roster **roster)
{
    char stations_path[200], blocks_path[200];
    struct roster_fault fault;
    snprintf(stations_path, sizeof stations_path, "%s/stations.csv", folder);
    snprintf(blocks_path, sizeof blocks_path, "%s/blocks.geojson", folder);
    if (write_roster(folder, stations) != 0)
        return -1;
    int error = roster_read_in(stations_path, blocks_path, zone, roster, &fault);
    if (error != 0)
        fprintf(stderr, "%s\n", fault.text);
    unlink(stations_path);
    unlink(blocks_path);
    return error;
}

int world_fixed_make(struct world_fixed *fixed)
{
    char folder[] = "/tmp/edgerow-simulation-XXXXXX";
    *fixed = (struct world_fixed){.zone = NULL};
    int error = zone_open("Europe/Rome", &fixed->zone);
    if (error == 0 && mkdtemp(folder) == NULL)
        error = -1;
    if (error == 0)
        error = read_roster(folder, PLAN_STATIONS, fixed->zone, &fixed->roster);
    if (error == 0)
        error = read_roster(folder, PLAN_STATIONS - 2, fixed->zone, &fixed->early);
    rmdir(folder);
    return error;
}

void world_fixed_free(struct world_fixed *fixed)
{
    roster_free(fixed->roster);
    roster_free(fixed->early);
    zone_close(fixed->zone);
}
