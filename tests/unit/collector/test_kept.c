/* What a store keeps when it is pruned, when its disk is full, when its file is damaged or newer; and how little is read
 * of it. */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tests/suite.h"
#include "tests/unit/collector/desk.h"

/* The sanitizers make each world several times longer, and see in one what they would see in four. */
#ifdef __SANITIZE_ADDRESS__
enum { MORE_SEEDS = 0 };
#else
enum { MORE_SEEDS = 3 };
#endif

/* Hours from a local midnight on, as text. */
static char *hours_from(struct desk *c, int64_t from_s)
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

static void expect_sums(struct desk *c, const struct world *world)
{
    for (size_t s = 0; s < world->stations; s++)
        for (unsigned epoch = 0; epoch < 20; epoch++) {
            const struct sent *last = world_last(world, s, (uint8_t)epoch);
            if (last)
                ck_assert_int_eq(
                    desk_number(
                        c,
                        "SELECT (pruned + unplaced + coalesce((SELECT sum(entries) FROM hour"
                        " WHERE hour.series = series.series), 0)) & 4294967295 FROM series"
                        " WHERE devaddr = %u AND epoch = %u",
                        WORLD_FIRST_UNIT + (unsigned)s, epoch),
                    last->report.entries);
        }
}

/* Rows come in time, one gateway days late; old days are pruned meanwhile, and the collector is restarted. */
static void prune_meanwhile(struct desk *c, const struct world *world, const char *name,
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
                desk_take(c, spool, &spool->rows[next[g]]);
                if (g == 0 && spool->rows[next[g]].frame.synchronised)
                    latest_ms = spool->rows[next[g]].frame.heard_ms;
            }
            left = left || next[g] < spool->count;
        }
        desk_finish(c);
        if (chance_of(&chance, 0.2))
            ck_assert_int_eq(store_prune(c->store,
                                         latest_ms / 1000 - 86400 * chance_below(&chance, 6), NOW_S,
                                         &more),
                             0);
        if (chance_of(&chance, 0.05)) {
            struct ears ears = c->ears;
            desk_close(c);
            *c = (struct desk){.ears = ears, .transport_us = c->transport_us};
            desk_open(c, name);
        }
    }
    do
        ck_assert_int_eq(store_prune(c->store, latest_ms / 1000 - 86400, NOW_S, &more), 0);
    while (more);
}

static void one_pruned(const struct world_habits *habits, uint64_t seed, bool compare)
{
    struct world world;
    struct desk plain = {.path = ""}, pruned = {.path = ""};
    desk_clear();
    world_make(&world, habits, seed);
    world_write_roster(&world, desk_folder);
    desk_open(&plain, "plain.db");
    desk_run_plainly(&plain, &world);
    desk_open(&pruned, "pruned.db");
    prune_meanwhile(&pruned, &world, "pruned.db", seed);
    expect_sums(&pruned, &world);
    int64_t from_s = desk_number(&pruned, "SELECT before_s FROM pruned");
    ck_assert_int_eq(
        desk_number(&pruned, "SELECT count(*) FROM hour WHERE hour_s < %lld", (long long)from_s),
        0);
    int64_t kept = desk_number(&pruned, "SELECT count(*) FROM report");
    ck_assert_int_lt(kept, desk_number(&plain, "SELECT count(*) FROM report") / 2);
    ck_assert_int_gt(desk_number(&pruned, "SELECT sum(pruned) FROM series"), 0);
    ck_assert_int_gt(desk_number(&pruned, "SELECT count(*) FROM block_day WHERE day_s < %lld",
                                 (long long)from_s),
                     5);
    char *a = hours_from(&plain, from_s), *b = hours_from(&pruned, from_s);
    if (compare)
        ck_assert_msg(strcmp(a, b) == 0, "seed %llu: hours differ", (unsigned long long)seed);
    free(a), free(b);
    desk_close(&plain);
    desk_close(&pruned);
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
    struct desk plain = {.path = ""}, full = {.path = ""};
    unsigned refused = 0;
    desk_clear();
    world_make(&world, &habits, 5);
    world_write_roster(&world, desk_folder);
    desk_open(&plain, "plain.db");
    desk_run_plainly(&plain, &world);
    desk_open(&full, "full.db");
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        while (full.ears.n[g] < world.spools[g].count) {
            uint64_t before = full.ears.n[g];
            if (before / 10 % 3 == 0) /* not one page more */
                desk_number(&full, "PRAGMA max_page_count = 1");
            for (size_t i = before; i < before + 100 && i < world.spools[g].count; i++)
                desk_take(&full, &world.spools[g], &world.spools[g].rows[i]);
            full.transport_us += 2000000;
            int error = ingest_finish(full.ingest, full.transport_us);
            desk_number(&full, "PRAGMA max_page_count = 1000000");
            if (!error)
                continue;
            ck_assert_int_eq(error, -ENOSPC);
            ck_assert_uint_eq(full.ears.n[g], before);
            refused++;
            for (size_t i = before; i < before + 70 && i < world.spools[g].count; i++)
                desk_take(&full, &world.spools[g], &world.spools[g].rows[i]);
            desk_finish(&full);
        }
    printf("%u batches refused\n", refused);
    ck_assert_uint_gt(refused, 2);
    desk_expect_conserved(&full, &world);
    char *a = desk_rows(&plain), *b = desk_rows(&full);
    ck_assert(strcmp(a, b) == 0);
    free(a), free(b);
    desk_close(&plain);
    desk_close(&full);
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
    struct desk c;
    struct world world;
    struct settings_fault fault;
    struct store *store = NULL;
    desk_one_world(&c, &world, "files.db");
    desk_run_plainly(&c, &world);
    char id[FEED_ID_SIZE];
    strcpy(id, store_id(c.store));
    /* Another collector on the same file. */
    ck_assert_int_eq(store_open(&store, c.path, desk_zone, c.roster, NOW_S, &fault), -EBUSY);
    ck_assert_ptr_nonnull(strstr(fault.text, "another collector"));
    /* A reader beside it. */
    sqlite3 *reader = NULL;
    ck_assert_int_eq(store_open_readonly(c.path, &reader, &fault), 0);
    ck_assert_int_ne(sqlite3_exec(reader, "DELETE FROM hour", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(reader);
    desk_number(&c, "PRAGMA wal_checkpoint(TRUNCATE)");
    desk_close(&c);
    write_text(c.path, "this is not what SQLite wrote here, and it will see it at once", 4096 * 3);
    c = (struct desk){.path = ""};
    desk_open(&c, "files.db");
    ck_assert_ptr_nonnull(store_set_aside(c.store));
    ck_assert_int_eq(access(store_set_aside(c.store), F_OK), 0);
    ck_assert_str_ne(id, store_id(c.store));
    desk_run_plainly(&c, &world); /* from the gateways' history */
    desk_expect_conserved(&c, &world);
    ck_assert_int_eq(sqlite3_exec(store_db(c.store), "PRAGMA user_version = 99", NULL, NULL, NULL),
                     SQLITE_OK);
    ingest_close(c.ingest);
    store_close(c.store);
    ck_assert_int_eq(store_open(&store, c.path, desk_zone, c.roster, NOW_S, &fault), -ENOTSUP);
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
    struct desk c;
    struct world world;
    desk_one_world(&c, &world, "season.db");
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
    ck_assert_int_eq(
        desk_number(&c, "SELECT sum(entries) FROM block_day WHERE block = 'b7' AND day_s >="
                        " 1780000000"),
        1000);
    sqlite3_db_status(store_db(c.store), SQLITE_DBSTATUS_CACHE_MISS, &misses, &highest, 0);
    sqlite3_db_status(store_db(c.store), SQLITE_DBSTATUS_CACHE_HIT, &hits, &highest, 0);
    printf("a season of one block: %d pages\n", misses + hits);
    ck_assert_int_lt(misses + hits, 30);
    desk_close(&c);
    world_free(&world);
}
END_TEST

/* One unit is not heard for days while the others are; the store is trimmed and opened anew meanwhile. What it sends
 * then needs reports that were not read, and the rows are those of a store that heard all in order. */
START_TEST(a_quiet_unit_is_read_further_back)
{
    struct desk plain = {.path = ""}, c = {.path = ""};
    struct world world;
    struct world_habits habits = {.stations = 3, .intervals = 700, .loss = 0.1};
    desk_clear();
    world_make(&world, &habits, 78);
    world_write_roster(&world, desk_folder);
    desk_open(&plain, "plain.db");
    desk_open(&c, "quiet.db");
    const struct world_spool *all = &world.spools[0];
    struct world_spool first = *all, later = *all;
    strcpy(later.id, "00000000000000f1");
    first.count = later.count = 0;
    for (size_t i = 0; i < all->count; i++) {
        struct feed_row row = all->rows[i];
        bool quiet = row.frame.devaddr == WORLD_FIRST_UNIT && first.count > 100;
        desk_take(&plain, all, &row);
        if (i % 400 == 399)
            desk_finish(&plain);
        if (quiet)
            continue;
        row.n = ++first.count;
        desk_take(&c, &first, &row);
        if (first.count % 400 == 399)
            desk_finish(&c);
    }
    desk_finish(&plain);
    desk_finish(&c);
    struct store_totals before, after;
    ck_assert_int_eq(store_total(c.store, &before), 0);
    store_trim(c.store, NOW_S);
    ck_assert_int_eq(store_total(c.store, &after), 0);
    ck_assert_uint_lt(after.held, before.held / 2);
    desk_close(&c);
    c = (struct desk){.path = ""};
    desk_open(&c, "quiet.db");
    for (size_t i = 0, held = 0; i < all->count; i++) {
        struct feed_row row = all->rows[i];
        bool was_first = row.frame.devaddr != WORLD_FIRST_UNIT || held <= 100;
        held += was_first;
        if (was_first)
            continue;
        memcpy(row.spool, later.id, sizeof row.spool);
        row.n = ++later.count;
        desk_take(&c, &later, &row);
        if (later.count % 50 == 49)
            desk_finish(&c);
    }
    desk_finish(&c);
    ck_assert_uint_gt(later.count, 300);
    char *a = desk_rows(&plain), *b = desk_rows(&c);
    ck_assert_str_eq(a, b);
    free(a), free(b);
    desk_close(&plain);
    desk_close(&c);
    world_free(&world);
}
END_TEST

/* More units than there were places for at first, in memory and when they are read again. */
START_TEST(many_units)
{
    struct desk c = {.path = ""};
    struct world world;
    struct world_habits habits = {.stations = 300, .intervals = 3};
    desk_clear();
    world_make(&world, &habits, 79);
    world_write_roster(&world, desk_folder);
    desk_open(&c, "many.db");
    desk_run_plainly(&c, &world);
    desk_expect_conserved(&c, &world);
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM series"), 300);
    desk_close(&c);
    c = (struct desk){.path = ""};
    desk_open(&c, "many.db");
    struct store_totals totals;
    ck_assert_int_eq(store_total(c.store, &totals), 0);
    ck_assert_uint_eq(totals.held, totals.reports);
    desk_close(&c);
    world_free(&world);
}
END_TEST

int main(void)
{
    if (desk_begin())
        return EXIT_FAILURE;
    Suite *suite = suite_create("kept");
    TCase *tcase = tcase_create("rows");
    tcase_set_timeout(tcase, 280);
    tcase_add_test(tcase, damaged_and_newer_files);
    tcase_add_test(tcase, pruning);
    tcase_add_test(tcase, disk_full);
    tcase_add_test(tcase, season_reads_little);
    tcase_add_test(tcase, a_quiet_unit_is_read_further_back);
    tcase_add_test(tcase, many_units);
    suite_add_tcase(suite, tcase);
    int failed = suite_run(suite);
    failed += desk_end();
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
