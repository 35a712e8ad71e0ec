#include "collector/store/database.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/random.h>
#include <unistd.h>

#include "collector/store/schema.h"
#include "common/log.h"

enum { BUSY_MS = 5000 };

static int say(struct settings_fault *fault, int error, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static int say(struct settings_fault *fault, int error, const char *format, ...)
{
    va_list list;
    va_start(list, format);
    vsnprintf(fault->text, sizeof fault->text, format, list);
    va_end(list);
    return error;
}

int database_error(int result)
{
    switch (result & 0xFF) {
    case SQLITE_OK:
    case SQLITE_ROW:
    case SQLITE_DONE:
        return 0;
    case SQLITE_FULL:
        return -ENOSPC;
    case SQLITE_NOMEM:
        return -ENOMEM;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return -EBUSY;
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_AUTH:
    case SQLITE_CANTOPEN:
        return -EACCES;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return -EBADMSG;
    default:
        return -EIO;
    }
}

int database_run(sqlite3 *db, const char *sql)
{
    return database_error(sqlite3_exec(db, sql, NULL, NULL, NULL));
}

int database_step(sqlite3_stmt *statement)
{
    int result = sqlite3_step(statement);
    int reset = sqlite3_reset(statement);
    return database_error(result == SQLITE_DONE || result == SQLITE_ROW ? reset : result);
}

sqlite3_stmt *database_prepare(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v3(db, sql, -1, SQLITE_PREPARE_PERSISTENT, &statement, NULL) != SQLITE_OK)
        log_error("The store does not understand \"%s\": %s", sql, sqlite3_errmsg(db));
    return statement;
}

/* The first column of the first row as a number. */
static int query_number(sqlite3 *db, const char *sql, int64_t *number)
{
    sqlite3_stmt *statement = NULL;
    int result = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);
    if (result == SQLITE_OK) {
        result = sqlite3_step(statement);
        if (result == SQLITE_ROW)
            *number = sqlite3_column_int64(statement, 0);
    }
    sqlite3_finalize(statement);
    return database_error(result);
}

static int query_text(sqlite3 *db, const char *sql, char *text, size_t size)
{
    sqlite3_stmt *statement = NULL;
    int result = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);
    text[0] = '\0';
    if (result == SQLITE_OK) {
        result = sqlite3_step(statement);
        if (result == SQLITE_ROW)
            snprintf(text, size, "%s", (const char *)sqlite3_column_text(statement, 0));
    }
    sqlite3_finalize(statement);
    return database_error(result);
}

/* What the check says of a page that cannot be read now sounds like damage and is none. */
static int check_error(const char *text)
{
    const char *code = strstr(text, "error code=");
    if (code)
        return database_error(atoi(code + strlen("error code=")));
    return strstr(text, "failed to get page") ? -EIO : -EBADMSG;
}

/* Whether the file is whole: 0, -EBADMSG, or another error. SQLite's quick check is quicker, but sees neither
 * an index that lacks a row, which would hide a message that waits, nor a key in the wrong place. */
static int check_whole(sqlite3 *db)
{
    char text[256];
    int error = query_text(db, "PRAGMA integrity_check(1)", text, sizeof text);
    if (error || strcmp(text, "ok") == 0)
        return error;
    error = check_error(text);
    if (error == -EBADMSG)
        log_error("The store is damaged: %s", text);
    return error;
}

/* Each index that is not a table itself. */
static int make_indexes_anew(sqlite3 *db)
{
    char sql[2048];
    int error =
        query_text(db,
                   "SELECT group_concat('REINDEX \"' || name || '\"', ';') FROM sqlite_schema"
                   " WHERE type = 'index'",
                   sql, sizeof sql);
    return error ? error : database_run(db, sql);
}

/* An index only repeats what its table says. What is not whole afterwards stays as it was. */
static int mend(sqlite3 *db)
{
    int error = database_run(db, "BEGIN IMMEDIATE");
    if (!error)
        error = make_indexes_anew(db);
    if (!error)
        error = check_whole(db);
    if (!error)
        error = database_run(db, "COMMIT");
    if (error && !sqlite3_get_autocommit(db))
        (void)database_run(db, "ROLLBACK");
    return error;
}

static int check_or_mend(struct database *database)
{
    int error = check_whole(database->db);
    if (error != -EBADMSG)
        return error;
    error = mend(database->db);
    database->mended = !error;
    if (!error)
        log_warning("An index of the store was damaged and was made anew; nothing is lost.");
    return error;
}

/* What came after the first layout, by the version it makes another of; a new store takes them all. */
static const char *const upgrades[] = {
    [1] = "CREATE TABLE fruit_count (id INTEGER PRIMARY KEY, at_s INTEGER NOT NULL, block TEXT NOT "
          "NULL, place TEXT NOT NULL, looked_at INTEGER NOT NULL, damaged INTEGER NOT NULL,"
          " by_whom TEXT NOT NULL, entered_s INTEGER NOT NULL) STRICT;"
          "CREATE TABLE stage (id INTEGER PRIMARY KEY, at_s INTEGER NOT NULL, block TEXT NOT NULL,"
          " stage TEXT NOT NULL, by_whom TEXT NOT NULL, entered_s INTEGER NOT NULL) STRICT;"
          "CREATE TABLE frozen_round (day_s INTEGER PRIMARY KEY, asked TEXT NOT NULL,"
          " made_s INTEGER NOT NULL, text TEXT NOT NULL, json TEXT NOT NULL) STRICT;",
    /* Nothing entered is deleted: what was withdrawn is kept, and no longer counts. */
    [2] =
        "CREATE TABLE withdrawn (id INTEGER PRIMARY KEY, what TEXT NOT NULL, entry INTEGER NOT "
        "NULL, by_whom TEXT NOT NULL, entered_s INTEGER NOT NULL, UNIQUE (what, entry)) STRICT;"
        "CREATE VIEW entry AS SELECT 'visit' AS what, id, at_s, trap || ' ' || action ||"
        " coalesce(' (' || (SELECT group_concat(count || ' ' || kind, ', ') FROM hand_count"
        " WHERE visit = visit.id AND count > 0) || ')', '') AS text, by_whom, entered_s FROM visit"
        " UNION ALL SELECT 'fruit', id, at_s, block || ' ' || place || ' ' || damaged || '/' ||"
        " looked_at, by_whom, entered_s FROM fruit_count"
        " UNION ALL SELECT 'stage', id, at_s, stage || CASE block WHEN '' THEN '' ELSE ', ' ||"
        " block END, by_whom, entered_s FROM stage;"
        "CREATE VIEW kept_visit AS SELECT * FROM visit WHERE id NOT IN"
        " (SELECT entry FROM withdrawn WHERE what = 'visit');"
        "CREATE VIEW kept_fruit AS SELECT * FROM fruit_count WHERE id NOT IN"
        " (SELECT entry FROM withdrawn WHERE what = 'fruit');"
        "CREATE VIEW kept_stage AS SELECT * FROM stage WHERE id NOT IN"
        " (SELECT entry FROM withdrawn WHERE what = 'stage');",
};
_Static_assert(sizeof upgrades / sizeof upgrades[0] == DATABASE_VERSION, "one for each version");

static int upgrade(sqlite3 *db, int64_t version)
{
    int error = 0;
    for (; version < DATABASE_VERSION && !error; version++)
        error = database_run(db, upgrades[version]);
    return error;
}

/* A store of older software; nobody else writes it now. */
static int upgrade_file(sqlite3 *db, int64_t version)
{
    char sql[64];
    snprintf(sql, sizeof sql, "PRAGMA user_version = %d; COMMIT", DATABASE_VERSION);
    int error = database_run(db, "BEGIN IMMEDIATE");
    if (!error)
        error = upgrade(db, version);
    if (!error)
        error = database_run(db, sql);
    if (error && !sqlite3_get_autocommit(db))
        (void)database_run(db, "ROLLBACK");
    return error;
}

int database_make_tables(sqlite3 *db)
{
    int error = database_run(db, (const char *)schema_sql);
    return error ? error : upgrade(db, 1);
}

static int make_schema(sqlite3 *db, int64_t now_s)
{
    uint64_t id;
    char sql[160];
    if (getrandom(&id, sizeof id, 0) != sizeof id)
        return -EIO;
    snprintf(sql, sizeof sql,
             "INSERT INTO store (one, id, made_s) VALUES (1, '%016" PRIx64 "', %" PRId64
             "); PRAGMA user_version = %d; COMMIT",
             id, now_s, DATABASE_VERSION);
    int error = database_run(db, "BEGIN IMMEDIATE");
    if (!error)
        error = database_make_tables(db);
    if (!error)
        error = database_run(db, sql);
    return error;
}

static int check_version(const char *path, int64_t version, struct settings_fault *fault)
{
    if (version <= DATABASE_VERSION)
        return 0;
    return say(
        fault, -ENOTSUP,
        "%s: the store was made by newer software (version %" PRId64
        "; this software knows %d): install the newer software again, or move the file away.",
        path, version, DATABASE_VERSION);
}

static int prepare_file(struct database *database, const char *path, int64_t now_s,
                        struct settings_fault *fault)
{
    int64_t version = 0;
    int error = database_error(
        sqlite3_open_v2(path, &database->db,
                        SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX, NULL));
    if (error)
        return error;
    sqlite3_extended_result_codes(database->db, 1);
    sqlite3_busy_timeout(database->db, BUSY_MS);
    error =
        database_run(database->db, "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
                                   "PRAGMA foreign_keys = ON; PRAGMA temp_store = MEMORY;"
                                   "PRAGMA cache_size = -4096; PRAGMA wal_autocheckpoint = 4000;"
                                   "PRAGMA journal_size_limit = 33554432");
    if (!error)
        error = query_number(database->db, "PRAGMA user_version", &version);
    if (!error)
        error = check_version(path, version, fault);
    if (!error)
        error = check_or_mend(database);
    if (!error && version == 0) {
        error = make_schema(database->db, now_s);
        database->made = !error;
    } else if (!error && version < DATABASE_VERSION) {
        error = upgrade_file(database->db, version);
    }
    if (!error)
        error = query_text(database->db, "SELECT id FROM store", database->id, sizeof database->id);
    if (!error && strlen(database->id) != 16)
        error = -EBADMSG;
    return error;
}

static int take_lock(struct database *database, const char *path, struct settings_fault *fault)
{
    char *name = NULL;
    if (asprintf(&name, "%s.lock", path) < 0)
        return -ENOMEM;
    int error = 0;
    database->lock_fd = open(name, O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    if (database->lock_fd < 0)
        error = say(
            fault, -errno,
            "%s: cannot be made (%s): the folder must exist and belong to the collector's user.",
            name, strerror(errno));
    else if (flock(database->lock_fd, LOCK_EX | LOCK_NB))
        error =
            say(fault, -EBUSY,
                "%s: another collector is writing this store: stop it first, or give this one its "
                "own [store] path.",
                path);
    free(name);
    return error;
}

static void move_one(const char *path, const char *ending, const char *aside)
{
    char *from = NULL, *to = NULL;
    if (asprintf(&from, "%s%s", path, ending) >= 0 && asprintf(&to, "%s%s", aside, ending) >= 0 &&
        rename(from, to) && errno != ENOENT)
        log_error("%s cannot be moved to %s: %s", from, to, strerror(errno));
    free(from);
    free(to);
}

static int set_aside(struct database *database, const char *path, int64_t now_s)
{
    sqlite3_close(database->db);
    database->db = NULL;
    if (asprintf(&database->set_aside, "%s.damaged-%" PRId64, path, now_s) < 0) {
        database->set_aside = NULL;
        return -ENOMEM;
    }
    move_one(path, "-wal", database->set_aside);
    move_one(path, "-shm", database->set_aside);
    move_one(path, "", database->set_aside);
    log_error(
        "%s: the store is damaged. It was moved to %s and a new one was made; the gateways "
        "send what they still hold. Keep the old file: `sqlite3 FILE .recover` may read more.",
        path, database->set_aside);
    return 0;
}

int database_open(struct database *database, const char *path, int64_t now_s,
                  struct settings_fault *fault)
{
    *database = (struct database){.lock_fd = -1};
    fault->text[0] = '\0';
    int error = take_lock(database, path, fault);
    if (error)
        goto fail;
    error = prepare_file(database, path, now_s, fault);
    if (error == -EBADMSG) {
        error = set_aside(database, path, now_s);
        if (!error)
            error = prepare_file(database, path, now_s, fault);
    }
    if (!error)
        return 0;
fail:
    if (fault->text[0] == '\0')
        say(fault, error, "%s: the store cannot be opened: %s (%s).", path, strerror(-error),
            database->db ? sqlite3_errmsg(database->db) : "no file");
    database_close(database);
    return error;
}

void database_close(struct database *database)
{
    sqlite3_close(database->db);
    if (database->lock_fd >= 0)
        close(database->lock_fd);
    free(database->set_aside);
    *database = (struct database){.lock_fd = -1};
}

/* WAL needs its index beside the file even for reading; who may not write the folder can read while the
 * collector runs. */
static int open_beside(const char *path, sqlite3 **db)
{
    int error = database_error(
        sqlite3_open_v2(path, db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL));
    if (!error)
        sqlite3_busy_timeout(*db, BUSY_MS);
    if (!error)
        error = database_run(*db, "PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0");
    if (!error)
        sqlite3_db_config(*db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, NULL);
    return error;
}

int database_open_beside(const char *path, sqlite3 **db, struct settings_fault *fault)
{
    sqlite3 *opened = NULL;
    int64_t version = 0;
    fault->text[0] = '\0';
    if (access(path, F_OK))
        return say(fault, -errno, "%s: there is no store yet (%s): has the collector run?", path,
                   strerror(errno));
    int error = open_beside(path, &opened);
    if (!error)
        error = query_number(opened, "PRAGMA user_version", &version);
    if (!error)
        error = check_version(path, version, fault);
    if (!error && version == 0)
        error = say(fault, -ENOENT, "%s: the store is empty: has the collector run?", path);
    if (error) {
        if (fault->text[0] == '\0')
            say(fault, error, "%s: the store cannot be opened: %s.", path, sqlite3_errmsg(opened));
        sqlite3_close(opened);
        return error;
    }
    *db = opened;
    return 0;
}

int database_open_readonly(const char *path, sqlite3 **db, struct settings_fault *fault)
{
    sqlite3 *opened = NULL;
    int error = database_open_beside(path, &opened, fault);
    if (error)
        return error;
    error = database_run(opened, "PRAGMA query_only = ON");
    if (error) {
        sqlite3_close(opened);
        return error;
    }
    *db = opened;
    return 0;
}
