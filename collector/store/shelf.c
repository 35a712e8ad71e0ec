/* What the store keeps beside reports: spools, losses, quarantine, totals. */
#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "collector/store/inner.h"

int store_put_spool(struct store *store, const struct store_spool *spool)
{
    assert(store->in_batch);
    sqlite3_stmt *put = store->statements[PUT_SPOOL];
    sqlite3_bind_text(put, 1, spool->spool, -1, SQLITE_STATIC);
    sqlite3_bind_text(put, 2, spool->gateway, -1, SQLITE_STATIC);
    sqlite3_bind_int64(put, 3, (int64_t)spool->n);
    sqlite3_bind_text(put, 4, spool->hash, -1, SQLITE_STATIC);
    sqlite3_bind_int64(put, 5, (int64_t)spool->passed);
    sqlite3_bind_int64(put, 6, store->now_s);
    return database_step(put);
}

int store_each_spool(struct store *store, void (*each)(void *user, const struct store_spool *spool),
                     void *user)
{
    sqlite3_stmt *row = database_prepare(
        store->database.db,
        "SELECT spool, gateway, n, hash, passed FROM spool ORDER BY seen_s, rowid");
    if (!row)
        return -EIO;
    int result;
    while ((result = sqlite3_step(row)) == SQLITE_ROW) {
        struct store_spool spool = {.n = (uint64_t)sqlite3_column_int64(row, 2),
                                    .passed = (uint64_t)sqlite3_column_int64(row, 4)};
        snprintf(spool.spool, sizeof spool.spool, "%s", sqlite3_column_text(row, 0));
        snprintf(spool.gateway, sizeof spool.gateway, "%s", sqlite3_column_text(row, 1));
        snprintf(spool.hash, sizeof spool.hash, "%s", sqlite3_column_text(row, 3));
        each(user, &spool);
    }
    sqlite3_finalize(row);
    return database_error(result);
}

int store_put_loss(struct store *store, const char *gateway, const char *spool,
                   const struct feed_loss *loss)
{
    assert(store->in_batch);
    sqlite3_stmt *add = store->statements[ADD_LOSS];
    sqlite3_bind_int64(add, 1, store->now_s);
    sqlite3_bind_text(add, 2, gateway, -1, SQLITE_STATIC);
    sqlite3_bind_text(add, 3, spool, -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 4, (int64_t)loss->first);
    sqlite3_bind_int64(add, 5, (int64_t)loss->last);
    sqlite3_bind_int64(add, 6, (int64_t)loss->count);
    sqlite3_bind_text(add, 7, loss->why, -1, SQLITE_STATIC);
    return database_step(add);
}

int store_put_quarantine(struct store *store, const char *gateway, const char *why,
                         const char *text, size_t len)
{
    assert(store->in_batch);
    sqlite3_stmt *add = store->statements[ADD_QUARANTINE];
    sqlite3_bind_int64(add, 1, store->now_s);
    sqlite3_bind_text(add, 2, gateway, -1, SQLITE_STATIC);
    sqlite3_bind_text(add, 3, why, -1, SQLITE_STATIC);
    sqlite3_bind_text(add, 4, text, (int)len, SQLITE_STATIC);
    return database_step(add);
}

int store_each_quarantine(struct store *store, int64_t after,
                          int (*each)(void *user, int64_t id, const char *gateway, const char *text,
                                      size_t len),
                          void *user)
{
    sqlite3_stmt *row = database_prepare(
        store->database.db, "SELECT id, gateway, row FROM quarantine WHERE id > ?1 ORDER BY id");
    if (!row)
        return -EIO;
    int error = 0, result = SQLITE_DONE;
    sqlite3_bind_int64(row, 1, after);
    while (!error && (result = sqlite3_step(row)) == SQLITE_ROW)
        error =
            each(user, sqlite3_column_int64(row, 0), (const char *)sqlite3_column_text(row, 1),
                 (const char *)sqlite3_column_text(row, 2), (size_t)sqlite3_column_bytes(row, 2));
    sqlite3_finalize(row);
    return error ? error : database_error(result);
}

int store_drop_quarantine(struct store *store, int64_t id)
{
    assert(store->in_batch);
    sqlite3_bind_int64(store->statements[DROP_QUARANTINE], 1, id);
    return database_step(store->statements[DROP_QUARANTINE]);
}

static uint64_t file_bytes(const char *path, const char *ending)
{
    char name[4096];
    struct stat status;
    snprintf(name, sizeof name, "%s%s", path, ending);
    return stat(name, &status) == 0 ? (uint64_t)status.st_size : 0;
}

int store_total(struct store *store, struct store_totals *totals)
{
    sqlite3_stmt *row = database_prepare(
        store->database.db, "SELECT (SELECT coalesce(sum(reports), 0) FROM series),"
                            " (SELECT count(*) FROM quarantine), (SELECT count(*) FROM conflict),"
                            " (SELECT coalesce(sum(ignored), 0) FROM series)");
    if (!row)
        return -EIO;
    int result = sqlite3_step(row);
    const char *path = sqlite3_db_filename(store->database.db, "main");
    struct store_totals found = {.reports = (uint64_t)sqlite3_column_int64(row, 0),
                                 .quarantined = (uint64_t)sqlite3_column_int64(row, 1),
                                 .conflicts = (uint64_t)sqlite3_column_int64(row, 2),
                                 .ignored = (uint64_t)sqlite3_column_int64(row, 3),
                                 .held = store->units.held,
                                 .bytes = file_bytes(path, "") + file_bytes(path, "-wal")};
    sqlite3_finalize(row);
    if (result == SQLITE_ROW)
        *totals = found;
    return result == SQLITE_ROW ? 0 : database_error(result);
}
