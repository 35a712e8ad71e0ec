#include "tests/unit/collector/desk.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

char desk_folder[] = "/tmp/edgerow-ingest-XXXXXX";
struct zone *desk_zone;

int desk_begin(void)
{
    return zone_open("Europe/Rome", &desk_zone) || !mkdtemp(desk_folder);
}

int desk_empty(void)
{
    char command[256];
    snprintf(command, sizeof command, "rm -rf %s/*", desk_folder);
    return system(command);
}

void desk_clear(void)
{
    ck_assert_int_eq(desk_empty(), 0);
}

static void hear_mark(void *user, const char *gateway, const struct feed_mark *mark)
{
    struct ears *ears = user;
    ears->n[gateway[2] - '0'] = mark->n;
    ears->marks++;
}

static void hear_report(void *user, const char *gateway, const struct feed_frame *frame,
                        const struct air_report *report, bool first)
{
    struct ears *ears = user;
    (void)gateway, (void)frame, (void)report;
    ears->heard++;
    ears->first += first;
}

static void hear_trouble(void *user, const char *gateway, const char *item, bool present,
                         const char *detail)
{
    struct ears *ears = user;
    (void)gateway, (void)present, (void)detail;
    ears->conflicts += strcmp(item, "conflict") == 0;
    ears->losses += strcmp(item, "loss") == 0;
    ears->contradictions += strcmp(item, "spool") == 0;
}

void desk_open(struct desk *c, const char *name)
{
    char stations[256], blocks[256];
    struct settings_fault fault;
    struct roster_fault roster_fault;
    snprintf(stations, sizeof stations, "%s/stations.csv", desk_folder);
    snprintf(blocks, sizeof blocks, "%s/blocks.geojson", desk_folder);
    snprintf(c->path, sizeof c->path, "%s/%s", desk_folder, name);
    if (roster_read_in(stations, blocks, desk_zone, &c->roster, &roster_fault))
        ck_abort_msg("%s", roster_fault.text);
    if (store_open(&c->store, c->path, desk_zone, c->roster, NOW_S, &fault))
        ck_abort_msg("%s", fault.text);
    struct ingest_events events = {&c->ears, hear_mark, hear_report, hear_trouble};
    ck_assert_int_eq(ingest_open(&c->ingest, c->store, c->roster, &events), 0);
}

void desk_close(struct desk *c)
{
    ingest_close(c->ingest);
    store_close(c->store);
    roster_free(c->roster);
}

void desk_take(struct desk *c, const struct world_spool *spool, const struct feed_row *row)
{
    char text[FEED_MESSAGE_MAX];
    size_t len;
    ck_assert_int_eq(feed_row_encode(row, text, sizeof text, &len), 0);
    (void)ingest_take(c->ingest, spool->gateway, text, len, NOW_S);
}

void desk_finish(struct desk *c)
{
    c->transport_us += 2000000;
    ck_assert_int_eq(ingest_finish(c->ingest, c->transport_us), 0);
}

void desk_expect_conserved(struct desk *c, const struct world *world)
{
    stored_expect_conserved(store_db(c->store), world);
}

char *desk_rows(struct desk *c)
{
    return stored_rows(store_db(c->store));
}

/* One spool after the other. */
void desk_run_plainly(struct desk *c, const struct world *world)
{
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        for (size_t i = 0; i < world->spools[g].count; i++) {
            desk_take(c, &world->spools[g], &world->spools[g].rows[i]);
            if (i % 500 == 499 || i + 1 == world->spools[g].count)
                desk_finish(c);
        }
}

/* Spools in turns of random length, lost and repeated messages, refused batches, restarts; a gateway sends
 * again from the mark, as gateways do. */
void desk_run_wildly(struct desk *c, const struct world *world, const char *name, uint64_t seed)
{
    struct chance chance = {seed};
    size_t next[WORLD_GATEWAYS] = {0};
    for (unsigned turn = 0;; turn++) {
        bool left = false;
        for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
            left = left || c->ears.n[g] < world->spools[g].count;
        if (!left)
            break;
        ck_assert_uint_lt(turn, 200000);
        unsigned g = chance_below(&chance, WORLD_GATEWAYS);
        const struct world_spool *spool = &world->spools[g];
        unsigned burst = 1 + chance_below(&chance, chance_of(&chance, 0.2) ? 300 : 20);
        for (unsigned i = 0; i < burst && next[g] < spool->count; i++) {
            if (!chance_of(&chance, 0.002))
                desk_take(c, spool, &spool->rows[next[g]]);
            if (chance_of(&chance, 0.01))
                desk_take(c, spool, &spool->rows[next[g]]);
            next[g]++;
        }
        if (chance_of(&chance, 0.6))
            desk_finish(c);
        if (next[g] >= spool->count || chance_of(&chance, 0.02)) {
            desk_finish(c);
            next[g] = c->ears.n[g];
        }
        if (chance_of(&chance, 0.004)) { /* killed with or without an open batch */
            struct ears ears = c->ears;
            desk_close(c);
            *c = (struct desk){.ears = ears, .transport_us = c->transport_us};
            desk_open(c, name);
            for (unsigned k = 0; k < WORLD_GATEWAYS; k++)
                next[k] = c->ears.n[k];
        }
    }
}

void desk_one_world(struct desk *c, struct world *world, const char *name)
{
    struct world_habits habits = {.stations = 3, .intervals = 60, .loss = 0.1};
    desk_clear();
    world_make(world, &habits, 77);
    world_write_roster(world, desk_folder);
    *c = (struct desk){.path = ""};
    desk_open(c, name);
}

int desk_end(void)
{
    zone_close(desk_zone);
    int failed = desk_empty() != 0;
    return rmdir(desk_folder) != 0 || failed;
}
