#include "collector/store/unit.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "collector/store/database.h"

#define DAY_S INT64_C(86400)

enum { SLOTS_FIRST = 256, HELD_S = 26 * 3600 };

static size_t slot_of(const struct units *units, uint32_t devaddr, uint32_t key_check)
{
    uint64_t mixed = ((uint64_t)devaddr << 32 | key_check) * UINT64_C(0x9E3779B97F4A7C15);
    size_t slot = (size_t)(mixed >> 32) & (units->slot_count - 1);
    while (units->slots[slot] &&
           (units->slots[slot]->devaddr != devaddr || units->slots[slot]->key_check != key_check))
        slot = (slot + 1) & (units->slot_count - 1);
    return slot;
}

static int grow(struct units *units)
{
    size_t old_count = units->slot_count;
    struct unit **old = units->slots;
    size_t count = old_count ? 2 * old_count : SLOTS_FIRST;
    struct unit **slots = calloc(count, sizeof(struct unit *));
    if (!slots)
        return -ENOMEM;
    units->slots = slots;
    units->slot_count = count;
    for (size_t i = 0; i < old_count; i++)
        if (old[i])
            slots[slot_of(units, old[i]->devaddr, old[i]->key_check)] = old[i];
    free(old);
    return 0;
}

struct unit *units_get(struct units *units, uint32_t devaddr, uint32_t key_check)
{
    if (2 * (units->count + 1) > units->slot_count && grow(units))
        return NULL;
    size_t slot = slot_of(units, devaddr, key_check);
    if (units->slots[slot])
        return units->slots[slot];
    struct unit *unit = calloc(1, sizeof *unit);
    if (!unit)
        return NULL;
    *unit = (struct unit){.devaddr = devaddr, .key_check = key_check};
    unit->history.complete = true;
    unit->loaded_from_s = INT64_MIN;
    units->slots[slot] = unit;
    units->count++;
    return unit;
}

struct unit *units_of_series(const struct units *units, int64_t series)
{
    return series >= 0 && (size_t)series < units->of_series_count ? units->of_series[series] : NULL;
}

struct unit_series *unit_series_of(struct unit *unit, uint8_t epoch)
{
    for (size_t i = unit->series_count; i-- > 0;)
        if (unit->series[i].epoch == epoch)
            return &unit->series[i];
    return NULL;
}

static int name_series(struct units *units, struct unit *unit, int64_t id)
{
    if ((size_t)id >= units->of_series_count) {
        size_t count = (size_t)id + 64;
        struct unit **of_series = realloc(units->of_series, count * sizeof(struct unit *));
        if (!of_series)
            return -ENOMEM;
        memset(of_series + units->of_series_count, 0,
               (count - units->of_series_count) * sizeof(struct unit *));
        units->of_series = of_series;
        units->of_series_count = count;
    }
    units->of_series[id] = unit;
    return 0;
}

static int add_series(struct units *units, struct unit *unit, const struct unit_series *series)
{
    struct unit_series *all =
        realloc(unit->series, (unit->series_count + 1) * sizeof *unit->series);
    if (!all)
        return -ENOMEM;
    unit->series = all;
    all[unit->series_count++] = *series;
    int error = name_series(units, unit, series->id);
    return error ? error
                 : history_add_epoch(&unit->history, series->epoch, series->first_fcnt,
                                     series->anchor >= 0);
}

int units_make_series(struct units *units, struct unit *unit, uint8_t epoch, uint32_t fcnt,
                      struct unit_series **series)
{
    *series = unit_series_of(unit, epoch);
    if (*series)
        return 0;
    sqlite3_bind_int64(units->add_series, 1, unit->devaddr);
    sqlite3_bind_int64(units->add_series, 2, unit->key_check);
    sqlite3_bind_int(units->add_series, 3, epoch);
    int error = database_step(units->add_series);
    if (error)
        return error;
    struct unit_series made = {.id = sqlite3_last_insert_rowid(units->db),
                               .epoch = epoch,
                               .first_fcnt = fcnt,
                               .anchor = -1,
                               .dirty = true};
    error = add_series(units, unit, &made);
    *series = unit_series_of(unit, epoch);
    return error;
}

static int load_series(struct units *units)
{
    sqlite3_stmt *row = database_prepare(
        units->db,
        "SELECT series, devaddr, key_check, epoch, anchor, first_fcnt, unplaced, last_fcnt,"
        " last_at_s, entries, heard_s, reports, ignored, pruned FROM series ORDER BY series");
    int error = row ? 0 : -EIO, result = SQLITE_DONE;
    while (!error && (result = sqlite3_step(row)) == SQLITE_ROW) {
        struct unit *unit = units_get(units, (uint32_t)sqlite3_column_int64(row, 1),
                                      (uint32_t)sqlite3_column_int64(row, 2));
        struct unit_series series = {.id = sqlite3_column_int64(row, 0),
                                     .epoch = (uint8_t)sqlite3_column_int(row, 3),
                                     .anchor = sqlite3_column_int64(row, 4),
                                     .first_fcnt = (uint32_t)sqlite3_column_int64(row, 5),
                                     .unplaced = sqlite3_column_int64(row, 6),
                                     .last_fcnt = (uint32_t)sqlite3_column_int64(row, 7),
                                     .last_at_s = sqlite3_column_int64(row, 8),
                                     .entries = (uint32_t)sqlite3_column_int64(row, 9),
                                     .heard_s = sqlite3_column_int64(row, 10),
                                     .reports = sqlite3_column_int64(row, 11),
                                     .ignored = sqlite3_column_int64(row, 12),
                                     .pruned = sqlite3_column_int64(row, 13)};
        error = unit ? add_series(units, unit, &series) : -ENOMEM;
        if (!error) {
            unit->history.complete = false;
            unit->loaded_from_s = INT64_MAX;
        }
    }
    if (!error)
        error = database_error(result);
    sqlite3_finalize(row);
    return error;
}

static int load_row(struct units *units, sqlite3_stmt *row, const struct unit *only)
{
    struct unit *unit = units_of_series(units, sqlite3_column_int64(row, 1));
    if (!unit)
        return -EBADMSG;
    if (only && unit != only)
        return 0;
    struct history_report report = {.at_s = sqlite3_column_int64(row, 0),
                                    .heard_ms = sqlite3_column_int64(row, 3),
                                    .air_ms = sqlite3_column_int(row, 4),
                                    .sure = sqlite3_column_int(row, 5) != 0};
    int len = sqlite3_column_bytes(row, 6);
    if (len < 0 || (size_t)len > sizeof report.payload)
        return -EBADMSG;
    report.payload_len = (uint8_t)len;
    if (len > 0)
        memcpy(report.payload, sqlite3_column_blob(row, 6), (size_t)len);
    size_t before = unit->history.count;
    int error = history_load(&unit->history, &report, (uint32_t)sqlite3_column_int64(row, 2));
    units->held += unit->history.count - before;
    return error;
}

/* Reads the reports filed in [from, to], of one unit or of all. */
static int load_span(struct units *units, int64_t from_s, int64_t to_s, const struct unit *only)
{
    int error = 0, result;
    sqlite3_bind_int64(units->scan, 1, from_s);
    sqlite3_bind_int64(units->scan, 2, to_s);
    while ((result = sqlite3_step(units->scan)) == SQLITE_ROW && !error)
        error = load_row(units, units->scan, only);
    int reset = sqlite3_reset(units->scan);
    return error ? error : database_error(result == SQLITE_ROW ? reset : result);
}

static void settle(struct units *units, struct unit *unit, int64_t from_s)
{
    unit->loaded_from_s = from_s;
    unit->history.complete = from_s <= units->oldest_s;
    history_settle(&unit->history);
}

/* The newest report of a unit. */
static int64_t unit_last_at_s(const struct unit *unit)
{
    int64_t last_s = INT64_MIN;
    for (size_t i = 0; i < unit->series_count; i++)
        if (unit->series[i].last_at_s > last_s)
            last_s = unit->series[i].last_at_s;
    return last_s;
}

static int extend_all(struct units *units, int64_t from_s)
{
    int error = load_span(units, from_s, units->horizon_s, NULL);
    for (size_t i = 0; i < units->slot_count && !error; i++)
        if (units->slots[i] && units->slots[i]->loaded_from_s > from_s)
            settle(units, units->slots[i], from_s);
    units->horizon_s = from_s;
    return error;
}

static int extend_one(struct units *units, struct unit *unit, int64_t span_s)
{
    int64_t to_s = unit->loaded_from_s, last_s = unit_last_at_s(unit);
    to_s = to_s < last_s ? to_s : last_s;
    int error = load_span(units, to_s - span_s, to_s, unit);
    if (!error)
        settle(units, unit, to_s - span_s);
    return error;
}

int units_reach(struct units *units, struct unit *unit, uint32_t fcnt, uint8_t epoch)
{
    int error = 0;
    for (int64_t span_s = DAY_S; !error && !history_reaches(&unit->history, fcnt, epoch);
         span_s *= 2)
        error = unit->history.count > 0 && unit->loaded_from_s == units->horizon_s
                    ? extend_all(units, units->horizon_s - span_s)
                    : extend_one(units, unit, span_s);
    return error;
}

static int first_and_last(struct units *units, int64_t *last_s)
{
    sqlite3_stmt *row = database_prepare(units->db, "SELECT (SELECT min(at_s) FROM report),"
                                                    " (SELECT max(at_s) FROM report),"
                                                    " (SELECT before_s FROM pruned)");
    if (!row)
        return -EIO;
    units->pruned_s = INT64_MIN;
    int result = sqlite3_step(row);
    bool empty = result == SQLITE_ROW && sqlite3_column_type(row, 0) == SQLITE_NULL;
    units->oldest_s = empty ? INT64_MAX : sqlite3_column_int64(row, 0);
    *last_s = sqlite3_column_int64(row, 1);
    if (sqlite3_column_type(row, 2) != SQLITE_NULL)
        units->pruned_s = sqlite3_column_int64(row, 2);
    sqlite3_finalize(row);
    return database_error(result);
}

static int prepare(struct units *units)
{
    units->scan = database_prepare(
        units->db, "SELECT at_s, series, fcnt, heard_ms, air_ms, sure, payload FROM report"
                   " WHERE at_s BETWEEN ?1 AND ?2 ORDER BY at_s, series, fcnt");
    units->add_series = database_prepare(
        units->db,
        "INSERT INTO series (devaddr, key_check, epoch, first_fcnt, last_fcnt, last_at_s,"
        " entries, heard_s, reports) VALUES (?1, ?2, ?3, 0, 0, 0, 0, 0, 0)");
    units->put_series = database_prepare(
        units->db,
        "UPDATE series SET first_fcnt = ?2, unplaced = ?3, last_fcnt = ?4, last_at_s = ?5,"
        " entries = ?6, heard_s = ?7, reports = ?8, ignored = ?9, pruned = ?10, anchor = ?11"
        " WHERE series = ?1");
    return units->scan && units->add_series && units->put_series ? 0 : -EIO;
}

int units_open(struct units *units, sqlite3 *db)
{
    int64_t last_s = 0;
    *units = (struct units){.db = db, .horizon_s = INT64_MAX};
    int error = prepare(units);
    if (!error)
        error = grow(units);
    if (!error)
        error = first_and_last(units, &last_s);
    if (!error)
        error = load_series(units);
    if (!error && units->oldest_s != INT64_MAX) {
        units->horizon_s = last_s;
        error = extend_all(units, last_s - HELD_S);
    }
    if (error)
        units_close(units);
    return error;
}

int units_open_until(struct units *units, sqlite3 *db, int64_t to_s)
{
    int64_t last_s = 0;
    *units = (struct units){.db = db, .horizon_s = to_s};
    int error = prepare(units);
    if (!error)
        error = grow(units);
    if (!error)
        error = first_and_last(units, &last_s);
    if (!error)
        error = load_series(units);
    if (!error)
        error = extend_all(units, units->oldest_s < to_s ? units->oldest_s : to_s);
    if (error)
        units_close(units);
    return error;
}

void units_close(struct units *units)
{
    for (size_t i = 0; i < units->slot_count; i++)
        if (units->slots[i]) {
            history_free(&units->slots[i]->history);
            free(units->slots[i]->series);
            free(units->slots[i]);
        }
    free(units->slots);
    free(units->of_series);
    sqlite3_finalize(units->scan);
    sqlite3_finalize(units->add_series);
    sqlite3_finalize(units->put_series);
    *units = (struct units){0};
}

static int write_series(struct units *units, struct unit_series *series)
{
    sqlite3_stmt *put = units->put_series;
    sqlite3_bind_int64(put, 1, series->id);
    sqlite3_bind_int64(put, 2, series->first_fcnt);
    sqlite3_bind_int64(put, 3, series->unplaced);
    sqlite3_bind_int64(put, 4, series->last_fcnt);
    sqlite3_bind_int64(put, 5, series->last_at_s);
    sqlite3_bind_int64(put, 6, series->entries);
    sqlite3_bind_int64(put, 7, series->heard_s);
    sqlite3_bind_int64(put, 8, series->reports);
    sqlite3_bind_int64(put, 9, series->ignored);
    sqlite3_bind_int64(put, 10, series->pruned);
    sqlite3_bind_int64(put, 11, series->anchor);
    int error = database_step(put);
    if (!error)
        series->dirty = false;
    return error;
}

int units_write(struct units *units)
{
    int error = 0;
    for (size_t id = 0; id < units->of_series_count && !error; id++) {
        struct unit *unit = units->of_series[id];
        for (size_t i = 0; unit && i < unit->series_count && !error; i++)
            if (unit->series[i].id == (int64_t)id && unit->series[i].dirty)
                error = write_series(units, &unit->series[i]);
    }
    return error;
}

void units_trim(struct units *units, int64_t before_s)
{
    for (size_t i = 0; i < units->slot_count; i++) {
        struct unit *unit = units->slots[i];
        if (!unit)
            continue;
        size_t before = unit->history.count;
        history_trim(&unit->history, before_s);
        units->held -= before - unit->history.count;
        if (before != unit->history.count)
            unit->loaded_from_s =
                unit->history.reports[0].at_s < before_s ? unit->history.reports[0].at_s : before_s;
    }
    if (units->horizon_s < before_s)
        units->horizon_s = before_s;
}
