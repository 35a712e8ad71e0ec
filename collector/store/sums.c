#include "collector/store/sums.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/store/database.h"

enum { HOUR, TRAP_DAY, BLOCK_HOUR, BLOCK_DAY, UNASSIGNED_DAY };
enum { AT_ONCE = 20000, SQL_MAX = 1024 };

static const struct table {
    const char *name, *time, *key;
    bool revised;
} tables[SUMS_TABLES] = {
    [HOUR] = {"hour", "hour_s", "series", false},
    [TRAP_DAY] = {"trap_day", "day_s", "trap", true},
    [BLOCK_HOUR] = {"block_hour", "hour_s", "block", false},
    [BLOCK_DAY] = {"block_day", "day_s", "block", true},
    [UNASSIGNED_DAY] = {"unassigned_day", "day_s", "devaddr", false},
};

static sqlite3_stmt *prepare_add(sqlite3 *db, const struct table *table)
{
    char sql[SQL_MAX];
    snprintf(
        sql, sizeof sql,
        "INSERT INTO %s (%s, %s, entries, spread, exits, shorts, blocked_s, covered_s, counted_s%s)"
        " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9%s) ON CONFLICT DO UPDATE SET"
        " entries = entries + ?3, spread = spread + ?4, exits = exits + ?5, shorts = shorts + ?6,"
        " blocked_s = blocked_s + ?7, covered_s = covered_s + ?8, counted_s = counted_s + ?9%s",
        table->name, table->time, table->key, table->revised ? ", revision" : "",
        table->revised ? ", ?10" : "", table->revised ? ", revision = revision + ?10" : "");
    return database_prepare(db, sql);
}

static sqlite3_stmt *prepare_drop(sqlite3 *db, const struct table *table)
{
    char sql[SQL_MAX];
    snprintf(sql, sizeof sql,
             "DELETE FROM %s WHERE %s = ?1 AND %s = ?2 AND entries = 0 AND spread = 0 AND exits = 0"
             " AND shorts = 0 AND blocked_s = 0 AND covered_s = 0 AND counted_s = 0",
             table->name, table->time, table->key);
    return database_prepare(db, sql);
}

int sums_open(struct sums *sums, sqlite3 *db)
{
    *sums = (struct sums){0};
    for (int i = 0; i < SUMS_TABLES; i++) {
        sums->add[i] = prepare_add(db, &tables[i]);
        sums->drop[i] = prepare_drop(db, &tables[i]);
        if (!sums->add[i] || !sums->drop[i]) {
            sums_close(sums);
            return -EIO;
        }
    }
    return 0;
}

void sums_close(struct sums *sums)
{
    for (int i = 0; i < SUMS_TABLES; i++) {
        sqlite3_finalize(sums->add[i]);
        sqlite3_finalize(sums->drop[i]);
        free(sums->lists[i].items);
    }
    *sums = (struct sums){0};
}

void sums_clear(struct sums *sums)
{
    for (int i = 0; i < SUMS_TABLES; i++)
        sums->lists[i].count = 0;
}

static int append(struct sum_list *list, const struct sum *sum)
{
    if (list->count == list->capacity) {
        size_t capacity = list->capacity ? 2 * list->capacity : 64;
        struct sum *items = realloc(list->items, capacity * sizeof *items);
        if (!items)
            return -ENOMEM;
        list->items = items;
        list->capacity = capacity;
    }
    list->items[list->count++] = *sum;
    return 0;
}

int sums_add(struct sums *sums, int64_t series, uint32_t devaddr,
             const struct series_placing *placing)
{
    int error = 0;
    for (size_t i = 0; i < placing->count && !error; i++) {
        struct sum sum = {.at_s = placing->changes[i].hour_s,
                          .number = series,
                          .devaddr = devaddr,
                          .by = placing->changes[i]};
        error = append(&sums->lists[HOUR], &sum);
    }
    return error;
}

static int compare(const void *a, const void *b)
{
    const struct sum *x = a, *y = b;
    if (x->at_s != y->at_s)
        return x->at_s < y->at_s ? -1 : 1;
    if (x->name && y->name)
        return strcmp(x->name, y->name);
    return x->number < y->number ? -1 : x->number > y->number;
}

static bool is_nothing(const struct series_change *by)
{
    return !by->entries && !by->spread && !by->exits && !by->shorts && !by->blocked_s &&
           !by->covered_s && !by->counted_s;
}

static bool is_growth(const struct series_change *by)
{
    return by->entries >= 0 && by->spread >= 0 && by->exits >= 0 && by->shorts >= 0 &&
           by->blocked_s >= 0 && by->covered_s >= 0 && by->counted_s >= 0;
}

static void add_up(struct series_change *to, const struct series_change *by)
{
    to->entries += by->entries;
    to->spread += by->spread;
    to->exits += by->exits;
    to->shorts += by->shorts;
    to->blocked_s += by->blocked_s;
    to->covered_s += by->covered_s;
    to->counted_s += by->counted_s;
}

/* One item for each row, in the order of its key. */
static void sort_and_merge(struct sum_list *list)
{
    size_t kept = 0;
    if (list->count)
        qsort(list->items, list->count, sizeof *list->items, compare);
    for (size_t i = 0; i < list->count; i++) {
        if (kept > 0 && compare(&list->items[kept - 1], &list->items[i]) == 0)
            add_up(&list->items[kept - 1].by, &list->items[i].by);
        else
            list->items[kept++] = list->items[i];
    }
    list->count = kept;
}

static int derive_one(struct sums *sums, const struct sum *hour, const struct roster *roster,
                      const struct zone *zone)
{
    struct zone_span span = zone_hour(zone, hour->at_s);
    struct sum sum = *hour;
    const struct roster_assignment *assignment =
        roster_of_unit(roster, hour->devaddr, span.begin_s + (span.end_s - span.begin_s) / 2);
    int64_t day_s = zone_day(zone, hour->at_s).begin_s;
    if (!assignment) {
        sum.at_s = day_s;
        sum.number = hour->devaddr;
        return append(&sums->lists[UNASSIGNED_DAY], &sum);
    }
    sum.name = roster->blocks[assignment->block].name;
    int error = append(&sums->lists[BLOCK_HOUR], &sum);
    sum.at_s = day_s;
    if (!error)
        error = append(&sums->lists[BLOCK_DAY], &sum);
    sum.name = assignment->trap;
    return error ? error : append(&sums->lists[TRAP_DAY], &sum);
}

static int derive(struct sums *sums, const struct roster *roster, const struct zone *zone)
{
    int error = 0;
    for (size_t i = 0; i < sums->lists[HOUR].count && !error; i++)
        if (!is_nothing(&sums->lists[HOUR].items[i].by))
            error = derive_one(sums, &sums->lists[HOUR].items[i], roster, zone);
    return error;
}

static void bind_key(sqlite3_stmt *statement, const struct sum *sum)
{
    sqlite3_bind_int64(statement, 1, sum->at_s);
    if (sum->name)
        sqlite3_bind_text(statement, 2, sum->name, -1, SQLITE_STATIC);
    else
        sqlite3_bind_int64(statement, 2, sum->number);
}

static int write_sum(struct sums *sums, int table, const struct sum *sum, int revision)
{
    sqlite3_stmt *add = sums->add[table];
    const struct series_change *by = &sum->by;
    bind_key(add, sum);
    sqlite3_bind_int64(add, 3, by->entries);
    sqlite3_bind_int64(add, 4, by->spread);
    sqlite3_bind_int64(add, 5, by->exits);
    sqlite3_bind_int64(add, 6, by->shorts);
    sqlite3_bind_int64(add, 7, by->blocked_s);
    sqlite3_bind_int64(add, 8, by->covered_s);
    sqlite3_bind_int64(add, 9, by->counted_s);
    if (tables[table].revised)
        sqlite3_bind_int(add, 10, revision);
    int error = database_step(add);
    if (error || is_growth(by))
        return error;
    bind_key(sums->drop[table], sum);
    return database_step(sums->drop[table]);
}

/* today_s: days before it have ended and are revised; INT64_MIN: none is. */
static int write_table(struct sums *sums, int table, int64_t today_s)
{
    int error = 0;
    sort_and_merge(&sums->lists[table]);
    for (size_t i = 0; i < sums->lists[table].count && !error; i++) {
        const struct sum *sum = &sums->lists[table].items[i];
        if (!is_nothing(&sum->by))
            error = write_sum(sums, table, sum, sum->at_s < today_s);
    }
    return error;
}

int sums_write(struct sums *sums, const struct roster *roster, const struct zone *zone,
               int64_t now_s)
{
    int64_t today_s = zone_day(zone, now_s).begin_s;
    int error = write_table(sums, HOUR, today_s);
    if (!error)
        error = derive(sums, roster, zone);
    for (int table = TRAP_DAY; table < SUMS_TABLES && !error; table++)
        error = write_table(sums, table, today_s);
    sums_clear(sums);
    return error;
}

static int flush_derived(struct sums *sums, const struct roster *roster, const struct zone *zone)
{
    int error = derive(sums, roster, zone);
    for (int table = TRAP_DAY; table < SUMS_TABLES && !error; table++)
        error = write_table(sums, table, INT64_MIN);
    sums_clear(sums);
    return error;
}

static struct sum sum_of_row(sqlite3_stmt *row)
{
    struct sum sum = {.at_s = sqlite3_column_int64(row, 0),
                      .number = sqlite3_column_int64(row, 1),
                      .devaddr = (uint32_t)sqlite3_column_int64(row, 2)};
    sum.by = (struct series_change){.hour_s = sum.at_s,
                                    .entries = sqlite3_column_int64(row, 3),
                                    .spread = sqlite3_column_int64(row, 4),
                                    .exits = sqlite3_column_int64(row, 5),
                                    .shorts = sqlite3_column_int64(row, 6),
                                    .blocked_s = sqlite3_column_int64(row, 7),
                                    .covered_s = sqlite3_column_int64(row, 8),
                                    .counted_s = sqlite3_column_int64(row, 9)};
    return sum;
}

static int derive_rows(struct sums *sums, sqlite3_stmt *rows, const struct roster *roster,
                       const struct zone *zone)
{
    int error = 0, result;
    while (!error && (result = sqlite3_step(rows)) == SQLITE_ROW) {
        struct sum sum = sum_of_row(rows);
        error = append(&sums->lists[HOUR], &sum);
        if (!error && sums->lists[HOUR].count == AT_ONCE)
            error = flush_derived(sums, roster, zone);
    }
    if (!error)
        error = database_error(result);
    return error ? error : flush_derived(sums, roster, zone);
}

static int clear_derived(sqlite3 *db, int64_t from_s)
{
    int error = 0;
    for (int i = TRAP_DAY; i < SUMS_TABLES && !error; i++) {
        char sql[SQL_MAX];
        snprintf(sql, sizeof sql, "DELETE FROM %s WHERE %s >= %" PRId64, tables[i].name,
                 tables[i].time, from_s);
        error = database_run(db, sql);
    }
    return error;
}

int sums_derive_all(struct sums *sums, sqlite3 *db, const struct roster *roster,
                    const struct zone *zone, int64_t from_s)
{
    int error = clear_derived(db, from_s);
    if (error)
        return error;
    sqlite3_stmt *rows =
        database_prepare(db, "SELECT hour_s, series, devaddr, hour.entries, spread, exits, shorts,"
                             " blocked_s, covered_s, counted_s FROM hour JOIN series USING (series)"
                             " ORDER BY hour_s, series");
    if (!rows)
        return -EIO;
    sums_clear(sums);
    error = derive_rows(sums, rows, roster, zone);
    sqlite3_finalize(rows);
    return error;
}
