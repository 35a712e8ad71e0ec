/* The final rows depend on the set of frames alone: the rows that a collector has taken, given to an empty store in
 * another order and other batches, make the same tables. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/books.h"
#include "tests/simulation/world.h"

enum { SPARE_MACHINE = 9 };

static const char *const questions[] = {
    "SELECT hour_s, devaddr, epoch, hour.entries, spread, exits, shorts, blocked_s, covered_s,"
    " counted_s FROM hour JOIN series USING (series) ORDER BY 1, 2, 3",
    "SELECT devaddr, epoch, first_fcnt, last_fcnt, unplaced, entries, reports, heard_s FROM series"
    " ORDER BY 1, 2",
    "SELECT day_s, trap, entries, spread, exits, shorts, blocked_s, covered_s, counted_s FROM"
    " trap_day ORDER BY 1, 2",
    "SELECT hour_s, block, entries, spread, exits, shorts, blocked_s, covered_s, counted_s FROM"
    " block_hour ORDER BY 1, 2",
    "SELECT devaddr, fcnt, heard_ms, air_ms, sure, hex(payload) FROM report JOIN series USING"
    " (series) ORDER BY 1, 2",
    "SELECT devaddr, fcnt, gateway, heard.heard_ms, sure, boot FROM heard JOIN series USING"
    " (series) ORDER BY 1, 2, 3",
};

/* Steps both; true while they say the same. *line: what one of them says. */
static bool same_row(sqlite3_stmt *a, sqlite3_stmt *b, bool *more, char line[200])
{
    int in_a = sqlite3_step(a), in_b = sqlite3_step(b);
    *more = in_a == SQLITE_ROW && in_b == SQLITE_ROW;
    line[0] = '\0';
    bool same = in_a == in_b;
    for (int i = 0; *more && i < sqlite3_column_count(a); i++) {
        const char *x = (const char *)sqlite3_column_text(a, i);
        const char *y = (const char *)sqlite3_column_text(b, i);
        size_t len = strlen(line);
        same = same && strcmp(x, y) == 0;
        snprintf(line + len, 200 - len, strcmp(x, y) == 0 ? "%s " : "%s|%s ", x, y);
    }
    return same;
}

static void compare(struct world *world, struct office *office, sqlite3 *a, sqlite3 *b)
{
    for (size_t i = 0; i < sizeof questions / sizeof questions[0] && !world->failed; i++) {
        sqlite3_stmt *in_a = NULL, *in_b = NULL;
        bool more = true;
        char line[200];
        sqlite3_prepare_v2(a, questions[i], -1, &in_a, NULL);
        sqlite3_prepare_v2(b, questions[i], -1, &in_b, NULL);
        while (more && !world->failed)
            if (!same_row(in_a, in_b, &more, line))
                world_fail(world,
                           "collector %u: the same rows in another order make others: %s "
                           "(question %zu)",
                           office->index, line, i);
        sqlite3_finalize(in_a);
        sqlite3_finalize(in_b);
    }
}

/* Rows of one spool up to what the collector has of it, in batches of random size. */
static void feed(struct world *world, struct office *office, struct ingest *ingest,
                 const struct barn *barn, const struct published *published)
{
    sqlite3_stmt *row = NULL;
    int64_t until = 0;
    sqlite3_prepare_v2(store_db(office->store), "SELECT n FROM spool WHERE spool = ?", -1, &row,
                       NULL);
    sqlite3_bind_text(row, 1, published->id, -1, SQLITE_STATIC);
    if (sqlite3_step(row) == SQLITE_ROW)
        until = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    for (uint64_t n = 1; n <= (uint64_t)until && n < published->count; n++) {
        const char *text = published->rows[n].text;
        if (text != NULL)
            (void)ingest_take(ingest, barn->name, text, strlen(text), office_now_s(world, office));
        if (chance_of(&office->chance, 0.01) && ingest_finish(ingest, world->now_us) != 0)
            world_fail(world, "the plain run cannot store");
    }
}

static bool may_compare(const struct world *world, const struct office *office)
{
    bool may = world->keeps_rows && !office->gaps && !office->was_wrong && world->thinned == 0 &&
               !plan_has(&world->plan, FAULT_PRUNE);
    for (unsigned g = 0; g < world->plan.gateways; g++)
        may = may && !world->gateways[g].reused_once;
    return may;
}

void books_check_order(struct world *world, struct office *office)
{
    struct settings_fault fault;
    struct store *store;
    struct ingest *ingest;
    struct ingest_events none = {.user = NULL};
    char path[32];
    if (!may_compare(world, office))
        return;
    world->compared++;
    snprintf(path, sizeof path, "/medium/%d/store.db", SPARE_MACHINE);
    if (store_open(&store, path, world->fixed->zone, office->roster, office_now_s(world, office),
                   &fault) != 0)
        abort();
    if (ingest_open(&ingest, store, office->roster, &none) != 0)
        abort();
    for (unsigned g = world->plan.gateways; g-- > 0;)
        for (size_t i = world->gateways[g].published_count; i-- > 0;)
            feed(world, office, ingest, &world->gateways[g], &world->gateways[g].published[i]);
    if (ingest_finish(ingest, world->now_us) != 0)
        world_fail(world, "the plain run cannot store");
    compare(world, office, store_db(office->store), store_db(store));
    ingest_close(ingest);
    store_close(store);
    medium_kill(SPARE_MACHINE);
    medium_remove_all(SPARE_MACHINE);
}
