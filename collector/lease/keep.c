#include "collector/lease/keep.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "collector/store/database.h"

/* Came after the first stores, and is made when it is missing. */
static const char made[] =
    "CREATE TABLE IF NOT EXISTS lease (devaddr INTEGER NOT NULL, key_check INTEGER NOT NULL,"
    " term INTEGER NOT NULL, gateway TEXT NOT NULL, run TEXT NOT NULL, first INTEGER NOT NULL, "
    "count INTEGER NOT NULL,"
    " until_ms INTEGER NOT NULL, next INTEGER NOT NULL, PRIMARY KEY (devaddr, key_check))"
    " STRICT, WITHOUT ROWID";

static int put_row(struct lease_table *table, sqlite3_stmt *row)
{
    struct feed_lease lease = {.devaddr = (uint32_t)sqlite3_column_int64(row, 0),
                               .key_check = (uint32_t)sqlite3_column_int64(row, 1),
                               .term = (uint64_t)sqlite3_column_int64(row, 2),
                               .first = (uint32_t)sqlite3_column_int64(row, 4),
                               .count = (uint32_t)sqlite3_column_int64(row, 5),
                               .until_ms = sqlite3_column_int64(row, 6)};
    snprintf(lease.gateway, sizeof lease.gateway, "%s", (const char *)sqlite3_column_text(row, 3));
    snprintf(lease.run, sizeof lease.run, "%s", (const char *)sqlite3_column_text(row, 8));
    return lease_table_put(table, &lease, (uint64_t)sqlite3_column_int64(row, 7));
}

int lease_keep_load(sqlite3 *db, struct lease_table *table)
{
    int error = database_run(db, made), result;
    sqlite3_stmt *row =
        error ? NULL
              : database_prepare(db, "SELECT devaddr, key_check, term, gateway, first, count,"
                                     " until_ms, next, run FROM lease");
    if (!row)
        return error ? error : -EIO;
    while (!error && (result = sqlite3_step(row)) == SQLITE_ROW)
        error = put_row(table, row);
    sqlite3_finalize(row);
    return error ? error : database_error(result);
}

static int write_unit(sqlite3_stmt *put, const struct lease_unit *unit)
{
    sqlite3_bind_int64(put, 1, unit->devaddr);
    sqlite3_bind_int64(put, 2, unit->key_check);
    sqlite3_bind_int64(put, 3, (int64_t)unit->lease.term);
    sqlite3_bind_text(put, 4, unit->lease.gateway, -1, SQLITE_STATIC);
    sqlite3_bind_int64(put, 5, unit->lease.first);
    sqlite3_bind_int64(put, 6, unit->lease.count);
    sqlite3_bind_int64(put, 7, unit->lease.until_ms);
    sqlite3_bind_int64(put, 8, (int64_t)unit->next);
    sqlite3_bind_text(put, 9, unit->lease.run, -1, SQLITE_STATIC);
    return database_step(put);
}

static int write_changed(sqlite3 *db, struct lease_table *table)
{
    int error = 0;
    sqlite3_stmt *put = database_prepare(
        db,
        "INSERT INTO lease (devaddr, key_check, term, gateway, first, count, until_ms, next, run)"
        " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO UPDATE SET term = ?3,"
        " gateway = ?4, first = ?5, count = ?6, until_ms = ?7, next = max(next, ?8), run = ?9");
    if (!put)
        return -EIO;
    for (size_t i = 0; i < lease_table_count(table) && !error; i++)
        if (lease_table_at(table, i)->changed)
            error = write_unit(put, lease_table_at(table, i));
    sqlite3_finalize(put);
    return error;
}

int lease_keep_changed(sqlite3 *db, struct lease_table *table)
{
    int error = database_run(db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    error = write_changed(db, table);
    if (!error)
        error = database_run(db, "COMMIT");
    if (error)
        (void)database_run(db, "ROLLBACK");
    return error;
}
