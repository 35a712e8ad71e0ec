/* The oracle's look into a store: plain questions to its tables, compared with the truth of the stations. */
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/books.h"
#include "tests/simulation/world.h"

enum { HOURS_MAX = 24 * 420, TOLERANCE_S = 150, MEMORY_MAX = 64 << 20, QUEUE_MOST = 4096 };

struct line { /* of the table series */
    int64_t id, entries, unplaced, pruned, last_fcnt, anchor, reports, key_check;
    unsigned station;
    uint8_t epoch;
    int64_t hours; /* sum */
};

static int64_t number(struct office *office, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static int64_t number(struct office *office, const char *format, ...)
{
    char sql[400];
    sqlite3_stmt *row = NULL;
    int64_t value = INT64_MIN;
    va_list list;
    va_start(list, format);
    vsnprintf(sql, sizeof sql, format, list);
    va_end(list);
    if (sqlite3_prepare_v2(store_db(office->store), sql, -1, &row, NULL) == SQLITE_OK &&
        sqlite3_step(row) == SQLITE_ROW)
        value = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    return value;
}

static void check_sums(struct world *world, const struct line *line)
{
    struct station *station = &world->stations[line->station];
    const struct sent *last = station_sent(station, (uint32_t)line->last_fcnt);
    if (((line->hours + line->pruned + line->unplaced - line->entries) & UINT32_MAX) != 0)
        world_fail(world,
                   "station %u, epoch %u: hours %lld + pruned %lld + unplaced %lld are not the "
                   "counter %lld",
                   line->station, line->epoch, (long long)line->hours, (long long)line->pruned,
                   (long long)line->unplaced, (long long)line->entries);
    else if (last == NULL || last->epoch != line->epoch ||
             (uint32_t)last->entries != (uint32_t)line->entries)
        world_fail(world, "station %u, epoch %u: frame %lld did not say %lld", line->station,
                   line->epoch, (long long)line->last_fcnt, (long long)line->entries);
    else if (line->key_check != station->keys.key_check)
        world_fail(world, "station %u: another key check value", line->station);
}

static bool read_line(struct world *world, sqlite3_stmt *row, struct line *line)
{
    *line = (struct line){.id = sqlite3_column_int64(row, 0),
                          .epoch = (uint8_t)sqlite3_column_int(row, 2),
                          .entries = sqlite3_column_int64(row, 3),
                          .unplaced = sqlite3_column_int64(row, 4),
                          .pruned = sqlite3_column_int64(row, 5),
                          .last_fcnt = sqlite3_column_int64(row, 6),
                          .anchor = sqlite3_column_int64(row, 7),
                          .reports = sqlite3_column_int64(row, 8),
                          .key_check = sqlite3_column_int64(row, 9),
                          .hours = sqlite3_column_int64(row, 10)};
    int64_t station = sqlite3_column_int64(row, 1) - WORLD_FIRST_UNIT;
    if (station < 0 || station >= world->plan.stations) {
        world_fail(world, "a series of no station: %lld", (long long)station);
        return false;
    }
    line->station = (unsigned)station;
    if (sqlite3_column_int64(row, 11) != 0)
        world_fail(world, "station %u: an hour with fewer than no passes", line->station);
    return true;
}

typedef void (*line_check)(struct world *world, struct office *office, const struct line *line);

static void each_line(struct world *world, struct office *office, line_check check)
{
    sqlite3_stmt *row = NULL;
    struct line line;
    int result = sqlite3_prepare_v2(
        store_db(office->store),
        "SELECT s.series, devaddr, epoch, s.entries, unplaced, pruned, last_fcnt, anchor, reports,"
        " key_check, coalesce(h.sum, 0), coalesce(h.low, 0) < 0 FROM series s LEFT JOIN (SELECT"
        " series, sum(entries) AS sum, min(entries) AS low FROM hour GROUP BY series) h"
        " ON s.series = h.series",
        -1, &row, NULL);
    while (result == SQLITE_OK && sqlite3_step(row) == SQLITE_ROW)
        if (read_line(world, row, &line)) {
            check_sums(world, &line);
            if (check != NULL && !world->failed)
                check(world, office, &line);
        }
    sqlite3_finalize(row);
}

void books_check_store(struct world *world, struct office *office)
{
    world->checks++;
    each_line(world, office, NULL);
}

/* Marks what the store holds of a series, and compares it with what was sent. */
static void look_at_reports(struct world *world, struct office *office, const struct line *line,
                            bool *seen)
{
    sqlite3_stmt *row = NULL;
    int64_t count = 0;
    struct station *station = &world->stations[line->station];
    sqlite3_prepare_v2(store_db(office->store), "SELECT fcnt, payload FROM report WHERE series = ?",
                       -1, &row, NULL);
    sqlite3_bind_int64(row, 1, line->id);
    while (sqlite3_step(row) == SQLITE_ROW) {
        const struct sent *sent = station_sent(station, (uint32_t)sqlite3_column_int64(row, 0));
        count++;
        if (sent == NULL || !sent->heard || sent->epoch != line->epoch ||
            sqlite3_column_bytes(row, 1) != sent->payload_len ||
            memcmp(sqlite3_column_blob(row, 1), sent->payload, sent->payload_len) != 0)
            world_fail(world, "station %u: report %lld is not what was sent", line->station,
                       (long long)sqlite3_column_int64(row, 0));
        else
            seen[sent - station->sent] = true;
    }
    sqlite3_finalize(row);
    if (!plan_has(&world->plan, FAULT_PRUNE) && count != line->reports)
        world_fail(world, "station %u: %lld reports are counted and %lld are there", line->station,
                   (long long)line->reports, (long long)count);
}

static bool is_required(const struct office *office, const struct sent *sent)
{
    return sent->promised != 0 || (sent->stored >> office->index & 1) != 0;
}

/* Every promised frame is there, or was thinned from between two that are. Where days were removed, the anchor is the
   first of the two. */
static void check_complete(struct world *world, struct office *office, const struct line *line,
                           const bool *seen)
{
    const struct station *station = &world->stations[line->station];
    const struct sent *edge = NULL;
    bool first = line->anchor < 0;
    for (size_t i = 0; i < station->sent_count; i++) {
        const struct sent *sent = &station->sent[i];
        if (sent->epoch == line->epoch && (int64_t)sent->fcnt == line->anchor && !seen[i])
            world_fail(world, "station %u: the anchor %u is not there", line->station, sent->fcnt);
        if (sent->epoch != line->epoch || !is_required(office, sent) ||
            (int64_t)sent->fcnt <= line->anchor)
            continue;
        if (!seen[i])
            office->missing++;
        if (!seen[i] && (world->thinned == 0 || first)) {
            world_fail(world,
                       "station %u: frame %u was promised (by %x) and collector %u does not "
                       "have it",
                       line->station, sent->fcnt, sent->promised, office->index);
            return;
        }
        first = false;
        edge = sent;
    }
    if (edge != NULL && !seen[edge - station->sent])
        world_fail(world,
                   "station %u: its last frame %u was promised and collector %u does not "
                   "have it",
                   line->station, edge->fcnt, office->index);
}

/* What passed from each full hour on, against the counters that were heard before and after it. */
struct tail {
    int64_t hour_s[HOURS_MAX], after[HOURS_MAX]; /* entries in this hour and later */
    size_t count;
};

static void read_tail(struct office *office, const struct line *line, struct tail *tail)
{
    sqlite3_stmt *row = NULL;
    int64_t sum = 0;
    tail->count = 0;
    sqlite3_prepare_v2(store_db(office->store),
                       "SELECT hour_s, entries FROM hour WHERE series = ? ORDER BY hour_s DESC", -1,
                       &row, NULL);
    sqlite3_bind_int64(row, 1, line->id);
    while (tail->count < HOURS_MAX && sqlite3_step(row) == SQLITE_ROW) {
        sum += sqlite3_column_int64(row, 1);
        tail->hour_s[tail->count] = sqlite3_column_int64(row, 0);
        tail->after[tail->count++] = sum;
    }
    sqlite3_finalize(row);
}

/* What the tail says of an instant: entries in hours that begin at or after it. */
static int64_t after_of(const struct tail *tail, int64_t hour_s)
{
    int64_t after = 0;
    for (size_t i = 0; i < tail->count && tail->hour_s[i] >= hour_s; i++)
        after = tail->after[i];
    return after;
}

static void check_hour(struct world *world, struct office *office, const struct line *line,
                       const bool *seen, int64_t hour_s, int64_t after)
{
    struct station *station = &world->stations[line->station];
    const struct sent *last = station_sent(station, (uint32_t)line->last_fcnt);
    const struct sent *before = NULL, *behind = NULL;
    int64_t tolerance_us = (station->interval_min * 60 + TOLERANCE_S) * SECOND_US;
    for (size_t i = 0; i < station->sent_count && behind == NULL; i++) {
        const struct sent *sent = &station->sent[i];
        if (!seen[i] || (sent->dated & sent->told[office->index]) == 0 ||
            sent->epoch != line->epoch)
            continue;
        if (sent->tick_us <= hour_s * SECOND_US - tolerance_us)
            before = sent;
        if (sent->tick_us >= hour_s * SECOND_US + tolerance_us)
            behind = sent;
    }
    if (before != NULL && after > (int64_t)(last->entries - before->entries))
        world_fail(world, "station %u, epoch %u: %lld passes from %lld on, at most %lld were",
                   line->station, line->epoch, (long long)after, (long long)hour_s,
                   (long long)(last->entries - before->entries));
    if (behind != NULL && after < (int64_t)(last->entries - behind->entries))
        world_fail(world, "station %u, epoch %u: %lld passes from %lld on, at least %lld were",
                   line->station, line->epoch, (long long)after, (long long)hour_s,
                   (long long)(last->entries - behind->entries));
}

static void check_hours(struct world *world, struct office *office, const struct line *line,
                        const bool *seen)
{
    static struct tail tail;
    read_tail(office, line, &tail);
    int64_t from_s = BEGIN_US / SECOND_US;
    if (plan_has(&world->plan, FAULT_PRUNE))
        from_s = number(office, "SELECT coalesce(max(before_s), 0) FROM pruned");
    if (from_s < BEGIN_US / SECOND_US)
        from_s = BEGIN_US / SECOND_US;
    for (int64_t hour_s = from_s; hour_s < world->now_us / SECOND_US && !world->failed;
         hour_s += 3600)
        check_hour(world, office, line, seen, hour_s, after_of(&tail, hour_s));
}

static void check_contents(struct world *world, struct office *office, const struct line *line)
{
    struct station *station = &world->stations[line->station];
    bool *seen = calloc(station->sent_count + 1, sizeof *seen);
    look_at_reports(world, office, line, seen);
    if (!world->failed)
        check_complete(world, office, line, seen);
    if (!world->failed && !station->tainted && !office->was_wrong)
        check_hours(world, office, line, seen);
    free(seen);
}

/* A station of which something was promised has its series. */
static void check_series_there(struct world *world, struct office *office)
{
    for (unsigned i = 0; i < world->plan.stations; i++)
        for (size_t k = 0; k < world->stations[i].sent_count; k++) {
            const struct sent *sent = &world->stations[i].sent[k];
            if (!is_required(office, sent) ||
                (k > 0 && sent[-1].epoch == sent->epoch && is_required(office, &sent[-1])))
                continue;
            if (number(office, "SELECT count(*) FROM series WHERE devaddr = %u AND epoch = %u",
                       world->stations[i].devaddr, sent->epoch) != 1)
                world_fail(world, "station %u, epoch %u was promised, and collector %u has nothing",
                           i, sent->epoch, office->index);
        }
}

static void check_derived(struct world *world, struct office *office)
{
    static const char *const tables[] = {"block_day", "block_hour", "trap_day"};
    int64_t hours = number(office, "SELECT coalesce(sum(entries), 0) FROM hour");
    for (size_t i = 0; i < 3; i++) {
        int64_t sum = number(office, "SELECT coalesce(sum(entries), 0) FROM %s", tables[i]);
        if (sum != hours && !plan_has(&world->plan, FAULT_PRUNE))
            world_fail(world, "collector %u: hours hold %lld and %s %lld", office->index,
                       (long long)hours, tables[i], (long long)sum);
    }
}

static void check_not_stuck(struct world *world, struct office *office)
{
    for (unsigned g = 0; g < world->plan.gateways; g++) {
        struct spool_state state;
        if (!world->gateways[g].running) {
            world_fail(world, "gateway %u does not run an hour after the last fault", g);
            return;
        }
        spool_state(world->gateways[g].spool, &state);
        int64_t n =
            number(office, "SELECT coalesce(max(n), 0) FROM spool WHERE spool = '%s'", state.id);
        if (n != (int64_t)state.last || state.waiting > 0 || state.marked != state.last)
            world_fail(world,
                       "gateway %u holds %llu rows (%zu wait, mark %llu), and collector %u has "
                       "%lld an hour after the last fault",
                       g, (unsigned long long)state.last, state.waiting,
                       (unsigned long long)state.marked, office->index, (long long)n);
    }
}

static void check_bounds(struct world *world, struct office *office)
{
    struct store_totals totals;
    uint64_t day = 30 * 60 / world->plan.interval_min;
    uint64_t most = world->plan.stations * (day * 2 + 160);
    /* Without a right clock nearby the collector reads back to one. */
    bool clocks = !plan_has(&world->plan, FAULT_GATEWAY_CLOCK) && !office->was_wrong;
    if (clocks && store_total(office->store, &totals) == 0 && totals.held > most)
        world_fail(world, "collector %u keeps %llu reports in memory, at most %llu should be",
                   office->index, (unsigned long long)totals.held, (unsigned long long)most);
    if (sqlite3_memory_used() > MEMORY_MAX)
        world_fail(world, "SQLite holds %lld bytes", (long long)sqlite3_memory_used());
    for (unsigned g = 0; g < world->plan.gateways; g++)
        if (world->gateways[g].most_waiting > QUEUE_MOST)
            world_fail(world, "gateway %u let %zu rows wait", g, world->gateways[g].most_waiting);
}

void books_check_end(struct world *world)
{
    for (unsigned c = 0; c < world->plan.collectors && !world->failed; c++) {
        struct office *office = &world->collectors[c];
        if (!office->running) {
            world_fail(world, "collector %u does not run an hour after the last fault", c);
            return;
        }
        check_not_stuck(world, office);
        check_series_there(world, office);
        office->missing = 0;
        if (!world->failed)
            each_line(world, office, check_contents);
        if (office->missing > world->thinned)
            world_fail(world, "collector %u lacks %llu frames, and %llu were thinned", c,
                       (unsigned long long)office->missing, (unsigned long long)world->thinned);
        if (!world->failed)
            check_derived(world, office);
    }
}

void books_check_bounds(struct world *world)
{
    for (unsigned c = 0; c < world->plan.collectors; c++)
        if (world->collectors[c].running)
            check_bounds(world, &world->collectors[c]);
}
