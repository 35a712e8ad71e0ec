/*
 * Scenes of a gateway's card, short enough that every single operation of them can fail: what a spool keeps beside
 * rows, a spool that is full, and one that is found damaged.
 */
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/air/frame.h"
#include "tests/simulation/scenes.h"

static const char path[] = "/medium/3/spool.db";

enum { UNITS = 2, SMALL = 192 << 10, USUAL = 1 << 20 };

static struct gateway_collectors names = {.count = 2, .name = {"office", "house"}};
static struct spool *spool;
static struct verify_table *table;
static struct verify_secret secrets[UNITS] = {{.devaddr = WORLD_FIRST_UNIT},
                                              {.devaddr = WORLD_FIRST_UNIT + 1}};

static int64_t now_s(unsigned step)
{
    return BEGIN_US / SECOND_US + step * 3600;
}

static int open_size(struct scene *scene, uint64_t size_bytes)
{
    struct settings_fault fault;
    struct spool_options options = {.path = path,
                                    .size_bytes = size_bytes,
                                    .history_s = 86400,
                                    .boot = "00000000000000b0",
                                    .collectors = &names};
    int error = spool_open(&spool, &options, now_s(0), &fault);
    if (error == 0)
        error = verify_table_new(secrets, UNITS, &table);
    if (error == 0)
        error = spool_load_counters(spool, table);
    scene->opened = error == 0;
    if (error != 0)
        scene->close(scene);
    return error;
}

static int card_open(struct scene *scene)
{
    return open_size(scene, USUAL);
}

static void card_close(struct scene *scene)
{
    spool_close(spool);
    verify_table_free(table);
    spool = NULL;
    table = NULL;
    scene->opened = false;
}

static uint64_t rows_there(void)
{
    struct spool_state state;
    spool_state(spool, &state);
    return state.last + state.waiting;
}

/* The kth frame of a unit that has keys here, so that its counter is known after a restart. */
static void add_frame(unsigned unit, unsigned k, const struct boot_stamp *stamp)
{
    struct record record = {.kind = FEED_ROW_FRAME, .mic = k};
    scene_frame(unit, k, &record.frame);
    record.frame.key_check = verify_table_at(table, unit % UNITS)->keys.key_check;
    record.frame.synchronised = stamp->synchronised;
    record.frame.heard_ms = stamp->heard_ms;
    spool_add(spool, &record, record.frame.heard_ms * 1000);
}

static int hear_three(unsigned step, bool synchronised)
{
    spool_settle_clock(spool, now_s(step) * 1000, 1000 * step, synchronised);
    uint64_t wanted = synchronised ? 7 : 3; /* the third row to the fourth: the clock's */
    for (uint64_t k = rows_there(); k < wanted; k = rows_there()) {
        struct boot_stamp stamp = spool_stamp(spool, now_s(step) * 1000, 1000 * step);
        add_frame(k % UNITS, (unsigned)k, &stamp);
    }
    return spool_commit(spool, now_s(step));
}

static int mark_all(const char *collector, uint64_t n)
{
    struct feed_row row;
    struct feed_mark mark = {.store = "00000000000000aa", .n = n};
    int found = spool_read(spool, n, &row);
    if (found < 0)
        return found;
    if (found == 1 && row.n == n) {
        memcpy(mark.spool, row.spool, sizeof mark.spool);
        memcpy(mark.hash, row.hash, sizeof mark.hash);
        int index = spool_collector(spool, collector);
        (void)spool_mark(spool, index, &mark);
        return spool_collector_mark(spool, index) >= n ? 0 : -1;
    }
    return 0;
}

static int mark_both(unsigned step, uint64_t n)
{
    int error = mark_all("office", n);
    if (error == 0)
        error = mark_all("house", n);
    return error == 0 ? spool_commit(spool, now_s(step)) : error;
}

static int keep_gone(void)
{
    struct counters_gone gone[UNITS];
    for (unsigned i = 0; i < UNITS; i++)
        gone[i] = (struct counters_gone){WORLD_FIRST_UNIT + i, 0xABCD, 64 * (i + 1)};
    return spool_keep_gone(spool, gone, UNITS);
}

static int card_play(struct scene *scene, unsigned step)
{
    switch (step) {
    case 0:
        return keep_gone();
    case 1:
        return hear_three(step, false);
    case 2:
        return hear_three(step, true);
    case 3:
        return mark_both(step, 6);
    case 4:
        return spool_commit(spool, now_s(100)); /* history is over */
    case 5:
        return spool_renew(spool);
    case 6:
        return spool_commit(spool, now_s(100));
    default:
        scene->close(scene);
        return scene->open(scene);
    }
}

static void tell_gone(void *user, const struct counters_gone *gone)
{
    fprintf(user, "gone %08x below %llu\n", gone->devaddr, (unsigned long long)gone->next);
}

static char *card_tell(struct scene *scene)
{
    char *text = NULL;
    size_t size = 0;
    struct spool_state state;
    struct feed_row row;
    (void)scene;
    FILE *out = open_memstream(&text, &size);
    spool_state(spool, &state);
    fprintf(out, "oldest %llu last %llu mark %llu%s\n", (unsigned long long)state.oldest,
            (unsigned long long)state.last, (unsigned long long)state.marked,
            medium_has(SCENE_MACHINE, "damaged") ? " set aside" : "");
    for (uint64_t n = state.oldest; spool_read(spool, n, &row) == 1; n = row.n + 1)
        fprintf(out, "%llu kind %d %s\n", (unsigned long long)row.n, row.kind, row.hash);
    for (unsigned i = 0; i < UNITS; i++)
        fprintf(out, "unit %u heard up to %u\n", i, verify_table_at(table, i)->counter.highest);
    if (spool_each_gone(spool, tell_gone, out) != 0)
        fprintf(out, "what is gone cannot be read\n");
    fclose(out);
    return text;
}

struct scene *scene_of_card(void)
{
    static struct scene scene = {.name = "card",
                                 .steps = 8,
                                 .open = card_open,
                                 .close = card_close,
                                 .play = card_play,
                                 .tell = card_tell};
    return &scene;
}

/* ---- full: rows of two units and of many more that have one each, until there is no room ---- */

static struct medium_copy *full_copy;
static uint64_t full_rows;

static int full_open(struct scene *scene)
{
    return open_size(scene, SMALL);
}

static void fill(unsigned from, unsigned count)
{
    struct boot_stamp stamp = {now_s(1) * 1000, 0, true};
    for (unsigned k = from; k < from + count; k++)
        add_frame(k % 5 == 0 ? UNITS + k : k % UNITS, k, &stamp);
}

static void full_prepare(struct scene *scene)
{
    if (full_copy == NULL) {
        if (full_open(scene) != 0)
            abort();
        struct spool_state state = {.given_up = 0};
        for (unsigned k = 0; state.given_up == 0; k += 20) {
            fill(k, 20);
            if (spool_commit(spool, now_s(1)) != 0)
                abort();
            spool_state(spool, &state);
        }
        full_rows = rows_there();
        scene->close(scene);
        full_copy = medium_copy_take(SCENE_MACHINE);
    }
    medium_copy_put(SCENE_MACHINE, full_copy);
}

/* A step that is tried again adds only what is still missing. */
static int fill_up_to(uint64_t wanted)
{
    uint64_t have = rows_there();
    if (have < wanted)
        fill((unsigned)have, (unsigned)(wanted - have));
    return spool_commit(spool, now_s(2));
}

/* More comes than there is room for: first what nobody has is thinned, then history goes that all have. */
static int full_play(struct scene *scene, unsigned step)
{
    if (step < 2)
        return fill_up_to(full_rows + 150 * (step + 1));
    if (step == 2)
        return mark_both(step, full_rows + 150);
    if (step == 3)
        return fill_up_to(full_rows + 600);
    scene->close(scene);
    return scene->open(scene);
}

/* How much was thinned depends on how often it was tried; no number is missing without a row that says so (the oldest
 * may speak of numbers before it), and the first and the last row of each unit are there or stored. */
static char *full_tell(struct scene *scene)
{
    char *text = NULL;
    size_t size = 0;
    struct spool_state state;
    struct feed_row row;
    (void)scene;
    FILE *out = open_memstream(&text, &size);
    spool_state(spool, &state);
    fprintf(out, "last %llu\n", (unsigned long long)state.last);
    uint64_t next = state.oldest, single = 0;
    for (; spool_read(spool, next, &row) == 1; next = row.n + 1) {
        if (row.kind == FEED_ROW_LOSS ? row.loss.first > next : row.n != next)
            fprintf(out, "a hole before %llu\n", (unsigned long long)row.n);
        if (row.n > state.marked && row.kind == FEED_ROW_FRAME &&
            row.frame.devaddr >= WORLD_FIRST_UNIT + UNITS)
            single++;
    }
    fprintf(out, "ends at %llu; units heard once: %llu\n", (unsigned long long)next,
            (unsigned long long)single);
    fclose(out);
    return text;
}

struct scene *scene_of_full_card(void)
{
    static struct scene scene = {.name = "full card",
                                 .steps = 5,
                                 .prepare = full_prepare,
                                 .open = full_open,
                                 .close = card_close,
                                 .play = full_play,
                                 .tell = full_tell};
    return &scene;
}

/* ---- damaged: found so at the start; frames heard before it are known as repeats nevertheless ---- */

static struct medium_copy *damaged_copy;

/* The third page: the root of the rows' table, which is made second. The counters' is whole. */
static void damage(void)
{
    sqlite3 *db;
    if (sqlite3_open(path, &db) != SQLITE_OK ||
        sqlite3_exec(db, "PRAGMA wal_checkpoint(TRUNCATE)", NULL, NULL, NULL) != SQLITE_OK)
        abort();
    sqlite3_close(db);
    medium_damage(path, 2 * 4096, 64);
}

static void damaged_prepare(struct scene *scene)
{
    if (damaged_copy == NULL) {
        struct boot_stamp stamp = {now_s(1) * 1000, 0, true};
        if (card_open(scene) != 0 || keep_gone() != 0)
            abort();
        for (unsigned k = 0; k < 200; k++)
            add_frame(k % UNITS, k, &stamp);
        if (spool_commit(spool, now_s(1)) != 0)
            abort();
        scene->close(scene);
        damage();
        damaged_copy = medium_copy_take(SCENE_MACHINE);
    }
    medium_copy_put(SCENE_MACHINE, damaged_copy);
}

static int damaged_play(struct scene *scene, unsigned step)
{
    if (step == 0)
        return spool_commit(spool, now_s(3));
    scene->close(scene);
    return scene->open(scene);
}

struct scene *scene_of_damaged_card(void)
{
    static struct scene scene = {.name = "damaged card",
                                 .steps = 2,
                                 .prepare = damaged_prepare,
                                 .open = card_open,
                                 .close = card_close,
                                 .play = damaged_play,
                                 .tell = card_tell};
    return &scene;
}
