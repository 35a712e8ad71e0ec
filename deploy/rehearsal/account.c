#include "deploy/rehearsal/account.h"

#include <errno.h>
#include <sqlite3.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int account_compare(const struct account_series *a, const struct account_series *b)
{
    if (a->devaddr != b->devaddr)
        return a->devaddr < b->devaddr ? -1 : 1;
    if (a->key_check != b->key_check)
        return a->key_check < b->key_check ? -1 : 1;
    return (int)a->epoch - (int)b->epoch;
}

/* A growing array of one kind of row, filled from a query. */
struct table {
    void *rows;
    size_t count, capacity, size;
    void (*fill)(void *row, sqlite3_stmt *statement);
};

static int add_row(struct table *table, sqlite3_stmt *statement)
{
    if (table->count == table->capacity) {
        size_t wanted = table->capacity == 0 ? 4096 : table->capacity * 2;
        void *grown = realloc(table->rows, wanted * table->size);
        if (grown == NULL)
            return -ENOMEM;
        table->rows = grown;
        table->capacity = wanted;
    }
    table->fill((char *)table->rows + table->count++ * table->size, statement);
    return 0;
}

static int read_table(sqlite3 *db, const char *query, struct table *table)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db, query, -1, &statement, NULL) != SQLITE_OK) {
        fprintf(stderr, "edgerow-rehearse: %s: %s\n", sqlite3_db_filename(db, "main"),
                sqlite3_errmsg(db));
        return -EIO;
    }
    int step, result = 0;
    while (result == 0 && (step = sqlite3_step(statement)) == SQLITE_ROW)
        result = add_row(table, statement);
    if (result == 0 && step != SQLITE_DONE)
        result = -EIO;
    sqlite3_finalize(statement);
    return result;
}

/* Every query begins with devaddr, key check, epoch. */
static struct account_series series_of(sqlite3_stmt *s)
{
    return (struct account_series){.devaddr = (uint32_t)sqlite3_column_int64(s, 0),
                                   .key_check = (uint32_t)sqlite3_column_int64(s, 1),
                                   .epoch = (uint8_t)sqlite3_column_int(s, 2)};
}

static void fill_interval(void *row, sqlite3_stmt *s)
{
    *(struct account_interval *)row =
        (struct account_interval){.series = series_of(s),
                                  .number = (uint64_t)sqlite3_column_int64(s, 3),
                                  .from_us = sqlite3_column_int64(s, 4),
                                  .to_us = sqlite3_column_int64(s, 5),
                                  .entries = (uint32_t)sqlite3_column_int64(s, 6),
                                  .whole = (uint8_t)sqlite3_column_int(s, 7)};
}

static void fill_frame(void *row, sqlite3_stmt *s)
{
    *(struct account_frame *)row =
        (struct account_frame){.series = series_of(s),
                               .fcnt = (uint32_t)sqlite3_column_int64(s, 3),
                               .interval = (uint64_t)sqlite3_column_int64(s, 4),
                               .entries = (uint32_t)sqlite3_column_int64(s, 5),
                               .recent = (uint8_t)sqlite3_column_int(s, 6),
                               .sure = (uint8_t)sqlite3_column_int(s, 7)};
}

static void fill_report(void *row, sqlite3_stmt *s)
{
    *(struct account_report *)row = (struct account_report){
        .series = series_of(s), .fcnt = (uint32_t)sqlite3_column_int64(s, 3)};
}

static void fill_sum(void *row, sqlite3_stmt *s)
{
    *(struct account_sum *)row =
        (struct account_sum){.series = series_of(s),
                             .last_fcnt = (uint32_t)sqlite3_column_int64(s, 3),
                             .entries = (uint32_t)sqlite3_column_int64(s, 4),
                             .pruned = sqlite3_column_int64(s, 5),
                             .unplaced = sqlite3_column_int64(s, 6)};
}

static void fill_hour(void *row, sqlite3_stmt *s)
{
    *(struct account_hour *)row = (struct account_hour){.series = series_of(s),
                                                        .hour_s = sqlite3_column_int64(s, 3),
                                                        .entries = sqlite3_column_int64(s, 4),
                                                        .spread = sqlite3_column_int64(s, 5)};
}

static void fill_number(void *row, sqlite3_stmt *s)
{
    *(int64_t *)row = sqlite3_column_int64(s, 0);
}

static int by_interval(const void *a, const void *b)
{
    const struct account_interval *x = a, *y = b;
    int order = account_compare(&x->series, &y->series);
    return order != 0 ? order : (x->number > y->number) - (x->number < y->number);
}

static int by_frame(const void *a, const void *b)
{
    const struct account_frame *x = a, *y = b;
    int order = account_compare(&x->series, &y->series);
    return order != 0 ? order : (x->fcnt > y->fcnt) - (x->fcnt < y->fcnt);
}

static int by_report(const void *a, const void *b)
{
    const struct account_report *x = a, *y = b;
    int order = account_compare(&x->series, &y->series);
    return order != 0 ? order : (x->fcnt > y->fcnt) - (x->fcnt < y->fcnt);
}

static int by_sum(const void *a, const void *b)
{
    return account_compare(&((const struct account_sum *)a)->series,
                           &((const struct account_sum *)b)->series);
}

static int by_hour(const void *a, const void *b)
{
    const struct account_hour *x = a, *y = b;
    int order = account_compare(&x->series, &y->series);
    return order != 0 ? order : (x->hour_s > y->hour_s) - (x->hour_s < y->hour_s);
}

static void sort(void *rows, size_t count, size_t size, int (*compare)(const void *, const void *))
{
    if (count > 1)
        qsort(rows, count, size, compare);
}

static int open_database(sqlite3 **db, const char *folder, const char *name)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    if (sqlite3_open_v2(path, db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK)
        return 0;
    fprintf(stderr, "edgerow-rehearse: %s: %s\n", path, sqlite3_errmsg(*db));
    sqlite3_close(*db);
    *db = NULL;
    return -EIO;
}

static int read_ledger(struct account *a, sqlite3 *db)
{
    struct table intervals = {.size = sizeof *a->intervals, .fill = fill_interval};
    struct table frames = {.size = sizeof *a->frames, .fill = fill_frame};
    int result = read_table(
        db,
        "SELECT u.devaddr, u.key_check, i.epoch, i.number, i.from_us, i.to_us, i.entries,"
        " i.whole FROM interval i JOIN unit u USING (unit)",
        &intervals);
    if (result == 0)
        result = read_table(
            db,
            "SELECT u.devaddr, u.key_check, f.epoch, f.fcnt, f.interval, f.entries, f.recent,"
            " max(c.sure) FROM copy c JOIN frame f USING (frame) JOIN unit u USING (unit)"
            " GROUP BY c.frame",
            &frames);
    a->intervals = intervals.rows;
    a->interval_count = intervals.count;
    a->frames = frames.rows;
    a->frame_count = frames.count;
    return result;
}

static int read_zone(struct account *a, sqlite3 *db)
{
    sqlite3_stmt *s;
    if (sqlite3_prepare_v2(db, "SELECT value FROM note WHERE key = 'time_zone'", -1, &s, NULL) !=
        SQLITE_OK)
        return -EIO;
    int result = sqlite3_step(s) == SQLITE_ROW ? 0 : -EIO;
    if (result == 0)
        snprintf(a->time_zone, sizeof a->time_zone, "%s", (const char *)sqlite3_column_text(s, 0));
    sqlite3_finalize(s);
    return result;
}

static int read_count(sqlite3 *db, const char *query, int64_t *count)
{
    struct table numbers = {.size = sizeof *count, .fill = fill_number};
    int result = read_table(db, query, &numbers);
    if (result == 0 && numbers.count == 1)
        *count = *(int64_t *)numbers.rows;
    free(numbers.rows);
    return result;
}

static int read_store(struct account *a, sqlite3 *db)
{
    struct table reports = {.size = sizeof *a->reports, .fill = fill_report};
    struct table sums = {.size = sizeof *a->sums, .fill = fill_sum};
    struct table hours = {.size = sizeof *a->hours, .fill = fill_hour};
    int result = read_table(
        db, "SELECT devaddr, key_check, epoch, fcnt FROM report JOIN series USING (series)",
        &reports);
    if (result == 0)
        result = read_table(
            db,
            "SELECT devaddr, key_check, epoch, last_fcnt, entries, pruned, unplaced FROM series",
            &sums);
    if (result == 0)
        result =
            read_table(db,
                       "SELECT devaddr, key_check, epoch, hour_s, h.entries, spread FROM hour h"
                       " JOIN series USING (series)",
                       &hours);
    a->reports = reports.rows;
    a->report_count = reports.count;
    a->sums = sums.rows;
    a->sum_count = sums.count;
    a->hours = hours.rows;
    a->hour_count = hours.count;
    if (result == 0)
        result = read_count(db, "SELECT count(*) FROM quarantine", &a->quarantined);
    if (result == 0)
        result = read_count(db, "SELECT count(*) FROM conflict", &a->conflicts);
    return result != 0 ? result : read_count(db, "SELECT count(*) FROM loss", &a->losses);
}

static void add_hours(struct account *a)
{
    size_t h = 0;
    for (size_t s = 0; s < a->sum_count; s++) {
        while (h < a->hour_count && account_compare(&a->hours[h].series, &a->sums[s].series) < 0)
            h++;
        for (; h < a->hour_count && account_compare(&a->hours[h].series, &a->sums[s].series) == 0;
             h++)
            a->sums[s].hours += a->hours[h].entries;
    }
}

int account_open(struct account *a, const char *folder)
{
    sqlite3 *ledger = NULL, *store = NULL;
    *a = (struct account){.quarantined = -1};
    int result = open_database(&ledger, folder, "ledger.db");
    if (result == 0)
        result = open_database(&store, folder, "collector/store.db");
    if (result == 0)
        result = read_zone(a, ledger);
    if (result == 0)
        result = read_ledger(a, ledger);
    if (result == 0)
        result = read_store(a, store);
    sqlite3_close(ledger);
    sqlite3_close(store);
    sort(a->intervals, a->interval_count, sizeof *a->intervals, by_interval);
    sort(a->frames, a->frame_count, sizeof *a->frames, by_frame);
    sort(a->reports, a->report_count, sizeof *a->reports, by_report);
    sort(a->sums, a->sum_count, sizeof *a->sums, by_sum);
    sort(a->hours, a->hour_count, sizeof *a->hours, by_hour);
    add_hours(a);
    if (result != 0)
        account_close(a);
    return result;
}

void account_close(struct account *a)
{
    free(a->intervals);
    free(a->frames);
    free(a->reports);
    free(a->sums);
    free(a->hours);
    *a = (struct account){0};
}
