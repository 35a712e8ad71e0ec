/*
 * Scenes of the collector's store, short enough that every single operation of them can fail: one of everything that
 * is stored, a store of older software, and one that is found damaged.
 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/ingest/ingest.h"
#include "collector/store/database.h"
#include "tests/simulation/scenes.h"

enum { STEPS = 9 };

static const char path[] = "/medium/3/store.db";
static const struct world_fixed *fixed;
static const struct roster *roster;
static struct store *store;
static struct ingest *ingest;

static int64_t now_s(unsigned step)
{
    return BEGIN_US / SECOND_US + 2 * 86400 + step * 3600;
}

static int ledger_open(struct scene *scene)
{
    struct settings_fault fault;
    struct ingest_events events = {.user = NULL};
    if (!medium_exists(path))
        roster = fixed->early;
    int error = store_open(&store, path, fixed->zone, roster, now_s(0), &fault);
    if (error == 0)
        error = ingest_open(&ingest, store, roster, &events);
    scene->opened = error == 0;
    if (error != 0)
        scene->close(scene);
    return error;
}

static void ledger_close(struct scene *scene)
{
    ingest_close(ingest);
    store_close(store);
    ingest = NULL;
    store = NULL;
    scene->opened = false;
}

static struct feed_row row_of(const char *spool, unsigned n, unsigned station, unsigned k)
{
    struct feed_row row = {.n = n, .oldest = 1, .kind = FEED_ROW_FRAME};
    snprintf(row.spool, sizeof row.spool, "%s", spool);
    snprintf(row.hash, sizeof row.hash, "%032x", n);
    scene_frame(station, k, &row.frame);
    return row;
}

static void take(const char *gateway, const struct feed_row *row)
{
    char text[FEED_MESSAGE_MAX];
    size_t len;
    if (feed_row_encode(row, text, sizeof text, &len) != 0)
        abort();
    (void)ingest_take(ingest, gateway, text, len, now_s(0));
}

static const char first_spool[] = "00000000000000c1", second_spool[] = "00000000000000c2";

/* Hours before the first gateway's clock was known; one report of a unit that is not entered yet. */
static int take_unsure(void)
{
    for (unsigned n = 1; n <= 4; n++) {
        struct feed_row row = row_of(first_spool, n, n == 3 ? PLAN_STATIONS - 1 : 0, n);
        row.frame.synchronised = false;
        row.frame.heard_ms -= 86400000;
        take("barn", &row);
    }
    return ingest_finish(ingest, 0);
}

/* The other gateway heard the same, with a right clock; once something else under the same number. */
static int take_copies(void)
{
    for (unsigned n = 1; n <= 3; n++) {
        struct feed_row row = row_of(second_spool, n, 0, n == 3 ? 1 : n);
        row.frame.boot[0] = '1';
        if (n == 3) {
            row.frame.payload[5] ^= 1;
            row.frame.has_report = false;
        }
        take("pump", &row);
    }
    return ingest_finish(ingest, 0);
}

static int take_clock(void)
{
    struct feed_row row = row_of(first_spool, 5, 0, 5);
    row.kind = FEED_ROW_CLOCK;
    row.clock = (struct feed_clock){.offset_ms = 86400000, .boot = "00000000000000b0"};
    take("barn", &row);
    row = row_of(first_spool, 6, 0, 6);
    take("barn", &row);
    return ingest_finish(ingest, 0);
}

/* Rows 7 to 9 were given up, 10 and 11 are gone, and something that is no row comes in between. */
static int take_losses(void)
{
    struct feed_row row = row_of(first_spool, 9, 0, 0);
    row.kind = FEED_ROW_LOSS;
    row.loss = (struct feed_loss){.first = 7, .last = 9, .count = 3, .why = "spool full"};
    take("barn", &row);
    (void)ingest_take(ingest, "barn", "{}", 2, now_s(0));
    row = row_of(first_spool, 12, 0, 12);
    row.oldest = 12;
    row.frame.heard_ms += 30 * 3600000;
    take("barn", &row);
    return ingest_finish(ingest, 0);
}

static int enter_units(void)
{
    roster = fixed->roster;
    int error = store_change_roster(store, roster, now_s(0));
    if (error != 0)
        return error;
    ingest_change_roster(ingest, roster);
    return ingest_retry(ingest, now_s(0));
}

/* What happened before is over; then a report from before the anchor comes late. */
static int prune(void)
{
    bool left;
    return store_prune(store, BEGIN_US / SECOND_US + 36 * 3600, now_s(0), &left);
}

static int take_late(void)
{
    struct feed_row row = row_of(second_spool, 4, 0, 0);
    take("pump", &row);
    return ingest_finish(ingest, 0);
}

static int count(void)
{
    struct store_totals totals;
    int error = store_total(store, &totals);
    store_trim(store, now_s(0));
    return error != 0 ? error : totals.reports > 0 ? 0 : -ENOENT;
}

static int ledger_play(struct scene *scene, unsigned step)
{
    int (*const steps[])(void) = {take_unsure, take_copies, take_clock, take_losses,
                                  enter_units, prune,       take_late,  count};
    if (step < sizeof steps / sizeof steps[0])
        return steps[step]();
    scene->close(scene);
    return scene->open(scene);
}

static void print(FILE *out, sqlite3 *db, const char *sql)
{
    sqlite3_stmt *row = NULL;
    sqlite3_prepare_v2(db, sql, -1, &row, NULL);
    while (sqlite3_step(row) == SQLITE_ROW) {
        for (int i = 0; i < sqlite3_column_count(row); i++)
            fprintf(out, "%s ", (const char *)sqlite3_column_text(row, i));
        fputc('\n', out);
    }
    sqlite3_finalize(row);
}

/* How often something was refused depends on how often it was tried; what is stored does not. Rows that are gone may be
 * known from the row that stands for them or, where that was dropped, from the gap that the next one shows. */
static char *ledger_tell(struct scene *scene)
{
    static const char *const questions[] = {
        "SELECT 'spool', spool, gateway, n, hash FROM spool ORDER BY 2",
        "SELECT 'hour', hour_s, devaddr, hour.entries, spread, covered_s FROM hour JOIN series "
        "USING"
        " (series) ORDER BY 2, 3",
        "SELECT 'series', devaddr, unplaced, pruned, anchor, entries, reports FROM series ORDER BY "
        "2",
        "SELECT 'report', devaddr, fcnt, heard_ms, sure FROM report JOIN series USING (series) "
        "ORDER"
        " BY 2, 3",
        "SELECT 'day', day_s, trap, entries FROM trap_day ORDER BY 2, 3",
        "SELECT 'loss', min(first), max(last), sum(count) FROM loss",
        "SELECT 'conflict', devaddr, fcnt FROM conflict",
        "SELECT 'quarantine', why FROM quarantine"};
    char *text = NULL;
    size_t size = 0;
    (void)scene;
    FILE *out = open_memstream(&text, &size);
    fprintf(out, "%s\n", medium_has(SCENE_MACHINE, "damaged") ? "set aside" : "whole");
    for (size_t i = 0; i < sizeof questions / sizeof questions[0]; i++)
        print(out, store_db(store), questions[i]);
    fclose(out);
    return text;
}

struct scene *scene_of_ledger(const struct world_fixed *made)
{
    static struct scene scene = {.name = "ledger",
                                 .steps = STEPS,
                                 .open = ledger_open,
                                 .close = ledger_close,
                                 .play = ledger_play,
                                 .tell = ledger_tell};
    fixed = made;
    return &scene;
}

/* ---- a file as it is found ---- */

static struct database database;

static int file_open(struct scene *scene)
{
    struct settings_fault fault;
    int error = database_open(&database, path, now_s(0), &fault);
    scene->opened = error == 0;
    return error;
}

static void file_close(struct scene *scene)
{
    if (scene->opened)
        database_close(&database);
    scene->opened = false;
}

static int file_play(struct scene *scene, unsigned step)
{
    if (step == 0)
        return database_run(database.db,
                            "INSERT OR IGNORE INTO withdrawn VALUES (1, 'visit', 1, '', 1)");
    scene->close(scene);
    return scene->open(scene);
}

static char *file_tell(struct scene *scene)
{
    char *text = NULL;
    size_t size = 0;
    (void)scene;
    FILE *out = open_memstream(&text, &size);
    fprintf(out, "%s\n", medium_has(SCENE_MACHINE, "damaged") ? "set aside" : "whole");
    print(out, database.db, "PRAGMA user_version");
    print(out, database.db, "SELECT name FROM sqlite_schema ORDER BY name");
    print(out, database.db, "SELECT count(*) FROM visit");
    print(out, database.db, "SELECT count(*) FROM entry");
    print(out, database.db, "SELECT count(*) FROM withdrawn");
    fclose(out);
    return text;
}

static struct medium_copy *prepared(struct scene *scene, const char *sql)
{
    if (file_open(scene) != 0 || database_run(database.db, sql) != 0)
        abort();
    file_close(scene);
    return medium_copy_take(SCENE_MACHINE);
}

/* As the first layout was: without what came after it. */
static void old_prepare(struct scene *scene)
{
    static struct medium_copy *copy;
    if (copy == NULL)
        copy = prepared(scene,
                        "INSERT INTO visit VALUES (1, 1785000000, 't1', 'emptied', NULL, '', 1);"
                        "DROP VIEW kept_visit; DROP VIEW kept_fruit; DROP VIEW kept_stage;"
                        "DROP VIEW entry; DROP TABLE withdrawn; DROP TABLE fruit_count;"
                        "DROP TABLE stage; DROP TABLE frozen_round; PRAGMA user_version = 1");
    medium_copy_put(SCENE_MACHINE, copy);
}

struct scene *scene_of_old_store(void)
{
    static struct scene scene = {.name = "old store",
                                 .steps = 2,
                                 .prepare = old_prepare,
                                 .open = file_open,
                                 .close = file_close,
                                 .play = file_play,
                                 .tell = file_tell};
    return &scene;
}

static void damaged_prepare(struct scene *scene)
{
    static struct medium_copy *copy;
    if (copy == NULL) {
        medium_copy_free(
            prepared(scene, "INSERT INTO visit VALUES (1, 1, 't1', 'emptied', NULL, '', 1)"));
        medium_damage(path, 2 * 4096, 64);
        copy = medium_copy_take(SCENE_MACHINE);
    }
    medium_copy_put(SCENE_MACHINE, copy);
}

struct scene *scene_of_damaged_store(void)
{
    static struct scene scene = {.name = "damaged store",
                                 .steps = 2,
                                 .prepare = damaged_prepare,
                                 .open = file_open,
                                 .close = file_close,
                                 .play = file_play,
                                 .tell = file_tell};
    return &scene;
}
