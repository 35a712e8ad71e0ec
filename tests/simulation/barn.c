#include "tests/simulation/barn.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/feed/mark.h"
#include "tests/simulation/books.h"
#include "tests/simulation/world.h"

enum { COMMIT_S = 30, COMMIT_ROWS = 50, RETRY_S = 5, RECORDED = 64 };

static int64_t event_us(const struct world *world, const struct barn *barn)
{
    return world->now_us + (world->now_us >= barn->sync_at_us ? 40000 : barn->offset_us);
}

static int64_t boot_us(const struct world *world, const struct barn *barn)
{
    return world->now_us - barn->booted_us;
}

static void pump(struct world *world, struct barn *barn);

/* The power may have failed in the middle of what was just done. */
static bool survived(struct world *world, struct barn *barn)
{
    if (!medium_power_failed(barn->index))
        return barn->running;
    barn_power_cut(world, barn, chance_between(&barn->chance, 5, 1800) * SECOND_US);
    return false;
}

static void note_given_up(struct world *world, struct barn *barn, bool by_commit)
{
    struct spool_state state;
    spool_state(barn->spool, &state);
    uint64_t more = state.given_up - barn->given_up;
    if (more > 0 && by_commit)
        world->thinned += more;
    if (more > 0) {
        world_count(world, FAULT_SPOOL_FULL);
        barn->overflowed = barn->overflowed || !by_commit;
    }
    barn->given_up = state.given_up;
    if (state.waiting > barn->most_waiting)
        barn->most_waiting = state.waiting;
}

/* What has waited is on disk. Where some of it was given up in memory nobody knows which. */
static void promise(struct world *world, struct barn *barn)
{
    for (size_t i = 0; i < barn->pending_count && !barn->overflowed; i++) {
        const struct pending *p = &barn->pending[i];
        struct sent *sent = station_sent(&world->stations[p->station], p->fcnt);
        sent->promised |= (uint8_t)(1U << barn->index);
        sent->dated |= (uint8_t)(p->dated << barn->index);
    }
    barn->pending_count = 0;
    barn->overflowed = false;
}

static void arrange_commit(struct world *world, struct barn *barn, int64_t after_us);

static void commit(struct world *world, struct barn *barn)
{
    int error = spool_commit(barn->spool, event_us(world, barn) / SECOND_US);
    if (!survived(world, barn))
        return;
    barn->commit_error = error;
    barn->commit_arranged = false;
    if (error == -EBADMSG) {
        world_fail(world, "the spool of %s calls itself damaged", barn->name);
        return;
    }
    if (error != 0) {
        arrange_commit(world, barn, RETRY_S * SECOND_US);
        return;
    }
    note_given_up(world, barn, true);
    promise(world, barn);
    books_check_forgotten(world, barn);
    pump(world, barn);
}

static void commit_due(struct world *world, const struct event *event)
{
    struct barn *barn = &world->gateways[event->who];
    if (barn->running && barn->life == event->tag && barn->commit_arranged)
        commit(world, barn);
}

static void arrange_commit(struct world *world, struct barn *barn, int64_t after_us)
{
    if (barn->commit_arranged)
        return;
    barn->commit_arranged = true;
    world_at(world, world->now_us + after_us, commit_due, barn->index, barn->life, NULL);
}

static void add_pending(struct barn *barn, const struct pending *pending)
{
    if (barn->pending_count == barn->pending_capacity) {
        barn->pending_capacity = 2 * barn->pending_capacity + 64;
        barn->pending = realloc(barn->pending, barn->pending_capacity * sizeof *barn->pending);
    }
    barn->pending[barn->pending_count++] = *pending;
}

/* One packet out of the air. fresh: as it was sent, not recorded and sent again. */
static void receive(struct world *world, struct barn *barn, const uint8_t *bytes, uint8_t len,
                    bool fresh)
{
    struct radio_packet packet = {.len = len,
                                  .rssi_cdbm = -9000,
                                  .snr_cdb = 500,
                                  .frequency_hz = 868100000,
                                  .bandwidth_hz = 500000,
                                  .spreading_factor = 7};
    struct hearing_time time = {event_us(world, barn), boot_us(world, barn), false};
    struct hearing_outcome outcome;
    memcpy(packet.bytes, bytes, len);
    hearing_packet(&barn->hearing, &packet, &time, world->now_us, &outcome);
    if (outcome.result.verdict != VERIFY_ACCEPTED)
        return;
    world->frames_heard++;
    struct pending pending = {.station = outcome.result.devaddr - WORLD_FIRST_UNIT,
                              .fcnt = outcome.result.fcnt,
                              .dated = fresh && barn->settled};
    struct station *station = &world->stations[pending.station];
    struct sent *sent =
        pending.station < world->plan.stations ? station_sent(station, pending.fcnt) : NULL;
    if (sent == NULL) {
        world_fail(world, "%s took a frame %08X/%u that no station sent", barn->name,
                   outcome.result.devaddr, outcome.result.fcnt);
        return;
    }
    sent->heard = true;
    station->tainted = station->tainted || !fresh;
    add_pending(barn, &pending);
    note_given_up(world, barn, false);
    struct spool_state state;
    spool_state(barn->spool, &state);
    if (outcome.urgent || (barn->commit_error == 0 && state.waiting >= COMMIT_ROWS))
        commit(world, barn);
    else
        arrange_commit(world, barn, COMMIT_S * SECOND_US);
}

struct packet {
    uint8_t len, bytes[64];
    bool fresh;
};

static void packet_comes(struct world *world, const struct event *event)
{
    struct barn *barn = &world->gateways[event->who];
    const struct packet *packet = event->data;
    if (barn->running)
        receive(world, barn, packet->bytes, packet->len, packet->fresh);
}

static void send_packet(struct world *world, unsigned gateway, const struct packet *packet,
                        int64_t after_us)
{
    struct packet *copy = malloc(sizeof *copy);
    *copy = *packet;
    world_at(world, world->now_us + after_us, packet_comes, gateway, 0, copy);
}

/* Somebody who records and sends, and noise that looks like a frame. */
static void attack(struct world *world, const struct packet *heard)
{
    struct packet packet = *heard;
    unsigned gateway = chance_below(&world->air, world->plan.gateways);
    int64_t after_us = chance_between(&world->air, 61, 3 * 86400) * SECOND_US;
    world_count(world, FAULT_HOSTILE);
    switch (chance_below(&world->air, 4)) {
    case 0:
        packet.fresh = false;
        break;
    case 1:
        packet.bytes[chance_below(&world->air, packet.len)] ^=
            (uint8_t)(1U << chance_below(&world->air, 8));
        after_us = 1000;
        break;
    case 2:
        packet.len = (uint8_t)chance_below(&world->air, packet.len);
        break;
    default: /* another network's unit under our address */
        for (unsigned i = 6; i < packet.len; i++)
            packet.bytes[i] = (uint8_t)chance_next(&world->air);
        break;
    }
    send_packet(world, gateway, &packet, after_us);
}

static double loss_at(const struct world *world, unsigned station, unsigned gateway)
{
    struct chance place = chance_stream(world->plan.seed, 1000 + station * 8 + gateway);
    bool bad = (world->now_us / HOUR_US + station * 5 + gateway * 11) % 37 < 6;
    return bad ? 0.7 : chance_below(&place, 30) * 0.01;
}

void barns_hear(struct world *world, unsigned station, size_t index)
{
    const struct sent *sent = &world->stations[station].sent[index];
    struct packet packet = {.len = sent->len, .fresh = true};
    memcpy(packet.bytes, sent->bytes, sent->len);
    for (unsigned g = 0; g < world->plan.gateways; g++) {
        if (world_is_rough(world, FAULT_AIR) &&
            chance_of(&world->air, loss_at(world, station, g))) {
            world_count(world, FAULT_AIR);
            continue;
        }
        send_packet(world, g, &packet, 10);
        if (world_is_rough(world, FAULT_REPEAT) && chance_of(&world->air, 0.02)) {
            world_count(world, FAULT_REPEAT);
            send_packet(world, g, &packet, chance_between(&world->air, 1, 50) * SECOND_US);
        }
    }
    if (world_is_rough(world, FAULT_HOSTILE) && chance_of(&world->air, 0.02))
        attack(world, &packet);
}

/* 1: published; 0: nothing to do; negative: the spool cannot be read now. */
static int publish_one(struct world *world, struct barn *barn)
{
    char text[FEED_MESSAGE_MAX];
    struct feed_row row;
    size_t len;
    uint64_t wanted = courier_wanted(&barn->courier);
    if (wanted == 0 || barn->in_flight >= COURIER_IN_FLIGHT)
        return 0;
    int error = courier_read(&barn->courier, wanted, &row);
    if (error < 0)
        return error;
    if (feed_row_encode(&row, text, sizeof text, &len) != 0) {
        world_fail(world, "%s cannot encode row %llu", barn->name, (unsigned long long)row.n);
        return -EINVAL;
    }
    books_publish(world, barn, &row, text);
    struct message *message = message_new(MESSAGE_ROW, text, len);
    message->gateway = barn->index;
    client_publish(world, barn->index, message);
    courier_sent(&barn->courier, wanted, &row, world->now_us);
    barn->in_flight++;
    world->rows_published++;
    return 1;
}

static void pump_again(struct world *world, const struct event *event)
{
    struct barn *barn = &world->gateways[event->who];
    if (!barn->running || barn->life != event->tag)
        return;
    barn->pump_arranged = false;
    pump(world, barn);
}

static void patience_ends(struct world *world, const struct event *event)
{
    struct barn *barn = &world->gateways[event->who];
    if (!barn->running || barn->life != event->tag || barn->patience_us != event->at_us)
        return;
    barn->patience_us = 0;
    courier_tick(&barn->courier, world->now_us);
    pump(world, barn);
}

static void arm_patience(struct world *world, struct barn *barn)
{
    int64_t due_us = courier_due_us(&barn->courier);
    if (due_us == INT64_MAX || !barn->connected || barn->patience_us == due_us)
        return;
    barn->patience_us = due_us < world->now_us ? world->now_us : due_us;
    world_at(world, barn->patience_us, patience_ends, barn->index, barn->life, NULL);
}

static void pump(struct world *world, struct barn *barn)
{
    int published = 1;
    for (int i = 0; i < COURIER_ROWS_AT_ONCE && published == 1 && barn->connected; i++)
        published = publish_one(world, barn);
    if (!survived(world, barn))
        return;
    if (published == 1 && barn->connected && !barn->pump_arranged) {
        barn->pump_arranged = true;
        world_at(world, world->now_us + 1000, pump_again, barn->index, barn->life, NULL);
    }
    arm_patience(world, barn);
}

void barn_acknowledged(struct world *world, struct barn *barn)
{
    bool full = barn->in_flight >= COURIER_IN_FLIGHT;
    if (barn->in_flight > 0)
        barn->in_flight--;
    if (full)
        pump(world, barn);
}

void barn_take(struct world *world, struct barn *barn, const struct message *message)
{
    struct feed_mark mark;
    if (!message->retained)
        client_acknowledge(world, barn->index, 1);
    enum courier_heard heard =
        courier_hear(&barn->courier, barn->names.name[message->collector], message->text,
                     message->len, message->retained, world->now_us, &mark);
    if (!survived(world, barn))
        return;
    if (heard == COURIER_UNREADABLE || heard == COURIER_STRANGER)
        world_fail(world, "%s cannot use the mark \"%s\"", barn->name, message->text);
    if (heard == COURIER_RENEWED || heard == COURIER_REFUSED)
        books_check_refusal(world, barn, &mark);
    pump(world, barn);
}

void barn_connected(struct world *world, struct barn *barn)
{
    barn->connected = true;
    barn->in_flight = 0;
    courier_connected(&barn->courier);
    pump(world, barn);
}

void barn_disconnected(struct world *world, struct barn *barn)
{
    (void)world;
    barn->connected = false;
    barn->in_flight = 0;
}

static void say_health(struct world *world, struct barn *barn)
{
    struct spool_state state;
    struct message *message = message_new(MESSAGE_HEALTH, NULL, 0);
    spool_state(barn->spool, &state);
    message->gateway = barn->index;
    message->last_n = state.last;
    snprintf(message->spool, sizeof message->spool, "%s", state.id);
    client_publish(world, barn->index, message);
}

static void minute(struct world *world, const struct event *event)
{
    struct barn *barn = &world->gateways[event->who];
    struct spool_state state;
    if (!barn->running || barn->life != event->tag)
        return;
    bool right = world->now_us >= barn->sync_at_us;
    spool_settle_clock(barn->spool, event_us(world, barn) / 1000, boot_us(world, barn) / 1000,
                       right);
    barn->settled = right;
    spool_state(barn->spool, &state);
    if (state.waiting > 0)
        arrange_commit(world, barn, COMMIT_S * SECOND_US);
    if (barn->connected)
        say_health(world, barn);
    world_at(world, world->now_us + (right ? 10 : 1) * MINUTE_US, minute, barn->index, barn->life,
             NULL);
}

static int load_keys(struct world *world, struct barn *barn)
{
    struct verify_secret secrets[PLAN_STATIONS];
    for (unsigned i = 0; i < world->plan.stations; i++) {
        secrets[i] = (struct verify_secret){.devaddr = WORLD_FIRST_UNIT + i};
        station_secret(i, secrets[i].nwk_skey, secrets[i].app_skey);
    }
    int error = verify_table_new(secrets, world->plan.stations, &barn->hearing.table);
    return error != 0 ? error : spool_load_counters(barn->spool, barn->hearing.table);
}

static int open_spool(struct world *world, struct barn *barn)
{
    struct settings_fault fault;
    char path[32];
    snprintf(path, sizeof path, "/medium/%u/spool.db", barn->index);
    struct spool_options options = {.path = path,
                                    .size_bytes = (uint64_t)world->plan.spool_kib << 10,
                                    .history_s = world->plan.history_s,
                                    .boot = barn->boot,
                                    .collectors = &barn->names};
    int error = spool_open(&barn->spool, &options, event_us(world, barn) / SECOND_US, &fault);
    if (error == 0 || error == -EBADMSG)
        books_check_spool(world, barn);
    return error;
}

static void stop(struct world *world, struct barn *barn)
{
    barn->running = false;
    barn->life++;
    medium_kill(barn->index);
    client_stop(world, barn->index);
    spool_close(barn->spool);
    verify_table_free(barn->hearing.table);
    barn->spool = NULL;
    barn->hearing.table = NULL;
    barn->commit_arranged = barn->pump_arranged = barn->settled = barn->overflowed = false;
    barn->pending_count = 0;
    barn->patience_us = 0;
}

static void start_due(struct world *world, const struct event *event)
{
    struct barn *barn = &world->gateways[event->who];
    if (!barn->running && barn->life == event->tag)
        barn_start(world, barn);
}

static void start_after(struct world *world, struct barn *barn, int64_t after_us)
{
    world_at(world, world->now_us + after_us, start_due, barn->index, barn->life, NULL);
}

void barn_start(struct world *world, struct barn *barn)
{
    barn->hearing = (struct hearing){.table = NULL};
    snprintf(barn->hearing.boot, sizeof barn->hearing.boot, "%s", barn->boot);
    int error = open_spool(world, barn);
    barn->hearing.spool = barn->spool;
    if (error == 0)
        error = load_keys(world, barn);
    if (error != 0) {
        bool cut = medium_power_failed(barn->index);
        stop(world, barn);
        if (cut)
            medium_cut(barn->index, &barn->chance);
        start_after(world, barn, chance_between(&barn->chance, 10, 60) * SECOND_US);
        return;
    }
    barn->running = true;
    barn->given_up = 0;
    barn->commit_error = 0;
    courier_start(&barn->courier, barn->spool, barn->names.count, world->plan.window);
    world_at(world, world->now_us, minute, barn->index, barn->life, NULL);
    client_start(world, barn->index);
}

void barn_kill(struct world *world, struct barn *barn, int64_t away_us)
{
    stop(world, barn);
    start_after(world, barn, away_us);
}

/* Another boot: its clock may be anything until somebody tells it the time. */
static void boot(struct world *world, struct barn *barn, int64_t at_us)
{
    barn->booted_us = at_us;
    barn->sync_at_us = at_us;
    barn->offset_us = 0;
    snprintf(barn->boot, sizeof barn->boot, "%016llx",
             (unsigned long long)chance_next(&barn->chance));
    if (!world_is_rough(world, FAULT_GATEWAY_CLOCK))
        return;
    world_count(world, FAULT_GATEWAY_CLOCK);
    barn->offset_us = -chance_between(&barn->chance, 0, 40 * 86400) * SECOND_US;
    if (chance_of(&barn->chance, 0.2))
        barn->offset_us = chance_between(&barn->chance, -600, 600) * SECOND_US;
    barn->sync_at_us = at_us + chance_between(&barn->chance, 10, 8 * 3600) * SECOND_US;
    if (chance_of(&barn->chance, 0.15))
        barn->sync_at_us = INT64_MAX;
}

void barn_power_cut(struct world *world, struct barn *barn, int64_t away_us)
{
    stop(world, barn);
    medium_cut(barn->index, &barn->chance);
    boot(world, barn, world->now_us + away_us);
    start_after(world, barn, away_us);
}

void barn_lose_spool(struct world *world, struct barn *barn, bool put_back)
{
    if (put_back && barn->copy == NULL)
        return;
    stop(world, barn);
    if (put_back)
        medium_copy_put(barn->index, barn->copy);
    else
        medium_remove_all(barn->index);
    barn->numbers_reused = barn->numbers_reused || put_back;
    barn->reused_once = barn->reused_once || put_back;
    books_release(world, barn);
    start_after(world, barn, chance_between(&barn->chance, 1, 600) * SECOND_US);
}

void barn_open(struct world *world, struct barn *barn, unsigned index)
{
    *barn = (struct barn){.index = index,
                          .chance = chance_stream(world->plan.seed, 200 + index),
                          .names = {.count = world->plan.collectors}};
    snprintf(barn->name, sizeof barn->name, "gw%u", index);
    for (unsigned c = 0; c < world->plan.collectors; c++)
        snprintf(barn->names.name[c], sizeof barn->names.name[c], "office%u", c);
    boot(world, barn, world->now_us);
    barn_start(world, barn);
}

void barn_close(struct barn *barn)
{
    medium_kill(barn->index);
    spool_close(barn->spool);
    verify_table_free(barn->hearing.table);
    books_close(barn);
    free(barn->pending);
    medium_copy_free(barn->copy);
}
