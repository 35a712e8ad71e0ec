#include "tests/simulation/office.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/feed/mark.h"
#include "tests/simulation/books.h"
#include "tests/simulation/world.h"

enum { JUDGE_MIN = 15, MACHINE_FIRST = PLAN_GATEWAYS };

static unsigned machine_of(const struct office *office)
{
    return MACHINE_FIRST + office->index;
}

static unsigned client_of(const struct office *office)
{
    return PLAN_GATEWAYS + office->index;
}

bool office_is_synchronised(const struct world *world, const struct office *office)
{
    return world->now_us >= office->sync_at_us;
}

int64_t office_now_s(const struct world *world, const struct office *office)
{
    bool right = office_is_synchronised(world, office);
    return (world->now_us + (right ? -30000 : office->offset_us)) / SECOND_US;
}

static struct world
    *world_of; /* one world at a time: the product's callbacks carry the office alone */

static bool survived(struct world *world, struct office *office)
{
    if (!medium_power_failed(machine_of(office)))
        return office->running;
    office_power_cut(world, office, chance_between(&office->chance, 5, 1800) * SECOND_US);
    return false;
}

static unsigned gateway_of(const char *name)
{
    return (unsigned)(name[2] - '0') % PLAN_GATEWAYS;
}

static void say_mark(void *user, const char *gateway, const struct feed_mark *mark)
{
    struct office *office = user;
    char text[FEED_MESSAGE_MAX];
    size_t len;
    if (!office->connected || feed_mark_encode(mark, text, sizeof text, &len) != 0)
        return;
    struct message *message = message_new(MESSAGE_MARK, text, len);
    message->gateway = gateway_of(gateway);
    message->collector = office->index;
    client_publish(world_of, client_of(office), message);
}

static void hear_report(void *user, const char *gateway, const struct feed_frame *frame,
                        const struct air_report *report, bool first)
{
    struct office *office = user;
    struct judging_report heard = {.devaddr = frame->devaddr,
                                   .key_check = frame->key_check,
                                   .fcnt = frame->fcnt,
                                   .heard_ms = frame->heard_ms,
                                   .first = first,
                                   .gateway = gateway,
                                   .report = report};
    books_store(world_of, office, (unsigned)atoi(gateway + strlen("gw")), frame);
    if (office->judging != NULL)
        judging_hear(office->judging, &heard);
}

static void hear_trouble(void *user, const char *gateway, const char *item, bool present,
                         const char *detail)
{
    struct office *office = user;
    if (strcmp(item, "loss") == 0)
        office->gaps = true;
    if (strcmp(item, "malformed") == 0 || strcmp(item, "conflict") == 0)
        world_fail(world_of, "%s: %s: %s", gateway, item, detail);
    if (office->judging != NULL)
        judging_condition(office->judging, FEED_NOTICE_DATA, gateway, item, present, detail);
}

static void batch_ends(struct world *world, const struct event *event)
{
    struct office *office = &world->collectors[event->who];
    if (!office->running || office->life != event->tag)
        return;
    office->batch_arranged = false;
    int error = ingest_finish(office->ingest, world->now_us);
    if (!survived(world, office))
        return;
    if (error == -EBADMSG)
        world_fail(world, "the store of collector %u calls itself damaged", office->index);
    if (error != 0) {
        client_break(world, client_of(office));
        return;
    }
    client_acknowledge(world, client_of(office), office->taken);
    office->taken = 0;
}

static void take_health(struct world *world, struct office *office, const struct message *message)
{
    char name[8];
    snprintf(name, sizeof name, "gw%u", message->gateway);
    struct feed_gateway_health health = {.at_ms = world->now_us / 1000,
                                         .synchronised = true,
                                         .last_n = message->last_n,
                                         .radio_count = 1,
                                         .radios = {{.working = true}}};
    memcpy(health.spool, message->spool, sizeof health.spool);
    judging_hear_health(office->judging, name, &health,
                        ingest_caught_up(office->ingest, name, health.spool, health.last_n));
}

void office_take(struct world *world, struct office *office, const struct message *message)
{
    char name[8];
    snprintf(name, sizeof name, "gw%u", message->gateway);
    office->taken++;
    if (message->kind == MESSAGE_HEALTH)
        take_health(world, office, message);
    else
        (void)ingest_take(office->ingest, name, message->text, message->len,
                          office_now_s(world, office));
    if (!survived(world, office) || office->batch_arranged)
        return;
    office->batch_arranged = true;
    int64_t after_us =
        chance_of(&office->chance, 0.3) ? 1 : chance_between(&office->chance, 1, 300000);
    world_at(world, world->now_us + after_us, batch_ends, office->index, office->life, NULL);
}

void office_connected(struct world *world, struct office *office)
{
    office->connected = true;
    office->taken = 0;
    ingest_say_marks(office->ingest);
    judging_connection(office->judging, true, office_now_s(world, office));
}

void office_disconnected(struct world *world, struct office *office)
{
    office->connected = false;
    office->taken = 0;
    if (office->judging != NULL)
        judging_connection(office->judging, false, office_now_s(world, office));
}

static void look_at_mail(struct world *world, struct office *office);

static void mail_due(struct world *world, const struct event *event)
{
    struct office *office = &world->collectors[event->who];
    if (office->running && office->life == event->tag && office->mail_us == event->at_us) {
        office->mail_us = 0;
        look_at_mail(world, office);
    }
}

static void look_at_mail(struct world *world, struct office *office)
{
    (void)delivery_look(office->delivery);
    int64_t next_s = delivery_next_s(office->delivery);
    if (!survived(world, office) || next_s >= INT64_MAX / SECOND_US)
        return;
    int64_t in_s = next_s - office_now_s(world, office);
    int64_t at_us = world->now_us + (in_s > 1 ? in_s : 1) * SECOND_US;
    if (office->mail_us == 0 || at_us < office->mail_us) {
        office->mail_us = at_us;
        world_at(world, at_us, mail_due, office->index, office->life, NULL);
    }
}

static void tidy(struct world *world, struct office *office)
{
    bool left = true;
    int64_t now_s = office_now_s(world, office);
    office->tidied_us = world->now_us;
    store_trim(office->store, now_s);
    if (!plan_has(&world->plan, FAULT_PRUNE) || !office_is_synchronised(world, office))
        return;
    world_count(world, FAULT_PRUNE);
    int error = store_prune(office->store, now_s - world->plan.keep_s, now_s, &left);
    if (error == -EBADMSG)
        world_fail(world, "collector %u would not prune: sums", office->index);
}

static void judge(struct world *world, const struct event *event)
{
    struct office *office = &world->collectors[event->who];
    if (!office->running || office->life != event->tag)
        return;
    world_at(world, world->now_us + JUDGE_MIN * MINUTE_US, judge, office->index, office->life,
             NULL);
    if (office_is_synchronised(world, office)) {
        bool judged = judging_run(office->judging, office_now_s(world, office)) == 0;
        if (!survived(world, office))
            return;
        if (judged)
            post_look(world, office);
        look_at_mail(world, office);
    }
    /* Pruning wants no open batch; the daemon prunes between batches as well. */
    if (office->running && !office->batch_arranged && world->now_us - office->tidied_us >= HOUR_US)
        tidy(world, office);
    (void)survived(world, office);
}

static int64_t delivery_now_s(void *user)
{
    return office_now_s(world_of, user);
}

static void delivery_busy(void *user, bool busy)
{
    struct office *office = user;
    if (!busy && office->delivery != NULL)
        look_at_mail(world_of, office);
}

static int open_all(struct world *world, struct office *office)
{
    struct settings_fault fault;
    int64_t now_s = office_now_s(world, office);
    struct ingest_events events = {office, say_mark, hear_report, hear_trouble};
    struct delivery_events mail = {.user = office, .now_s = delivery_now_s, .busy = delivery_busy};
    int error =
        store_open(&office->store, office->path, world->fixed->zone, office->roster, now_s, &fault);
    if (error == 0)
        error = ingest_open(&office->ingest, office->store, office->roster, &events);
    if (error == 0)
        error = judging_open(&office->judging, store_db(office->store), &office->site,
                             office->roster, NULL, now_s);
    if (error == 0)
        error = ingest_retry(office->ingest, now_s);
    post_begin(world, office);
    if (error == 0)
        error = delivery_open(&office->delivery, NULL, store_db(office->store), &office->site,
                              &mail, &fault);
    return error;
}

static void stop(struct world *world, struct office *office)
{
    office->running = false;
    office->life++;
    medium_kill(machine_of(office));
    client_stop(world, client_of(office));
    delivery_close(office->delivery);
    judging_close(office->judging);
    ingest_close(office->ingest);
    store_close(office->store);
    office->delivery = NULL;
    office->judging = NULL;
    office->ingest = NULL;
    office->store = NULL;
    office->batch_arranged = false;
    office->mail_us = 0;
}

static void start_due(struct world *world, const struct event *event)
{
    struct office *office = &world->collectors[event->who];
    if (!office->running && office->life == event->tag)
        office_start(world, office);
}

static void start_after(struct world *world, struct office *office, int64_t after_us)
{
    world_at(world, world->now_us + after_us, start_due, office->index, office->life, NULL);
}

void office_start(struct world *world, struct office *office)
{
    world_of = world;
    int error = open_all(world, office);
    if (medium_has(machine_of(office), "damaged"))
        world_fail(world, "the store of collector %u was set aside", office->index);
    if (error != 0 || medium_power_failed(machine_of(office))) {
        bool cut = medium_power_failed(machine_of(office));
        stop(world, office);
        if (cut)
            medium_cut(machine_of(office), &office->chance);
        start_after(world, office, chance_between(&office->chance, 10, 60) * SECOND_US);
        return;
    }
    office->running = true;
    books_check_store(world, office);
    world_at(world, world->now_us + chance_between(&office->chance, 1, 60) * SECOND_US, judge,
             office->index, office->life, NULL);
    client_start(world, client_of(office));
}

void office_kill(struct world *world, struct office *office, int64_t away_us)
{
    stop(world, office);
    start_after(world, office, away_us);
}

static void boot(struct world *world, struct office *office, int64_t at_us)
{
    office->sync_at_us = at_us;
    office->offset_us = 0;
    if (!world_is_rough(world, FAULT_COLLECTOR_CLOCK))
        return;
    world_count(world, FAULT_COLLECTOR_CLOCK);
    office->was_wrong = true;
    office->offset_us = -chance_between(&office->chance, 0, 60 * 86400) * SECOND_US;
    office->sync_at_us = at_us + chance_between(&office->chance, 10, 4 * 3600) * SECOND_US;
}

void office_power_cut(struct world *world, struct office *office, int64_t away_us)
{
    stop(world, office);
    medium_cut(machine_of(office), &office->chance);
    boot(world, office, world->now_us + away_us);
    start_after(world, office, away_us);
}

void office_lose_store(struct world *world, struct office *office, bool put_back)
{
    if (put_back && office->copy == NULL)
        return;
    stop(world, office);
    if (put_back)
        medium_copy_put(machine_of(office), office->copy);
    else
        medium_remove_all(machine_of(office));
    books_forget_store(world, office);
    start_after(world, office, chance_between(&office->chance, 1, 600) * SECOND_US);
}

void office_change_roster(struct world *world, struct office *office)
{
    office->roster = world->fixed->roster;
    if (!office->running)
        return;
    int64_t now_s = office_now_s(world, office);
    if (office->batch_arranged && ingest_finish(office->ingest, world->now_us) != 0) {
        office_kill(world, office, 10 * SECOND_US);
        return;
    }
    int error = store_change_roster(office->store, office->roster, now_s);
    if (error == 0)
        error = judging_change_roster(office->judging, office->roster, now_s);
    if (error == 0) {
        ingest_change_roster(office->ingest, office->roster);
        error = ingest_retry(office->ingest, now_s);
    }
    if (survived(world, office) && error != 0)
        office_kill(world, office, 10 * SECOND_US);
}

void office_site(struct site_settings *site)
{
    *site = (struct site_settings){
        .site = "demo",
        .title = "Demo vineyard",
        .time_zone = "Europe/Rome",
        .collector = "office",
        .latitude = 44.1,
        .longitude = 11.1,
        .bait = {.full_mark_mm = 90, .low_mark_mm = 60, .age_days = 7, .insects = 75},
        .silent_hours = 12,
        .gateway_silent_min = 30,
        .quiet_from_s = 21 * 3600,
        .quiet_to_s = 6 * 3600,
        .repeat_hours = 24,
        .letter_s = 6 * 3600,
        .mail_count = 2};
    for (int i = 0; i < 2; i++)
        site->mails[i] =
            (struct site_mail){.name = i == 0 ? "manager" : "deputy",
                               .to = i == 0 ? "manager@farm.example" : "deputy@farm.example",
                               .from = "Edgerow <edgerow@farm.example>",
                               .server = "mail.farm.example",
                               .port = 25,
                               .fallback = i == 1};
}

void office_open(struct world *world, struct office *office, unsigned index)
{
    *office =
        (struct office){.index = index, .chance = chance_stream(world->plan.seed, 300 + index)};
    snprintf(office->path, sizeof office->path, "/medium/%u/store.db", machine_of(office));
    office_site(&office->site);
    office->roster =
        world_is_rough(world, FAULT_ROSTER) ? world->fixed->early : world->fixed->roster;
    boot(world, office, world->now_us);
    office_start(world, office);
}

void office_close(struct office *office)
{
    medium_kill(machine_of(office));
    delivery_close(office->delivery);
    judging_close(office->judging);
    ingest_close(office->ingest);
    store_close(office->store);
    free(office->owed);
    medium_copy_free(office->copy);
}
