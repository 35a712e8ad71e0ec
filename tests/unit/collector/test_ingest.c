/* Rows of several gateways through ingest into a store on disk, in many orders and batches, with restarts and
 * refused batches; against the truth of the stations and against each other. */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "collector/ingest/ingest.h"
#include "tests/unit/collector/stored.h"
#include "tests/unit/collector/world.h"

enum { NOW_S = 1788000000 };

/* The sanitizers make each world several times longer, and see in one what they would see in four. */
#ifdef __SANITIZE_ADDRESS__
enum { MORE_SEEDS = 0, BACKLOG = 900 };
#else
enum { MORE_SEEDS = 3, BACKLOG = 2000 };
#endif

static char folder[] = "/tmp/edgerow-ingest-XXXXXX";
static struct zone *zone;

static int empty_folder(void)
{
    char command[256];
    snprintf(command, sizeof command, "rm -rf %s/*", folder);
    return system(command);
}

static void clear_folder(void)
{
    ck_assert_int_eq(empty_folder(), 0);
}

/* What the collector said. */
struct ears {
    uint64_t n[WORLD_GATEWAYS];
    unsigned marks, heard, first, conflicts, losses, contradictions;
};

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

struct collector {
    char path[256];
    struct roster *roster;
    struct store *store;
    struct ingest *ingest;
    struct ears ears;
    int64_t transport_us;
};

static void collector_open(struct collector *c, const char *name)
{
    char stations[256], blocks[256];
    struct settings_fault fault;
    struct roster_fault roster_fault;
    snprintf(stations, sizeof stations, "%s/stations.csv", folder);
    snprintf(blocks, sizeof blocks, "%s/blocks.geojson", folder);
    snprintf(c->path, sizeof c->path, "%s/%s", folder, name);
    if (roster_read_in(stations, blocks, zone, &c->roster, &roster_fault))
        ck_abort_msg("%s", roster_fault.text);
    if (store_open(&c->store, c->path, zone, c->roster, NOW_S, &fault))
        ck_abort_msg("%s", fault.text);
    struct ingest_events events = {&c->ears, hear_mark, hear_report, hear_trouble};
    ck_assert_int_eq(ingest_open(&c->ingest, c->store, c->roster, &events), 0);
}

static void collector_close(struct collector *c)
{
    ingest_close(c->ingest);
    store_close(c->store);
    roster_free(c->roster);
}

static void take(struct collector *c, const struct world_spool *spool, const struct feed_row *row)
{
    char text[FEED_MESSAGE_MAX];
    size_t len;
    ck_assert_int_eq(feed_row_encode(row, text, sizeof text, &len), 0);
    (void)ingest_take(c->ingest, spool->gateway, text, len, NOW_S);
}

static void finish(struct collector *c)
{
    c->transport_us += 2000000;
    ck_assert_int_eq(ingest_finish(c->ingest, c->transport_us), 0);
}

static void expect_conserved(struct collector *c, const struct world *world)
{
    stored_expect_conserved(store_db(c->store), world);
}

static char *final_rows(struct collector *c)
{
    return stored_rows(store_db(c->store));
}

#define number(c, ...) stored_number(store_db((c)->store), __VA_ARGS__)

/* One spool after the other. */
static void run_plainly(struct collector *c, const struct world *world)
{
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        for (size_t i = 0; i < world->spools[g].count; i++) {
            take(c, &world->spools[g], &world->spools[g].rows[i]);
            if (i % 500 == 499 || i + 1 == world->spools[g].count)
                finish(c);
        }
}

/* Spools in turns of random length, lost and repeated messages, refused batches, restarts; a gateway sends
 * again from the mark, as gateways do. */
static void run_wildly(struct collector *c, const struct world *world, const char *name,
                       uint64_t seed)
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
                take(c, spool, &spool->rows[next[g]]);
            if (chance_of(&chance, 0.01))
                take(c, spool, &spool->rows[next[g]]);
            next[g]++;
        }
        if (chance_of(&chance, 0.6))
            finish(c);
        if (next[g] >= spool->count || chance_of(&chance, 0.02)) {
            finish(c);
            next[g] = c->ears.n[g];
        }
        if (chance_of(&chance, 0.004)) { /* killed with or without an open batch */
            struct ears ears = c->ears;
            collector_close(c);
            *c = (struct collector){.ears = ears, .transport_us = c->transport_us};
            collector_open(c, name);
            for (unsigned k = 0; k < WORLD_GATEWAYS; k++)
                next[k] = c->ears.n[k];
        }
    }
}

static void both_ways(const struct world_habits *habits, uint64_t seed)
{
    struct world world;
    struct collector plain = {.path = ""}, wild = {.path = ""};
    clear_folder();
    world_make(&world, habits, seed);
    world_write_roster(&world, folder);
    collector_open(&plain, "plain.db");
    run_plainly(&plain, &world);
    expect_conserved(&plain, &world);
    collector_open(&wild, "wild.db");
    run_wildly(&wild, &world, "wild.db", seed);
    expect_conserved(&wild, &world);
    char *a = final_rows(&plain), *b = final_rows(&wild);
    if (strcmp(a, b) != 0) {
        FILE *x = fopen("/tmp/edgerow-a.txt", "w"), *y = fopen("/tmp/edgerow-b.txt", "w");
        fputs(a, x), fputs(b, y);
        fclose(x), fclose(y);
        ck_abort_msg("seed %llu: rows differ", (unsigned long long)seed);
    }
    free(a), free(b);
    collector_close(&plain);
    collector_close(&wild);
    world_free(&world);
}

START_TEST(right_clocks)
{
    struct world_habits habits = {.stations = 8, .intervals = 400, .loss = 0.2, .hard = true};
    for (uint64_t seed = 1; seed <= 1 + MORE_SEEDS; seed++)
        both_ways(&habits, seed);
}
END_TEST

START_TEST(wrong_clocks)
{
    struct world_habits habits = {.stations = 8,
                                  .intervals = 400,
                                  .loss = 0.3,
                                  .unsure = 0.5,
                                  .corrected = 0.6,
                                  .hard = true};
    for (uint64_t seed = 11; seed <= 11 + MORE_SEEDS; seed++)
        both_ways(&habits, seed);
}
END_TEST

/* A gateway brings three weeks of backlog after the others. */
START_TEST(backlog)
{
    struct world_habits habits = {.stations = 5, .intervals = BACKLOG, .loss = 0.5};
    for (uint64_t seed = 21; seed <= 21 + MORE_SEEDS / 2; seed++)
        both_ways(&habits, seed);
}
END_TEST

static void one_world(struct collector *c, struct world *world, const char *name)
{
    struct world_habits habits = {.stations = 3, .intervals = 60, .loss = 0.1};
    clear_folder();
    world_make(world, &habits, 77);
    world_write_roster(world, folder);
    *c = (struct collector){.path = ""};
    collector_open(c, name);
}

START_TEST(gaps_and_losses)
{
    struct collector c;
    struct world world;
    one_world(&c, &world, "gaps.db");
    const struct world_spool *spool = &world.spools[0];
    take(&c, spool, &spool->rows[0]);
    take(&c, spool, &spool->rows[2]); /* 2 is missing */
    finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 1);
    ck_assert_uint_eq(ingest_count(c.ingest)->gaps, 1);
    struct feed_row row = spool->rows[4]; /* 2 to 4 no longer exist */
    row.oldest = 5;
    take(&c, spool, &row);
    finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 5);
    ck_assert_int_eq(number(&c, "SELECT count FROM loss WHERE first = 2 AND last = 4"), 3);
    ck_assert_int_eq(number(&c, "SELECT passed FROM spool"), 3);
    /* 6 to 8 were given up; one row stands for them. */
    struct feed_row loss = {.kind = FEED_ROW_LOSS,
                            .n = 8,
                            .oldest = 5,
                            .loss = {.first = 6, .last = 8, .count = 3, .why = "spool full"}};
    strcpy(loss.spool, spool->id);
    strcpy(loss.hash, spool->rows[7].hash);
    take(&c, spool, &loss);
    take(&c, spool, &spool->rows[8]);
    finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 9);
    ck_assert_uint_eq(c.ears.losses, 2);
    ck_assert(ingest_caught_up(c.ingest, "gw0", spool->id, 9));
    ck_assert(!ingest_caught_up(c.ingest, "gw0", spool->id, 10));
    collector_close(&c);
    world_free(&world);
}
END_TEST

START_TEST(conflicts)
{
    struct collector c;
    struct world world;
    one_world(&c, &world, "conflicts.db");
    const struct world_spool *spool = &world.spools[0];
    take(&c, spool, &spool->rows[0]);
    struct feed_row row = spool->rows[1];
    row.frame = spool->rows[0].frame;
    row.frame.payload[5] ^= 1;
    row.frame.has_report = false;
    take(&c, spool, &row);
    finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 2);
    ck_assert_uint_eq(c.ears.conflicts, 1);
    ck_assert_int_eq(number(&c, "SELECT count(*) FROM conflict"), 1);
    ck_assert_int_eq(number(&c, "SELECT count(*) FROM report"), 1);
    /* The last number again, from a copied card: what follows there does not continue what is here, and a mark for
     * it would let the gateway forget rows that nobody has. */
    strcpy(row.hash, "ffffffffffffffffffffffffffffffff");
    take(&c, spool, &row);
    take(&c, spool, &spool->rows[2]);
    finish(&c);
    ck_assert_uint_eq(c.ears.contradictions, 1);
    ck_assert_uint_eq(c.ears.n[0], 2);
    /* And from the card that was here before. */
    strcpy(row.hash, spool->rows[1].hash);
    take(&c, spool, &row);
    take(&c, spool, &spool->rows[2]);
    finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 3);
    collector_close(&c);
    world_free(&world);
}
END_TEST

START_TEST(quarantine)
{
    struct collector c;
    struct world world;
    char path[256];
    one_world(&c, &world, "quarantine.db");
    collector_close(&c);
    snprintf(path, sizeof path, "%s/stations.csv", folder);
    FILE *file = fopen(path, "w");
    fputs("trap,block,unit\nt000,b0,01000000\n", file); /* the others are not known yet */
    fclose(file);
    c = (struct collector){.path = ""};
    collector_open(&c, "quarantine.db");
    run_plainly(&c, &world);
    ck_assert_int_gt(number(&c, "SELECT count(*) FROM quarantine"), 50);
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        ck_assert_uint_eq(c.ears.n[g], world.spools[g].count);
    world_write_roster(&world, folder);
    struct roster *roster = NULL;
    struct roster_fault fault;
    char blocks[256];
    snprintf(blocks, sizeof blocks, "%s/blocks.geojson", folder);
    ck_assert_int_eq(roster_read_in(path, blocks, zone, &roster, &fault), 0);
    ck_assert_int_eq(store_change_roster(c.store, roster, NOW_S), 0);
    ingest_change_roster(c.ingest, roster);
    ck_assert_int_eq(ingest_retry(c.ingest, NOW_S), 0);
    ck_assert_int_eq(number(&c, "SELECT count(*) FROM quarantine"), 0);
    expect_conserved(&c, &world);
    char *late = final_rows(&c);
    struct collector plain = {.path = ""};
    collector_open(&plain, "plain.db");
    run_plainly(&plain, &world);
    char *rows = final_rows(&plain);
    ck_assert_str_eq(late, rows);
    free(late), free(rows);
    collector_close(&plain);
    roster_free(c.roster);
    c.roster = roster;
    collector_close(&c);
    world_free(&world);
}
END_TEST

START_TEST(messages_that_cannot_be_read)
{
    struct collector c;
    struct world world;
    static const char *const bad[] = {
        "",
        "{",
        "[]",
        "{\"version\": 1}",
        "{\"spool\": \"0011223344556677\", \"n\": 0}",
        "{\"spool\": \"0011223344556677\", \"n\": 1, \"n\": 2, \"oldest\": 1}"};
    static const char newer[] =
        "{\"version\": 9, \"spool\": \"0011223344556677\", \"n\": 1, \"oldest\": 1,"
        "\"hash\": \"00112233445566778899aabbccddeeff\", \"news\": [1, 2]}";
    one_world(&c, &world, "bad.db");
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_int_eq(ingest_take(c.ingest, "gw0", bad[i], strlen(bad[i]), NOW_S), 0);
    finish(&c);
    ck_assert_uint_eq(ingest_count(c.ingest)->malformed, 6);
    ck_assert_int_eq(number(&c, "SELECT count(*) FROM quarantine"), 0);
    ck_assert_int_eq(ingest_take(c.ingest, "gw0", newer, strlen(newer), NOW_S), 0);
    finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 1);
    ck_assert_int_eq(number(&c, "SELECT count(*) FROM quarantine WHERE why = 'newer row'"), 1);
    ck_assert_int_eq(ingest_retry(c.ingest, NOW_S), 0);
    ck_assert_int_eq(number(&c, "SELECT count(*) FROM quarantine"), 1);
    collector_close(&c);
    world_free(&world);
}
END_TEST

/* Moving a trap changes what comes after, and what the file now says of before; days add up either way. */
START_TEST(assignments)
{
    struct collector c;
    struct world world;
    char path[256];
    one_world(&c, &world, "assignments.db");
    run_plainly(&c, &world);
    int64_t all = number(&c, "SELECT sum(entries) FROM hour");
    collector_close(&c);
    snprintf(path, sizeof path, "%s/stations.csv", folder);
    FILE *file = fopen(path, "w");
    fputs("trap,block,unit,from,to\nt000,b0,01000000,,2026-08-01T12:00\n"
          "t009,b1,01000000,2026-08-01T12:00,\nt001,b1,01000001,,\nt002,b0,01000002,2026-08-01T10:"
          "00,\n",
          file);
    fclose(file);
    c = (struct collector){.path = ""};
    collector_open(&c, "assignments.db");
    ck_assert_int_eq(all, number(&c, "SELECT sum(entries) FROM hour"));
    int64_t assigned = number(&c, "SELECT sum(entries) FROM block_day");
    int64_t unassigned = number(&c, "SELECT sum(entries) FROM unassigned_day");
    ck_assert_int_eq(all, assigned + unassigned);
    ck_assert_int_gt(unassigned, 0);
    ck_assert_int_eq(assigned, number(&c, "SELECT sum(entries) FROM trap_day"));
    /* Noon in Rome is 10:00 UTC: the hours before are t000's. */
    ck_assert_int_eq(
        number(&c, "SELECT sum(entries) FROM trap_day WHERE trap = 't000'"),
        number(&c, "SELECT sum(hour.entries) FROM hour JOIN series USING (series) WHERE devaddr"
                   " = 16777216 AND hour_s < 1785578400"));
    collector_close(&c);
    world_free(&world);
}
END_TEST

/* Hours from a local midnight on, as text. */
static char *hours_from(struct collector *c, int64_t from_s)
{
    char *text = NULL, sql[400];
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    sqlite3_stmt *row = NULL;
    snprintf(
        sql, sizeof sql,
        "SELECT hour_s, devaddr, epoch, hour.entries, spread, exits, shorts, blocked_s, covered_s,"
        " counted_s FROM hour JOIN series USING (series) WHERE hour_s >= %lld ORDER BY 1, 2, 3",
        (long long)from_s);
    ck_assert_int_eq(sqlite3_prepare_v2(store_db(c->store), sql, -1, &row, NULL), SQLITE_OK);
    while (sqlite3_step(row) == SQLITE_ROW) {
        for (int i = 0; i < sqlite3_column_count(row); i++)
            fprintf(out, "%s ", (const char *)sqlite3_column_text(row, i));
        fputc('\n', out);
    }
    sqlite3_finalize(row);
    fclose(out);
    return text;
}

static void expect_sums(struct collector *c, const struct world *world)
{
    for (size_t s = 0; s < world->stations; s++)
        for (unsigned epoch = 0; epoch < 20; epoch++) {
            const struct sent *last = world_last(world, s, (uint8_t)epoch);
            if (last)
                ck_assert_int_eq(
                    number(c,
                           "SELECT (pruned + unplaced + coalesce((SELECT sum(entries) FROM hour"
                           " WHERE hour.series = series.series), 0)) & 4294967295 FROM series"
                           " WHERE devaddr = %u AND epoch = %u",
                           WORLD_FIRST_UNIT + (unsigned)s, epoch),
                    last->report.entries);
        }
}

/* Rows come in time, one gateway days late; old days are pruned meanwhile, and the collector is restarted. */
static void prune_meanwhile(struct collector *c, const struct world *world, const char *name,
                            uint64_t seed)
{
    struct chance chance = {seed};
    size_t next[WORLD_GATEWAYS] = {0};
    int64_t latest_ms = 0;
    bool left = true, more;
    while (left) {
        left = false;
        for (unsigned g = 0; g < WORLD_GATEWAYS; g++) {
            const struct world_spool *spool = &world->spools[g];
            size_t upto = next[g] + 40;
            if (g == 2 && next[0] < world->spools[0].count && next[0] < next[2] + 900)
                upto = 0; /* cut off */
            for (; next[g] < upto && next[g] < spool->count; next[g]++) {
                take(c, spool, &spool->rows[next[g]]);
                if (g == 0 && spool->rows[next[g]].frame.synchronised)
                    latest_ms = spool->rows[next[g]].frame.heard_ms;
            }
            left = left || next[g] < spool->count;
        }
        finish(c);
        if (chance_of(&chance, 0.2))
            ck_assert_int_eq(store_prune(c->store,
                                         latest_ms / 1000 - 86400 * chance_below(&chance, 6), NOW_S,
                                         &more),
                             0);
        if (chance_of(&chance, 0.05)) {
            struct ears ears = c->ears;
            collector_close(c);
            *c = (struct collector){.ears = ears, .transport_us = c->transport_us};
            collector_open(c, name);
        }
    }
    do
        ck_assert_int_eq(store_prune(c->store, latest_ms / 1000 - 86400, NOW_S, &more), 0);
    while (more);
}

static void one_pruned(const struct world_habits *habits, uint64_t seed, bool compare)
{
    struct world world;
    struct collector plain = {.path = ""}, pruned = {.path = ""};
    clear_folder();
    world_make(&world, habits, seed);
    world_write_roster(&world, folder);
    collector_open(&plain, "plain.db");
    run_plainly(&plain, &world);
    collector_open(&pruned, "pruned.db");
    prune_meanwhile(&pruned, &world, "pruned.db", seed);
    expect_sums(&pruned, &world);
    int64_t from_s = number(&pruned, "SELECT before_s FROM pruned");
    ck_assert_int_eq(
        number(&pruned, "SELECT count(*) FROM hour WHERE hour_s < %lld", (long long)from_s), 0);
    int64_t kept = number(&pruned, "SELECT count(*) FROM report");
    ck_assert_int_lt(kept, number(&plain, "SELECT count(*) FROM report") / 2);
    ck_assert_int_gt(number(&pruned, "SELECT sum(pruned) FROM series"), 0);
    ck_assert_int_gt(
        number(&pruned, "SELECT count(*) FROM block_day WHERE day_s < %lld", (long long)from_s), 5);
    char *a = hours_from(&plain, from_s), *b = hours_from(&pruned, from_s);
    if (compare)
        ck_assert_msg(strcmp(a, b) == 0, "seed %llu: hours differ", (unsigned long long)seed);
    free(a), free(b);
    collector_close(&plain);
    collector_close(&pruned);
    world_free(&world);
}

START_TEST(pruning)
{
    struct world_habits habits = {.stations = 6, .intervals = 1500, .loss = 0.3, .hard = true};
    for (uint64_t seed = 31; seed <= 31 + MORE_SEEDS * 2 / 3; seed++)
        one_pruned(&habits, seed, true);
    habits.unsure = 0.4;
    habits.corrected = 0.6;
    for (uint64_t seed = 41; seed <= 41 + MORE_SEEDS * 2 / 3; seed++)
        one_pruned(&habits, seed, false);
}
END_TEST

/* The disk is full in the middle: nothing of the batch counts, nothing is marked, all of it comes again. */
START_TEST(disk_full)
{
    struct world_habits habits = {.stations = 4, .intervals = 300, .loss = 0.1};
    struct world world;
    struct collector plain = {.path = ""}, full = {.path = ""};
    unsigned refused = 0;
    clear_folder();
    world_make(&world, &habits, 5);
    world_write_roster(&world, folder);
    collector_open(&plain, "plain.db");
    run_plainly(&plain, &world);
    collector_open(&full, "full.db");
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        while (full.ears.n[g] < world.spools[g].count) {
            uint64_t before = full.ears.n[g];
            if (before / 10 % 3 == 0) /* not one page more */
                number(&full, "PRAGMA max_page_count = 1");
            for (size_t i = before; i < before + 100 && i < world.spools[g].count; i++)
                take(&full, &world.spools[g], &world.spools[g].rows[i]);
            full.transport_us += 2000000;
            int error = ingest_finish(full.ingest, full.transport_us);
            number(&full, "PRAGMA max_page_count = 1000000");
            if (!error)
                continue;
            ck_assert_int_eq(error, -ENOSPC);
            ck_assert_uint_eq(full.ears.n[g], before);
            refused++;
            for (size_t i = before; i < before + 70 && i < world.spools[g].count; i++)
                take(&full, &world.spools[g], &world.spools[g].rows[i]);
            finish(&full);
        }
    printf("%u batches refused\n", refused);
    ck_assert_uint_gt(refused, 2);
    expect_conserved(&full, &world);
    char *a = final_rows(&plain), *b = final_rows(&full);
    ck_assert(strcmp(a, b) == 0);
    free(a), free(b);
    collector_close(&plain);
    collector_close(&full);
    world_free(&world);
}
END_TEST

static void write_text(const char *path, const char *text, size_t at)
{
    FILE *file = fopen(path, "r+");
    ck_assert_ptr_nonnull(file);
    fseek(file, (long)at, SEEK_SET);
    fputs(text, file);
    fclose(file);
}

START_TEST(damaged_and_newer_files)
{
    struct collector c;
    struct world world;
    struct settings_fault fault;
    struct store *store = NULL;
    one_world(&c, &world, "files.db");
    run_plainly(&c, &world);
    char id[FEED_ID_SIZE];
    strcpy(id, store_id(c.store));
    /* Another collector on the same file. */
    ck_assert_int_eq(store_open(&store, c.path, zone, c.roster, NOW_S, &fault), -EBUSY);
    ck_assert_ptr_nonnull(strstr(fault.text, "another collector"));
    /* A reader beside it. */
    sqlite3 *reader = NULL;
    ck_assert_int_eq(store_open_readonly(c.path, &reader, &fault), 0);
    ck_assert_int_ne(sqlite3_exec(reader, "DELETE FROM hour", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(reader);
    number(&c, "PRAGMA wal_checkpoint(TRUNCATE)");
    collector_close(&c);
    write_text(c.path, "this is not what SQLite wrote here, and it will see it at once", 4096 * 3);
    c = (struct collector){.path = ""};
    collector_open(&c, "files.db");
    ck_assert_ptr_nonnull(store_set_aside(c.store));
    ck_assert_int_eq(access(store_set_aside(c.store), F_OK), 0);
    ck_assert_str_ne(id, store_id(c.store));
    run_plainly(&c, &world); /* from the gateways' history */
    expect_conserved(&c, &world);
    ck_assert_int_eq(sqlite3_exec(store_db(c.store), "PRAGMA user_version = 99", NULL, NULL, NULL),
                     SQLITE_OK);
    ingest_close(c.ingest);
    store_close(c.store);
    ck_assert_int_eq(store_open(&store, c.path, zone, c.roster, NOW_S, &fault), -ENOTSUP);
    ck_assert_ptr_nonnull(strstr(fault.text, "newer software"));
    ck_assert_int_eq(store_open_readonly(c.path, &reader, &fault), -ENOTSUP);
    ck_assert_int_eq(store_open_readonly("/nonexistent/store.db", &reader, &fault), -ENOENT);
    roster_free(c.roster);
    world_free(&world);
}
END_TEST

/* A season of one block is asked for with tens of pages. */
START_TEST(season_reads_little)
{
    struct collector c;
    struct world world;
    one_world(&c, &world, "season.db");
    for (int day = 0; day < 200; day++)
        for (int block = 0; block < 40; block++) {
            char sql[200];
            snprintf(sql, sizeof sql,
                     "INSERT INTO block_day (day_s, block, entries) VALUES (%d, 'b%d', 5)",
                     1780000000 + day * 86400, block);
            ck_assert_int_eq(sqlite3_exec(store_db(c.store), sql, NULL, NULL, NULL), SQLITE_OK);
        }
    sqlite3_exec(store_db(c.store), "PRAGMA shrink_memory", NULL, NULL, NULL);
    int misses = 0, hits = 0, highest;
    sqlite3_db_release_memory(store_db(c.store));
    sqlite3_db_status(store_db(c.store), SQLITE_DBSTATUS_CACHE_MISS, &misses, &highest, 1);
    sqlite3_db_status(store_db(c.store), SQLITE_DBSTATUS_CACHE_HIT, &hits, &highest, 1);
    ck_assert_int_eq(number(&c, "SELECT sum(entries) FROM block_day WHERE block = 'b7' AND day_s >="
                                " 1780000000"),
                     1000);
    sqlite3_db_status(store_db(c.store), SQLITE_DBSTATUS_CACHE_MISS, &misses, &highest, 0);
    sqlite3_db_status(store_db(c.store), SQLITE_DBSTATUS_CACHE_HIT, &hits, &highest, 0);
    printf("a season of one block: %d pages\n", misses + hits);
    ck_assert_int_lt(misses + hits, 30);
    collector_close(&c);
    world_free(&world);
}
END_TEST

int main(void)
{
    if (zone_open("Europe/Rome", &zone) || !mkdtemp(folder))
        return EXIT_FAILURE;
    Suite *suite = suite_create("ingest");
    TCase *tcase = tcase_create("rows");
    tcase_set_timeout(tcase, 280);
    tcase_add_test(tcase, right_clocks);
    tcase_add_test(tcase, wrong_clocks);
    tcase_add_test(tcase, backlog);
    tcase_add_test(tcase, gaps_and_losses);
    tcase_add_test(tcase, conflicts);
    tcase_add_test(tcase, quarantine);
    tcase_add_test(tcase, messages_that_cannot_be_read);
    tcase_add_test(tcase, assignments);
    tcase_add_test(tcase, damaged_and_newer_files);
    tcase_add_test(tcase, pruning);
    tcase_add_test(tcase, disk_full);
    tcase_add_test(tcase, season_reads_little);
    suite_add_tcase(suite, tcase);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    zone_close(zone);
    failed += empty_folder() != 0;
    rmdir(folder);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
