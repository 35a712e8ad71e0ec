#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "collector/store/inner.h"
#include "common/log.h"

enum { HELD_S = 26 * 3600 };

static const char *const texts[STATEMENTS] = {
    [ADD_REPORT] = "INSERT INTO report (at_s, series, fcnt, heard_ms, air_ms, sure, payload)"
                   " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    [MOVE_REPORT] = "UPDATE report SET heard_ms = ?4, air_ms = ?5, sure = ?6"
                    " WHERE at_s = ?1 AND series = ?2 AND fcnt = ?3",
    /* The same gateway again: the better copy stays, as it would among several gateways. */
    [ADD_HEARD] = "INSERT INTO heard (at_s, series, fcnt, gateway, heard_ms, sure, boot, rssi_cdbm,"
                  " snr_cdb) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)"
                  " ON CONFLICT DO UPDATE SET heard_ms = ?5, sure = ?6, boot = ?7, rssi_cdbm = ?8,"
                  " snr_cdb = ?9 WHERE ?6 > sure OR (?6 = sure AND (?5, ?7) < (heard_ms, boot))",
    [COPIES_OF] = "SELECT gateway, boot, heard_ms, sure FROM heard"
                  " WHERE at_s = ?1 AND series = ?2 AND fcnt = ?3",
    [ADD_CONFLICT] = "INSERT INTO conflict (at_s, gateway, devaddr, key_check, fcnt, payload)"
                     " VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    [PUT_BOOT] = "INSERT INTO boot (gateway, boot, offset_ms) VALUES (?1, ?2, ?3)"
                 " ON CONFLICT DO UPDATE SET offset_ms = ?3",
    [UNSURE_OF_BOOT] = "SELECT at_s, series, fcnt FROM heard"
                       " WHERE sure = 0 AND gateway = ?1 AND boot = ?2 ORDER BY at_s, series, fcnt",
    [PUT_SPOOL] = "INSERT INTO spool (spool, gateway, n, hash, passed, seen_s)"
                  " VALUES (?1, ?2, ?3, ?4, ?5, ?6)"
                  " ON CONFLICT DO UPDATE SET gateway = ?2, n = ?3, hash = ?4, passed = ?5,"
                  " seen_s = ?6",
    [ADD_LOSS] = "INSERT INTO loss (at_s, gateway, spool, first, last, count, why)"
                 " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO UPDATE SET count = ?6",
    [ADD_QUARANTINE] = "INSERT INTO quarantine (at_s, gateway, why, row) VALUES (?1, ?2, ?3, ?4)",
    [DROP_QUARANTINE] = "DELETE FROM quarantine WHERE id = ?1",
};

static int prepare(struct store *store)
{
    for (int i = 0; i < STATEMENTS; i++) {
        store->statements[i] = database_prepare(store->database.db, texts[i]);
        if (!store->statements[i])
            return -EIO;
    }
    return 0;
}

static int load_boots(struct store *store)
{
    sqlite3_stmt *row =
        database_prepare(store->database.db, "SELECT gateway, boot, offset_ms FROM boot");
    int error = row ? 0 : -EIO, result = SQLITE_DONE;
    free(store->boots);
    store->boots = NULL;
    store->boot_count = 0;
    while (!error && (result = sqlite3_step(row)) == SQLITE_ROW) {
        struct store_boot *boots =
            realloc(store->boots, (store->boot_count + 1) * sizeof *store->boots);
        if (!boots) {
            error = -ENOMEM;
            break;
        }
        store->boots = boots;
        struct store_boot *boot = &boots[store->boot_count++];
        snprintf(boot->gateway, sizeof boot->gateway, "%s", sqlite3_column_text(row, 0));
        snprintf(boot->boot, sizeof boot->boot, "%s", sqlite3_column_text(row, 1));
        boot->offset_ms = sqlite3_column_int64(row, 2);
    }
    sqlite3_finalize(row);
    return error ? error : database_error(result);
}

/* What derived rows depend on besides the hours. */
static void derivation(const struct roster *roster, const struct zone *zone, char text[128])
{
    snprintf(text, 128, "%016" PRIx64 " %s 1", roster->fingerprint, zone_name(zone));
}

static int derived_from(struct store *store, char text[128])
{
    sqlite3_stmt *row = database_prepare(store->database.db, "SELECT made_from FROM derived");
    if (!row)
        return -EIO;
    int result = sqlite3_step(row);
    snprintf(text, 128, "%s",
             result == SQLITE_ROW ? (const char *)sqlite3_column_text(row, 0) : "");
    sqlite3_finalize(row);
    return database_error(result);
}

static int derive_anew(struct store *store, const struct roster *roster, const char *from)
{
    sqlite3_stmt *put =
        database_prepare(store->database.db, "INSERT INTO derived (one, made_from) VALUES (1, ?1)"
                                             " ON CONFLICT DO UPDATE SET made_from = ?1");
    int error = put ? database_run(store->database.db, "BEGIN IMMEDIATE") : -EIO;
    if (!error)
        error = sums_derive_all(&store->sums, store->database.db, roster, store->zone,
                                store->units.pruned_s);
    if (!error) {
        sqlite3_bind_text(put, 1, from, -1, SQLITE_STATIC);
        error = database_step(put);
    }
    sqlite3_finalize(put);
    if (!error)
        error = database_run(store->database.db, "COMMIT");
    if (error && !sqlite3_get_autocommit(store->database.db))
        (void)database_run(store->database.db, "ROLLBACK");
    sums_clear(&store->sums);
    return error;
}

int store_change_roster(struct store *store, const struct roster *roster, int64_t now_s)
{
    char now[128], before[128];
    assert(!store->in_batch);
    store->now_s = now_s;
    derivation(roster, store->zone, now);
    int error = derived_from(store, before);
    if (!error && strcmp(now, before) != 0)
        error = derive_anew(store, roster, now);
    if (!error)
        store->roster = roster;
    return error;
}

static void say_failed(struct settings_fault *fault, const char *path, int error)
{
    snprintf(fault->text, sizeof fault->text, "%s: the store cannot be read: %s.", path,
             strerror(-error));
}

int store_open(struct store **store, const char *path, const struct zone *zone,
               const struct roster *roster, int64_t now_s, struct settings_fault *fault)
{
    struct store *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->zone = zone;
    made->roster = roster;
    int error = database_open(&made->database, path, now_s, fault);
    if (error) {
        free(made);
        return error;
    }
    error = prepare(made);
    if (!error)
        error = sums_open(&made->sums, made->database.db);
    if (!error)
        error = load_boots(made);
    if (!error)
        error = units_open(&made->units, made->database.db);
    if (!error)
        error = store_change_roster(made, roster, now_s);
    if (error) {
        say_failed(fault, path, error);
        store_close(made);
        return error;
    }
    *store = made;
    return 0;
}

void store_close(struct store *store)
{
    if (!store)
        return;
    if (store->in_batch)
        (void)database_run(store->database.db, "ROLLBACK");
    for (int i = 0; i < STATEMENTS; i++)
        sqlite3_finalize(store->statements[i]);
    sums_close(&store->sums);
    units_close(&store->units);
    free(store->boots);
    database_close(&store->database);
    free(store);
}

int store_open_readonly(const char *path, sqlite3 **db, struct settings_fault *fault)
{
    return database_open_readonly(path, db, fault);
}

sqlite3 *store_db(struct store *store)
{
    return store->database.db;
}

const char *store_id(const struct store *store)
{
    return store->database.id;
}

const char *store_set_aside(const struct store *store)
{
    return store->database.set_aside;
}

bool store_mended(const struct store *store)
{
    return store->database.mended;
}

int store_begin(struct store *store, int64_t now_s)
{
    assert(!store->in_batch);
    /* What was thrown away after a failure is read again before anything new. */
    if (!store->units.slots) {
        int error = units_open(&store->units, store->database.db);
        if (!error)
            error = load_boots(store);
        if (error)
            return error;
    }
    int error = database_run(store->database.db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    store->now_s = now_s;
    store->in_batch = true;
    return 0;
}

int store_commit(struct store *store)
{
    assert(store->in_batch);
    int error = sums_write(&store->sums, store->roster, store->zone, store->now_s);
    if (!error)
        error = units_write(&store->units);
    if (!error)
        error = database_run(store->database.db, "COMMIT");
    if (!error)
        store->in_batch = false;
    return error;
}

void store_abandon(struct store *store)
{
    if (!sqlite3_get_autocommit(store->database.db))
        (void)database_run(store->database.db, "ROLLBACK");
    store->in_batch = false;
    sums_clear(&store->sums);
    units_close(&store->units);
}

void store_trim(struct store *store, int64_t now_s)
{
    units_trim(&store->units, now_s - HELD_S);
}
