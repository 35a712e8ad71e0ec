#include "tests/simulation/leases/yard.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/lease/keep.h"

enum { FIRST_UNIT = 0x01000001, DELAY_MS = 50, SLOW_MS = 3000, HOLD_MS = 6000 };

static const int64_t begin_ms = INT64_C(1785542400000); /* 2026-08-01 00:00 UTC */

/* ---- clocks ---- */

static int64_t utc_ms(const struct yard *yard, const struct yard_gateway *gateway)
{
    return yard->now_ms + (gateway->synchronised ? gateway->off_ms : gateway->wrong_ms);
}

/* Counts from another instant in every start. */
static int64_t air_us(const struct yard_gateway *gateway, int64_t at_ms)
{
    return (at_ms - begin_ms + 1000000 + (int64_t)gateway->starts * 7919) * 1000;
}

static int64_t office_s(const struct yard *yard)
{
    return (yard->now_ms + yard->office.off_ms) / 1000;
}

/* ---- messages ---- */

static void put_event(struct yard *yard, struct yard_event *event)
{
    if (yard->event_count == YARD_EVENTS)
        abort();
    event->order = yard->order++;
    yard->events[yard->event_count++] = *event;
}

static struct yard_link *link_of(struct yard *yard, unsigned who)
{
    return who == YARD_GATEWAYS ? &yard->office.link : &yard->gateways[who].link;
}

/* From the broker to one of its clients, in order. */
static void forward(struct yard *yard, unsigned who, struct yard_event event)
{
    struct yard_link *link = link_of(yard, who);
    if (!link->up)
        return;
    event.who = who;
    event.link = link->number;
    event.at_ms = yard->now_ms + chance_between(&yard->chance, 1,
                                                chance_of(&yard->chance, 0.1) ? SLOW_MS : DELAY_MS);
    if (event.at_ms < link->last_ms)
        event.at_ms = link->last_ms;
    link->last_ms = event.at_ms;
    put_event(yard, &event);
}

static void publish_lease(struct yard *yard, unsigned unit, const struct feed_lease *lease)
{
    struct yard_event event = {.kind = YARD_LEASE, .unit = unit, .lease = *lease};
    yard->leases[unit] = *lease;
    yard->has_lease[unit] = true;
    for (unsigned i = 0; i <= YARD_GATEWAYS; i++)
        forward(yard, i, event);
}

static void publish_held(struct yard *yard, unsigned gateway, unsigned unit,
                         const struct feed_held *held)
{
    struct yard_event event = {.kind = YARD_HELD, .from = gateway, .unit = unit, .held = *held};
    yard->held[gateway][unit] = *held;
    yard->has_held[gateway][unit] = true;
    forward(yard, YARD_GATEWAYS, event);
}

static void publish_health(struct yard *yard, unsigned gateway)
{
    struct yard_gateway *g = &yard->gateways[gateway];
    struct yard_event event = {.kind = YARD_HEALTH,
                               .from = gateway,
                               .may = g->synchronised,
                               .stamp_s = utc_ms(yard, g) / 1000};
    if (!g->running || !g->link.up)
        return;
    memcpy(event.run, g->run, sizeof event.run);
    yard->health[gateway] = event;
    yard->has_health[gateway] = true;
    forward(yard, YARD_GATEWAYS, event);
}

/* ---- gateways; as gateway/answering.c does it ---- */

static void tell(struct yard *yard, unsigned gateway)
{
    struct yard_gateway *g = &yard->gateways[gateway];
    for (unsigned i = 0; i < YARD_UNITS && g->link.up; i++) {
        struct speech_unit *unit = speech_at(g->speech, i);
        struct feed_held held;
        if (!unit->untold)
            continue;
        speech_held(unit, utc_ms(yard, g), &held);
        publish_held(yard, gateway, i, &held);
        unit->untold = false;
    }
}

static void settle(struct yard *yard, unsigned gateway)
{
    struct yard_gateway *g = &yard->gateways[gateway];
    for (unsigned i = 0; i < YARD_UNITS; i++) {
        struct speech_unit *unit = speech_at(g->speech, i);
        struct counters_gone gone = {unit->devaddr, unit->key_check, unit->next};
        if (!unit->unkept)
            continue;
        if (spool_keep_gone(g->spool, &gone, 1) == 0)
            unit->unkept = false;
        else
            speech_drop(unit);
    }
    tell(yard, gateway);
}

static void connect(struct yard *yard, unsigned gateway)
{
    struct yard_gateway *g = &yard->gateways[gateway];
    if (!g->running || g->link.cut || g->link.up)
        return;
    g->link.up = true;
    g->link.number++;
    g->link.last_ms = yard->now_ms;
    publish_health(yard, gateway);
    speech_tell_all(g->speech);
    tell(yard, gateway);
    for (unsigned i = 0; i < YARD_UNITS; i++)
        if (yard->has_lease[i])
            forward(yard, gateway,
                    (struct yard_event){.kind = YARD_LEASE, .unit = i, .lease = yard->leases[i]});
}

static void take_gone(void *user, const struct counters_gone *gone)
{
    speech_gone(user, gone->devaddr, gone->key_check, gone->next);
}

static void set_road(struct answer_road *road)
{
    char text[REGION_TEXT];
    struct region_use uplink = {.country = "US",
                                .frequency_hz = 915900000,
                                .bandwidth_hz = 500000,
                                .spreading_factor = 7,
                                .coding_rate = 1,
                                .power_cdbm = 2000};
    answer_road_set(road, &uplink, 5000000, text);
    if (!road->may)
        abort();
}

void yard_start(struct yard *yard, unsigned gateway)
{
    static const struct gateway_collectors collectors = {.count = 1, .name = {"office"}};
    struct yard_gateway *g = &yard->gateways[gateway];
    struct settings_fault fault;
    char path[40];
    snprintf(path, sizeof path, "/medium/%u/spool.db", gateway + 1);
    struct spool_options options = {
        .path = path, .size_bytes = 1 << 20, .boot = "00000000000000b0", .collectors = &collectors};
    if (g->running || spool_open(&g->spool, &options, utc_ms(yard, g) / 1000, &fault) != 0)
        return;
    if (speech_new(yard->table, &g->speech) != 0)
        abort();
    if (spool_each_gone(g->spool, take_gone, g->speech) != 0) {
        speech_free(g->speech);
        spool_close(g->spool);
        medium_kill(gateway + 1);
        return;
    }
    g->starts++;
    g->running = true;
    snprintf(g->run, sizeof g->run, "%016llx", (unsigned long long)chance_next(&yard->chance));
    memset(&g->answer, 0, sizeof g->answer);
    set_road(&g->answer.roads[0]);
    duty_begin(&g->answer.ledger, yard->now_ms / 1000 - 7200, true);
    connect(yard, gateway);
}

static void disconnect(struct yard_link *link)
{
    link->up = false;
    link->number++;
}

void yard_kill(struct yard *yard, unsigned gateway)
{
    struct yard_gateway *g = &yard->gateways[gateway];
    if (!g->running)
        return;
    medium_kill(gateway + 1);
    spool_close(g->spool);
    speech_free(g->speech);
    g->spool = NULL;
    g->speech = NULL;
    g->running = false;
    g->starts++; /* frames on their way through it end with it */
    disconnect(&g->link);
}

void yard_cut(struct yard *yard, unsigned gateway, bool cut)
{
    struct yard_link *link = &yard->gateways[gateway].link;
    link->cut = cut;
    if (cut && link->up)
        disconnect(link);
    connect(yard, gateway);
}

static void lease_arrives(struct yard *yard, unsigned gateway, const struct feed_lease *lease)
{
    struct yard_gateway *g = &yard->gateways[gateway];
    speech_lease(g->speech, g->name, g->run, lease, utc_ms(yard, g) / 1000,
                 air_us(g, yard->now_ms));
    settle(yard, gateway);
}

static void note_answer(struct yard *yard, unsigned gateway, struct yard_frame *frame,
                        uint32_t fcnt)
{
    uint8_t *used = &yard->used[frame->unit][fcnt % YARD_COUNTERS];
    if (frame->by >= 0 && frame->by != (int)gateway)
        snprintf(yard->failure, sizeof yard->failure,
                 "frame of unit %u at %lld s was answered by gateway %d and by %u", frame->unit,
                 (long long)((frame->end_ms - begin_ms) / 1000), frame->by, gateway);
    if (*used != 0 && yard->counts_counters)
        snprintf(yard->failure, sizeof yard->failure,
                 "counter %u of unit %u was used by gateway %u and then by %u at %lld s", fcnt,
                 frame->unit, *used - 1U, gateway, (long long)((yard->now_ms - begin_ms) / 1000));
    frame->by = (int)gateway;
    *used = (uint8_t)(gateway + 1);
    yard->answered++;
}

static void frame_arrives(struct yard *yard, const struct yard_event *event)
{
    struct yard_gateway *g = &yard->gateways[event->who];
    struct answer_question q = {.devaddr = FIRST_UNIT + event->unit,
                                .fcnt = event->fcnt,
                                .confirmed = true,
                                .end_us = air_us(g, event->end_ms),
                                .lease_us = air_us(g, event->end_ms),
                                .timed = g->synchronised,
                                .now_s = utc_ms(yard, g) / 1000,
                                .ledger_s = yard->now_ms / 1000};
    struct answer_plan plan;
    uint32_t fcnt;
    struct yard_event heard = {
        .kind = YARD_HEARD, .from = event->who, .unit = event->unit, .stamp_s = q.now_s};
    if (g->synchronised && g->link.up)
        forward(yard, YARD_GATEWAYS, heard);
    if (answer_decide(&g->answer, g->speech, &q, &plan) != ANSWER_SEND ||
        !answer_enter(&g->answer, &q, &plan, &fcnt))
        return;
    note_answer(yard, event->who, &yard->frames[event->frame], fcnt);
    tell(yard, event->who);
}

/* ---- the office; as collector/daemon/leasing.c does it ---- */

static void look(struct yard *yard)
{
    struct yard_office *office = &yard->office;
    if (!office->running || !office->synchronised || !office->link.up ||
        lease_table_look(office->table, office_s(yard)) == 0)
        return;
    if (lease_keep_changed(office->database.db, office->table) != 0)
        return;
    if (office->dies_unsaid) {
        yard_kill_office(yard);
        return;
    }
    for (size_t i = 0; i < lease_table_count(office->table); i++) {
        struct lease_unit *unit = lease_table_at(office->table, i);
        if (!unit->changed)
            continue;
        publish_lease(yard, unit->devaddr - FIRST_UNIT, &unit->lease);
        unit->changed = false;
        unit->seen = true;
    }
}

static void connect_office(struct yard *yard)
{
    struct yard_office *office = &yard->office;
    if (!office->running || office->link.cut || office->link.up)
        return;
    office->link.up = true;
    office->link.number++;
    office->link.last_ms = yard->now_ms;
    lease_table_connected(office->table);
    unsigned first = chance_below(&yard->chance, 3);
    for (unsigned k = 0; k < 3; k++) /* retained messages come in no certain order */
        for (unsigned u = 0; u < YARD_UNITS; u++)
            for (unsigned i = 0; i < YARD_GATEWAYS; i++) {
                unsigned gateway = (i + first) % YARD_GATEWAYS, kind = (k + first) % 3;
                struct yard_event held = {
                    .kind = YARD_HELD, .from = gateway, .unit = u, .held = yard->held[gateway][u]};
                struct yard_event lease = {.kind = YARD_LEASE, .unit = u, .lease = yard->leases[u]};
                if (kind == 0 && yard->has_held[gateway][u])
                    forward(yard, YARD_GATEWAYS, held);
                if (kind == 1 && i == 0 && yard->has_lease[u])
                    forward(yard, YARD_GATEWAYS, lease);
                if (kind == 2 && u == 0 && yard->has_health[gateway])
                    forward(yard, YARD_GATEWAYS, yard->health[gateway]);
            }
}

void yard_start_office(struct yard *yard)
{
    struct yard_office *office = &yard->office;
    struct settings_fault fault;
    if (office->running ||
        database_open(&office->database, "/medium/4/store.db", office_s(yard), &fault) != 0)
        return;
    if (lease_table_new(&office->table) != 0)
        abort();
    if (lease_keep_load(office->database.db, office->table) != 0) {
        lease_table_free(office->table);
        medium_kill(YARD_OFFICE);
        database_close(&office->database);
        return;
    }
    office->running = true;
    office->dies_unsaid = false;
    office->believed_ms =
        yard->now_ms + (chance_of(&yard->chance, 0.3) ? chance_below(&yard->chance, 1200000) : 0);
    office->synchronised = office->believed_ms <= yard->now_ms;
    connect_office(yard);
}

void yard_kill_office(struct yard *yard)
{
    struct yard_office *office = &yard->office;
    if (!office->running)
        return;
    medium_kill(YARD_OFFICE);
    lease_table_free(office->table);
    database_close(&office->database);
    office->running = false;
    disconnect(&office->link);
}

void yard_cut_office(struct yard *yard, bool cut)
{
    yard->office.link.cut = cut;
    if (cut && yard->office.link.up)
        disconnect(&yard->office.link);
    connect_office(yard);
}

/* All that was retained is forgotten, and all connections end. */
void yard_empty_broker(struct yard *yard)
{
    memset(yard->has_lease, 0, sizeof yard->has_lease);
    memset(yard->has_held, 0, sizeof yard->has_held);
    memset(yard->has_health, 0, sizeof yard->has_health);
    for (unsigned i = 0; i <= YARD_GATEWAYS; i++)
        if (link_of(yard, i)->up)
            disconnect(link_of(yard, i));
    for (unsigned i = 0; i < YARD_GATEWAYS; i++)
        connect(yard, i);
    connect_office(yard);
}

static void office_hears(struct yard *yard, const struct yard_event *event)
{
    struct lease_table *table = yard->office.table;
    const char *gateway = yard->gateways[event->from].name;
    uint32_t devaddr = FIRST_UNIT + event->unit;
    uint32_t key_check = verify_table_find(yard->table, devaddr)->keys.key_check;
    if (event->kind == YARD_LEASE)
        (void)lease_table_echo(table, &event->lease);
    else if (event->kind == YARD_HELD)
        (void)lease_table_held(table, gateway, &event->held);
    else if (event->kind == YARD_HEALTH)
        lease_table_gateway(table, gateway, event->run, event->may, event->stamp_s);
    else
        (void)lease_table_heard(table, devaddr, key_check, gateway,
                                yard->strength_cdbm[event->from][event->unit], event->stamp_s);
    look(yard);
}

/* ---- time ---- */

static void happen(struct yard *yard, const struct yard_event *event)
{
    if (event->kind == YARD_FRAME) {
        struct yard_gateway *g = &yard->gateways[event->who];
        if (g->running && g->starts == event->link)
            frame_arrives(yard, event);
        return;
    }
    struct yard_link *link = link_of(yard, event->who);
    if (!link->up || link->number != event->link)
        return;
    if (event->who == YARD_GATEWAYS)
        office_hears(yard, event);
    else
        lease_arrives(yard, event->who, &event->lease);
}

static void run_until(struct yard *yard, int64_t until_ms)
{
    for (;;) {
        size_t next = yard->event_count;
        for (size_t i = 0; i < yard->event_count; i++) {
            const struct yard_event *event = &yard->events[i], *best = &yard->events[next];
            if (event->at_ms <= until_ms &&
                (next == yard->event_count || event->at_ms < best->at_ms ||
                 (event->at_ms == best->at_ms && event->order < best->order)))
                next = i;
        }
        if (next == yard->event_count)
            break;
        struct yard_event event = yard->events[next];
        yard->events[next] = yard->events[--yard->event_count];
        yard->now_ms = event.at_ms;
        happen(yard, &event);
    }
    yard->now_ms = until_ms;
}

static void send_frame(struct yard *yard, unsigned unit, double miss)
{
    struct yard_frame *frame = &yard->frames[yard->frame_count];
    if (yard->frame_count == YARD_FRAMES)
        abort();
    *frame = (struct yard_frame){unit, yard->now_ms, -1, true};
    uint32_t fcnt = yard->next_fcnt[unit]++;
    for (unsigned i = 0; i < YARD_GATEWAYS; i++) {
        struct yard_gateway *g = &yard->gateways[i];
        if (!g->running || chance_of(&yard->chance, miss)) {
            frame->everyone_heard = false;
            continue;
        }
        struct yard_event event = {.at_ms =
                                       yard->now_ms + chance_between(&yard->chance, 0, HOLD_MS),
                                   .kind = YARD_FRAME,
                                   .who = i,
                                   .unit = unit,
                                   .link = g->starts,
                                   .end_ms = yard->now_ms,
                                   .fcnt = fcnt,
                                   .frame = yard->frame_count};
        put_event(yard, &event);
    }
    yard->frame_count++;
}

static void every_minute(struct yard *yard)
{
    struct yard_office *office = &yard->office;
    for (unsigned i = 0; i < YARD_GATEWAYS; i++)
        publish_health(yard, i);
    if (yard->now_ms >= office->believed_ms)
        office->synchronised = true;
    look(yard);
}

void yard_play(struct yard *yard, double miss)
{
    int64_t from_ms = yard->now_ms;
    for (unsigned i = 0; i < 5; i++) {
        for (unsigned u = 0; u < YARD_UNITS; u++) {
            run_until(yard, from_ms + i * 60000 + u * 14000 + chance_below(&yard->chance, 13000));
            if (chance_of(&yard->chance, yard->density))
                send_frame(yard, u, miss);
        }
        run_until(yard, from_ms + (i + 1) * 60000);
        every_minute(yard);
    }
}

void yard_begin(struct yard *yard, uint64_t seed)
{
    static struct verify_secret secrets[YARD_UNITS];
    static const char *const names[YARD_GATEWAYS] = {"barn", "pump", "shed"};
    memset(yard, 0, sizeof *yard);
    yard->chance = chance_stream(seed, 1);
    yard->now_ms = begin_ms;
    yard->events = calloc(YARD_EVENTS + 1, sizeof *yard->events);
    yard->frames = calloc(YARD_FRAMES, sizeof *yard->frames);
    for (unsigned i = 0; i < YARD_UNITS; i++) {
        secrets[i] = (struct verify_secret){
            .devaddr = FIRST_UNIT + i, .nwk_skey = {(uint8_t)i, 1}, .app_skey = {(uint8_t)i, 2}};
        yard->used[i] = calloc(YARD_COUNTERS, 1);
    }
    if (yard->events == NULL || yard->frames == NULL || yard->used[YARD_UNITS - 1] == NULL ||
        verify_table_new(secrets, YARD_UNITS, &yard->table) != 0)
        abort();
    yard->density =
        chance_of(&yard->chance, 0.5) ? 1 : 0.3; /* a block may outlast its lease, or not */
    yard->office.off_ms = chance_between(&yard->chance, -29000, 29000);
    for (unsigned i = 0; i < YARD_GATEWAYS; i++) {
        struct yard_gateway *g = &yard->gateways[i];
        snprintf(g->name, sizeof g->name, "%s", names[i]);
        g->off_ms = chance_between(&yard->chance, -29000, 29000);
        g->synchronised = true;
        for (unsigned u = 0; u < YARD_UNITS; u++)
            yard->strength_cdbm[i][u] = (int)chance_between(&yard->chance, -11000, -7000);
        yard_start(yard, i);
    }
    yard_start_office(yard);
}

void yard_end(struct yard *yard)
{
    yard_kill_office(yard);
    medium_copy_free(yard->office.copy);
    for (unsigned i = 0; i < YARD_GATEWAYS; i++) {
        yard_kill(yard, i);
        medium_copy_free(yard->gateways[i].copy);
    }
    for (unsigned i = 0; i < YARD_UNITS; i++)
        free(yard->used[i]);
    verify_table_free(yard->table);
    free(yard->frames);
    free(yard->events);
}
