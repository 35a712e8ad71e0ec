/* Old hours and reports go; what they added up to stays. */
#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>

#include "collector/store/inner.h"
#include "common/log.h"

#define DAY_S INT64_C(86400)

enum { DAYS_AT_ONCE = 7, DAYS_BEYOND = 2 };

/* Every series: hours, what was pruned and what is unplaced are the last counter heard. */
static int check_sums(struct store *store)
{
    sqlite3_stmt *row = database_prepare(
        store->database.db,
        "SELECT series.series, devaddr FROM series LEFT JOIN (SELECT series, sum(entries) AS hours "
        "FROM hour"
        " GROUP BY series) USING (series)"
        " WHERE ((coalesce(hours, 0) + pruned + unplaced - entries) & 4294967295) <> 0 LIMIT 1");
    if (!row)
        return -EIO;
    int result = sqlite3_step(row);
    if (result == SQLITE_ROW)
        log_error("The hours of unit %08X (series %lld) do not add up to its counter: nothing was "
                  "pruned.",
                  (unsigned)sqlite3_column_int64(row, 1), (long long)sqlite3_column_int64(row, 0));
    sqlite3_finalize(row);
    return result == SQLITE_ROW ? -EBADMSG : database_error(result);
}

static struct unit_series *series_with_id(struct units *units, int64_t id)
{
    struct unit *unit = units_of_series(units, id);
    for (size_t i = 0; unit && i < unit->series_count; i++)
        if (unit->series[i].id == id)
            return &unit->series[i];
    return NULL;
}

/* The entries of hours that go are added to their series. */
static int count_hours(struct store *store, int64_t before_s)
{
    sqlite3_stmt *row =
        database_prepare(store->database.db,
                         "SELECT series, sum(entries) FROM hour WHERE hour_s < ?1 GROUP BY series");
    if (!row)
        return -EIO;
    int error = 0, result = SQLITE_DONE;
    sqlite3_bind_int64(row, 1, before_s);
    while (!error && (result = sqlite3_step(row)) == SQLITE_ROW) {
        struct unit_series *series = series_with_id(&store->units, sqlite3_column_int64(row, 0));
        if (series) {
            series->pruned += sqlite3_column_int64(row, 1);
            series->dirty = true;
        }
        error = series ? 0 : -EBADMSG;
    }
    sqlite3_finalize(row);
    return error ? error : database_error(result);
}

static bool has_sure_after(const struct history *history, size_t index)
{
    for (size_t i = index + 1; i < history->count; i++)
        if (history->reports[i].sure)
            return true;
    return false;
}

/* Whether the standing of the report at index is settled: it is the last one, or a sure one follows. */
static bool is_settled(const struct unit *old, size_t index)
{
    uint32_t last_fcnt = 0;
    for (size_t i = 0; i < old->series_count; i++)
        if (old->series[i].last_fcnt > last_fcnt)
            last_fcnt = old->series[i].last_fcnt;
    return old->history.reports[index].placed.fcnt == last_fcnt ||
           has_sure_after(&old->history, index);
}

/* A unit is only cut where all its series have a believed report to hang on to; otherwise its reports stay
 * until a later day. */
static bool has_anchors(const struct unit *old, int64_t before_s)
{
    for (size_t i = 0; i < old->series_count; i++) {
        const struct unit_series *series = &old->series[i];
        size_t anchor = history_anchor(&old->history, series->epoch, before_s * 1000);
        bool ended = series->heard_s < before_s;
        if (anchor == old->history.count) {
            if (ended)
                return false;
            continue;
        }
        if (!is_settled(old, anchor) ||
            (ended && old->history.reports[anchor].placed.fcnt != series->last_fcnt))
            return false;
    }
    return true;
}

static void cut(struct unit *unit, const struct unit *old, int64_t before_s)
{
    for (size_t i = 0; i < unit->series_count; i++) {
        struct unit_series *series = &unit->series[i];
        size_t anchor = history_anchor(&old->history, series->epoch, before_s * 1000);
        if (anchor == old->history.count)
            continue;
        series->anchor = old->history.reports[anchor].placed.fcnt;
        series->first_fcnt = (uint32_t)series->anchor;
        series->dirty = true;
        history_prune(&unit->history, series->epoch, series->first_fcnt);
    }
}

/* Only old reports are read for this, a few days of them, beside what is held anyway. */
static int cut_units(struct store *store, int64_t before_s)
{
    struct units old;
    int error = units_open_until(&old, store->database.db, before_s + DAYS_BEYOND * DAY_S);
    if (error)
        return error;
    for (size_t i = 0; i < old.slot_count; i++) {
        struct unit *from = old.slots[i];
        struct unit *unit = from ? units_get(&store->units, from->devaddr, from->key_check) : NULL;
        size_t before = unit ? unit->history.count : 0;
        if (!unit || !has_anchors(from, before_s))
            continue;
        cut(unit, from, before_s);
        store->units.held -= before - unit->history.count;
    }
    units_close(&old);
    return 0;
}

/* Hours of a day are removed whole; reports and copies up to their series' anchor, which stays. */
static int remove_rows(struct store *store, int64_t before_s)
{
    char sql[800];
    int64_t filed_s = before_s + DAYS_BEYOND * DAY_S;
    snprintf(sql, sizeof sql,
             "INSERT INTO pruned (one, before_s) VALUES (1, %" PRId64 ")"
             " ON CONFLICT DO UPDATE SET before_s = excluded.before_s;"
             "DELETE FROM hour WHERE hour_s < %" PRId64 ";"
             "DELETE FROM heard WHERE at_s <= %" PRId64
             " AND fcnt < (SELECT anchor FROM series WHERE series.series = heard.series);"
             "DELETE FROM report WHERE at_s <= %" PRId64
             " AND fcnt < (SELECT anchor FROM series WHERE series.series = report.series)",
             before_s, before_s, filed_s, filed_s);
    return database_run(store->database.db, sql);
}

static int prune(struct store *store, int64_t before_s)
{
    int error = count_hours(store, before_s);
    if (!error)
        error = cut_units(store, before_s);
    if (!error)
        error = units_write(&store->units);
    if (!error)
        error = remove_rows(store, before_s);
    if (!error)
        error = check_sums(store);
    if (!error)
        store->units.pruned_s = before_s;
    return error;
}

/* The local midnight up to which one step goes: a week of hours. INT64_MAX: there is nothing. */
static int64_t one_step(const struct store *store)
{
    sqlite3_stmt *row = database_prepare(store->database.db, "SELECT min(hour_s) FROM hour");
    int64_t step_s = INT64_MAX;
    if (row && sqlite3_step(row) == SQLITE_ROW && sqlite3_column_type(row, 0) != SQLITE_NULL)
        step_s = zone_day(store->zone, sqlite3_column_int64(row, 0) + DAYS_AT_ONCE * DAY_S).begin_s;
    sqlite3_finalize(row);
    return step_s;
}

int store_prune(struct store *store, int64_t before_s, int64_t now_s, bool *left)
{
    assert(!store->in_batch);
    int64_t step_s = one_step(store);
    before_s = zone_day(store->zone, before_s).begin_s;
    *left = step_s < before_s;
    step_s = *left ? step_s : before_s;
    int error = store_begin(store, now_s);
    if (error)
        return error;
    if (step_s > store->units.pruned_s)
        error = prune(store, step_s);
    if (!error)
        error = store_commit(store);
    if (error)
        store_abandon(store);
    return error;
}
