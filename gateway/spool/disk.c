#include "gateway/spool/disk.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <unistd.h>

#include <sqlite3.h>

/* WAL_PAGES frames are written before a checkpoint; the reserve holds them and a large transaction.
 */
enum { PAGE = 4096, WAL_PAGES = 512, WAL_RESERVE = 8 << 20, APPLICATION = 0x45475350 /* "EGSP" */ };

enum statement {
    BEGIN,
    COMMIT,
    APPEND,
    DELETE,
    NEXT,
    LAST,
    PUT_LAST,
    RECENT,
    PUT_COUNTER,
    COUNTERS,
    PUT_GONE,
    EACH_GONE,
    PUT_MARK,
    MARKS,
    PUT_BOOT,
    BOOT,
    PAGES,
    FREE_PAGES,
    STATEMENTS
};

static const char *const statement_sql[STATEMENTS] = {
    [BEGIN] = "BEGIN IMMEDIATE",
    [COMMIT] = "COMMIT",
    [APPEND] = "INSERT INTO spooled (n, at_s, hash, body) VALUES (?1, ?2, ?3, ?4)",
    [DELETE] = "DELETE FROM spooled WHERE n BETWEEN ?1 AND ?2",
    [NEXT] = "SELECT n, at_s, hash, body FROM spooled WHERE n >= ?1 ORDER BY n LIMIT 1",
    [LAST] = "SELECT last_n, last_hash FROM spool",
    [PUT_LAST] = "UPDATE spool SET last_n = ?1, last_hash = ?2",
    [RECENT] = "SELECT n, at_s, hash, body FROM spooled ORDER BY n DESC",
    [PUT_COUNTER] = "INSERT INTO counter (devaddr, key_check, fcnt, mic, at_us)"
                    " VALUES (?1, ?2, ?3, ?4, ?5)"
                    " ON CONFLICT DO UPDATE SET fcnt = ?3, mic = ?4, at_us = ?5"
                    " WHERE ?3 > fcnt",
    [COUNTERS] = "SELECT devaddr, key_check, fcnt, mic, at_us FROM counter",
    [PUT_GONE] = "INSERT INTO gone (devaddr, key_check, next) VALUES (?1, ?2, ?3)"
                 " ON CONFLICT DO UPDATE SET next = ?3 WHERE ?3 > next",
    [EACH_GONE] = "SELECT devaddr, key_check, next FROM gone",
    [PUT_MARK] = "INSERT INTO mark (collector, store, n) VALUES (?1, ?2, ?3)"
                 " ON CONFLICT DO UPDATE SET store = ?2, n = ?3",
    [MARKS] = "SELECT collector, store, n FROM mark",
    [PUT_BOOT] = "INSERT INTO boot (boot, base_ms, corrected) VALUES (?1, ?2, ?3)"
                 " ON CONFLICT DO UPDATE SET base_ms = ?2, corrected = ?3",
    [BOOT] = "SELECT base_ms, corrected FROM boot WHERE boot = ?1",
    [PAGES] = "PRAGMA page_count",
    [FREE_PAGES] = "PRAGMA freelist_count",
};

static const char schema_sql[] =
    "CREATE TABLE spool (id TEXT NOT NULL, last_n INTEGER NOT NULL, last_hash BLOB NOT NULL) "
    "STRICT;"
    "CREATE TABLE spooled (n INTEGER PRIMARY KEY, at_s INTEGER NOT NULL, hash BLOB NOT NULL,"
    "  body BLOB NOT NULL) STRICT;"
    "CREATE TABLE counter (devaddr INTEGER NOT NULL, key_check INTEGER NOT NULL,"
    "  fcnt INTEGER NOT NULL, mic INTEGER NOT NULL, at_us INTEGER NOT NULL,"
    "  PRIMARY KEY (devaddr, key_check)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE mark (collector TEXT PRIMARY KEY, store TEXT NOT NULL, n INTEGER NOT NULL)"
    "  STRICT, WITHOUT ROWID;"
    "CREATE TABLE boot (boot TEXT PRIMARY KEY, base_ms INTEGER NOT NULL, corrected INTEGER NOT "
    "NULL)"
    "  STRICT, WITHOUT ROWID;";

/* Came later: a spool of an earlier version is given it when it is opened, and an earlier version does not mind. */
static const char gone_sql[] =
    "CREATE TABLE IF NOT EXISTS gone (devaddr INTEGER NOT NULL, key_check INTEGER NOT NULL,"
    "  next INTEGER NOT NULL, PRIMARY KEY (devaddr, key_check)) STRICT, WITHOUT ROWID;";

struct disk {
    sqlite3 *db;
    sqlite3_stmt *statements[STATEMENTS];
    sqlite3_stmt *reading; /* NEXT, while its row is in use */
    uint64_t size_bytes;
    char id[FEED_ID_SIZE];
};

static int error_of(int code)
{
    switch (code & 0xFF) {
    case SQLITE_OK:
    case SQLITE_ROW:
    case SQLITE_DONE:
        return 0;
    case SQLITE_FULL:
        return -ENOSPC;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return -EBUSY;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return -EBADMSG;
    case SQLITE_READONLY:
    case SQLITE_CANTOPEN:
    case SQLITE_PERM:
    case SQLITE_AUTH:
        return -EACCES;
    case SQLITE_NOMEM:
        return -ENOMEM;
    default:
        return -EIO;
    }
}

/* A full disk may also show itself as an input/output error with the system's ENOSPC behind it. */
static int disk_error(struct disk *disk, int code)
{
    int error = error_of(code);
    if (error == -EIO && sqlite3_system_errno(disk->db) == ENOSPC)
        return -ENOSPC;
    return error;
}

static void end_reading(struct disk *disk)
{
    if (disk->reading != NULL)
        sqlite3_reset(disk->reading);
    disk->reading = NULL;
}

/* Runs a statement that gives no rows; its parameters are bound. */
static int run(struct disk *disk, enum statement which)
{
    sqlite3_stmt *statement = disk->statements[which];
    sqlite3_step(statement);
    int code = sqlite3_reset(statement);
    sqlite3_clear_bindings(statement);
    return disk_error(disk, code);
}

static int execute(struct disk *disk, const char *sql)
{
    return disk_error(disk, sqlite3_exec(disk->db, sql, NULL, NULL, NULL));
}

static int query_int(struct disk *disk, const char *sql, int64_t *value)
{
    sqlite3_stmt *statement;
    int code = sqlite3_prepare_v2(disk->db, sql, -1, &statement, NULL);
    if (code != SQLITE_OK)
        return disk_error(disk, code);
    if (sqlite3_step(statement) == SQLITE_ROW)
        *value = sqlite3_column_int64(statement, 0);
    return disk_error(disk, sqlite3_finalize(statement));
}

static void random_id(char id[FEED_ID_SIZE])
{
    uint64_t value = 0;
    ssize_t got = getrandom(&value, sizeof value, 0);
    assert(got == sizeof value);
    snprintf(id, FEED_ID_SIZE, "%016llx", (unsigned long long)value);
}

static int configure(struct disk *disk)
{
    sqlite3_busy_timeout(disk->db, 0);
    sqlite3_extended_result_codes(disk->db, 1);
    /* Exclusive before the first access: no shared memory file, which a full disk could not hold.
     */
    int error = execute(disk, "PRAGMA page_size = 4096; PRAGMA locking_mode = EXCLUSIVE;"
                              "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
                              "PRAGMA temp_store = MEMORY; PRAGMA cache_size = -1024;"
                              "PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;");
    char limits[128];
    snprintf(limits, sizeof limits, "PRAGMA wal_autocheckpoint = %d; PRAGMA max_page_count = %llu;",
             WAL_PAGES, (unsigned long long)(disk->size_bytes / PAGE));
    if (error == 0)
        error = execute(disk, limits);
    return error;
}

static int make_schema(struct disk *disk)
{
    char sql[256];
    random_id(disk->id);
    snprintf(sql, sizeof sql,
             "INSERT INTO spool VALUES ('%s', 0, zeroblob(%d)); PRAGMA user_version = %d;"
             "PRAGMA application_id = %d;",
             disk->id, CHAIN_BYTES, DISK_SCHEMA, APPLICATION);
    int error = execute(disk, "BEGIN IMMEDIATE");
    if (error == 0)
        error = execute(disk, schema_sql);
    if (error == 0)
        error = execute(disk, sql);
    if (error == 0)
        error = execute(disk, "COMMIT");
    return error;
}

/* What quick_check says of a page that cannot be read now sounds like damage and is none. */
static int check_error(const char *text)
{
    const char *code = strstr(text, "error code=");
    if (strcmp(text, "ok") == 0)
        return 0;
    if (code != NULL)
        return error_of(atoi(code + strlen("error code=")));
    return strstr(text, "failed to get page") != NULL ? -EIO : -EBADMSG;
}

static int check_pages(struct disk *disk)
{
    sqlite3_stmt *statement;
    int error = disk_error(
        disk, sqlite3_prepare_v2(disk->db, "PRAGMA quick_check(1)", -1, &statement, NULL));
    if (error != 0)
        return error;
    int said = -EBADMSG;
    if (sqlite3_step(statement) == SQLITE_ROW) {
        const char *text = (const char *)sqlite3_column_text(statement, 0);
        said = text != NULL ? check_error(text) : -ENOMEM;
    }
    error = disk_error(disk, sqlite3_finalize(statement));
    return error != 0 ? error : said;
}

static int read_id(struct disk *disk)
{
    sqlite3_stmt *statement;
    int error = disk_error(
        disk, sqlite3_prepare_v2(disk->db, "SELECT id FROM spool", -1, &statement, NULL));
    if (error != 0)
        return error == -EIO ? -EBADMSG : error;
    bool found = sqlite3_step(statement) == SQLITE_ROW && sqlite3_column_bytes(statement, 0) == 16;
    if (found)
        snprintf(disk->id, sizeof disk->id, "%s", (const char *)sqlite3_column_text(statement, 0));
    error = disk_error(disk, sqlite3_finalize(statement));
    return error != 0 ? error : found ? 0 : -EBADMSG;
}

static int prepare(struct disk *disk)
{
    for (int i = 0; i < STATEMENTS; i++) {
        int code = sqlite3_prepare_v3(disk->db, statement_sql[i], -1, SQLITE_PREPARE_PERSISTENT,
                                      &disk->statements[i], NULL);
        if (code != SQLITE_OK)
            return code == SQLITE_ERROR ? -EBADMSG : disk_error(disk, code);
    }
    return 0;
}

/* Reserves the file's whole size, and the write-ahead log's. */
static int reserve(struct disk *disk, const char *path)
{
    int chunk = (int)(disk->size_bytes < INT_MAX ? disk->size_bytes : INT_MAX);
    sqlite3_int64 size = (sqlite3_int64)disk->size_bytes;
    int keep = 1;
    sqlite3_file_control(disk->db, "main", SQLITE_FCNTL_PERSIST_WAL, &keep);
    sqlite3_file_control(disk->db, "main", SQLITE_FCNTL_CHUNK_SIZE, &chunk);
    int code = sqlite3_file_control(disk->db, "main", SQLITE_FCNTL_SIZE_HINT, &size);
    if (code != SQLITE_OK)
        return error_of(code) == -EIO ? -ENOSPC : error_of(code);
    char log_path[PATH_MAX];
    snprintf(log_path, sizeof log_path, "%s-wal", path);
    int fd = open(log_path, O_RDWR | O_CLOEXEC);
    if (fd < 0)
        return -errno;
    /* The size stays: only the blocks are taken. A file system that cannot do this says so: no
     * harm. */
    int error = fallocate(fd, FALLOC_FL_KEEP_SIZE, 0, WAL_RESERVE) == 0 ? 0 : -errno;
    close(fd);
    return error == -ENOSPC ? error : 0;
}

static int open_schema(struct disk *disk)
{
    int64_t version = 0, tables = 0;
    int error = query_int(disk, "PRAGMA user_version", &version);
    if (error == 0)
        error = query_int(disk, "SELECT count(*) FROM sqlite_schema", &tables);
    if (error != 0)
        return error;
    if (version == 0 && tables == 0)
        return make_schema(disk);
    if (version > DISK_SCHEMA)
        return -ENOTSUP;
    if (version < 1)
        return -EBADMSG;
    error = check_pages(disk);
    return error != 0 ? error : read_id(disk);
}

static void explain(const char *path, int error, uint64_t size_bytes, struct settings_fault *fault)
{
    unsigned long long mib = size_bytes >> 20;
    switch (error) {
    case -ENOSPC:
        settings_fault_set(fault,
                           "%s: the disk has no room for a spool of %llu MiB: free space, or lower "
                           "[spool] size_mib.",
                           path, mib);
        break;
    case -EBUSY:
        settings_fault_set(
            fault,
            "%s: another process has this spool open: stop the other gateway, or give "
            "each its own [spool] path.",
            path);
        break;
    case -ENOTSUP:
        settings_fault_set(
            fault,
            "%s: this spool was made by a newer version of edgerow-gateway: install that "
            "version again, or move the file away to begin a new spool (what is in it and "
            "not yet stored by the collectors is then not sent).",
            path);
        break;
    case -EACCES:
        settings_fault_set(
            fault,
            "%s: cannot be opened for writing: its folder must exist and belong to the "
            "gateway's user.",
            path);
        break;
    case -EBADMSG:
        settings_fault_set(fault, "%s: the spool is damaged.", path);
        break;
    default:
        settings_fault_set(fault, "%s: cannot be opened: %s.", path, strerror(-error));
    }
}

int disk_open(struct disk **disk, const char *path, uint64_t size_bytes,
              struct settings_fault *fault)
{
    struct disk *made = calloc(1, sizeof *made);
    int error = made == NULL ? -ENOMEM : 0;
    if (error != 0)
        goto out;
    made->size_bytes = size_bytes;
    int code = sqlite3_open_v2(path, &made->db,
                               SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX |
                                   SQLITE_OPEN_NOFOLLOW,
                               NULL);
    error = made->db == NULL ? -ENOMEM : disk_error(made, code);
    if (error == 0)
        error = configure(made);
    if (error == 0)
        error = open_schema(made);
    if (error == 0)
        error = reserve(made, path);
    if (error == 0)
        error = execute(made, gone_sql);
    if (error == 0)
        error = prepare(made);
out:
    if (error != 0) {
        explain(path, error, size_bytes, fault);
        disk_close(made);
        return error;
    }
    *disk = made;
    return 0;
}

void disk_close(struct disk *disk)
{
    if (disk == NULL)
        return;
    end_reading(disk);
    for (int i = 0; i < STATEMENTS; i++)
        sqlite3_finalize(disk->statements[i]);
    sqlite3_close(disk->db);
    free(disk);
}

const char *disk_id(const struct disk *disk)
{
    return disk->id;
}

int disk_renew_id(struct disk *disk)
{
    char id[FEED_ID_SIZE], sql[64];
    random_id(id);
    snprintf(sql, sizeof sql, "UPDATE spool SET id = '%s'", id);
    end_reading(disk);
    int error = execute(disk, sql);
    if (error == 0)
        memcpy(disk->id, id, sizeof id);
    return error;
}

int disk_begin(struct disk *disk)
{
    end_reading(disk);
    return run(disk, BEGIN);
}

int disk_commit(struct disk *disk)
{
    end_reading(disk);
    return run(disk, COMMIT);
}

void disk_rollback(struct disk *disk)
{
    end_reading(disk);
    if (!sqlite3_get_autocommit(disk->db))
        sqlite3_exec(disk->db, "ROLLBACK", NULL, NULL, NULL);
}

int disk_append(struct disk *disk, const struct disk_row *row)
{
    sqlite3_stmt *statement = disk->statements[APPEND];
    sqlite3_bind_int64(statement, 1, (sqlite3_int64)row->n);
    sqlite3_bind_int64(statement, 2, row->at_s);
    sqlite3_bind_blob(statement, 3, row->hash, CHAIN_BYTES, SQLITE_STATIC);
    sqlite3_bind_blob(statement, 4, row->body, (int)row->len, SQLITE_STATIC);
    return run(disk, APPEND);
}

int disk_delete(struct disk *disk, uint64_t first, uint64_t last)
{
    end_reading(disk);
    sqlite3_bind_int64(disk->statements[DELETE], 1, (sqlite3_int64)first);
    sqlite3_bind_int64(disk->statements[DELETE], 2, (sqlite3_int64)last);
    return run(disk, DELETE);
}

static int take_row(sqlite3_stmt *statement, struct disk_row *row)
{
    if (sqlite3_column_bytes(statement, 2) != CHAIN_BYTES)
        return -EBADMSG;
    row->n = (uint64_t)sqlite3_column_int64(statement, 0);
    row->at_s = sqlite3_column_int64(statement, 1);
    memcpy(row->hash, sqlite3_column_blob(statement, 2), CHAIN_BYTES);
    row->body = sqlite3_column_blob(statement, 3);
    row->len = (size_t)sqlite3_column_bytes(statement, 3);
    return 1;
}

int disk_next(struct disk *disk, uint64_t from, struct disk_row *row)
{
    sqlite3_stmt *statement = disk->statements[NEXT];
    end_reading(disk);
    sqlite3_bind_int64(statement, 1, (sqlite3_int64)from);
    int code = sqlite3_step(statement);
    if (code != SQLITE_ROW) {
        sqlite3_reset(statement);
        return disk_error(disk, code);
    }
    disk->reading = statement;
    return take_row(statement, row);
}

int disk_last(struct disk *disk, uint64_t *n, uint8_t hash[CHAIN_BYTES])
{
    sqlite3_stmt *statement = disk->statements[LAST];
    int code = sqlite3_step(statement);
    bool found = code == SQLITE_ROW && sqlite3_column_bytes(statement, 1) == CHAIN_BYTES;
    if (found) {
        *n = (uint64_t)sqlite3_column_int64(statement, 0);
        memcpy(hash, sqlite3_column_blob(statement, 1), CHAIN_BYTES);
    }
    int error = disk_error(disk, sqlite3_reset(statement));
    return error != 0 ? error : found ? 0 : -EBADMSG;
}

int disk_put_last(struct disk *disk, uint64_t n, const uint8_t hash[CHAIN_BYTES])
{
    sqlite3_bind_int64(disk->statements[PUT_LAST], 1, (sqlite3_int64)n);
    sqlite3_bind_blob(disk->statements[PUT_LAST], 2, hash, CHAIN_BYTES, SQLITE_STATIC);
    return run(disk, PUT_LAST);
}

int disk_recent(struct disk *disk, bool (*each)(void *user, const struct disk_row *row), void *user)
{
    sqlite3_stmt *statement = disk->statements[RECENT];
    struct disk_row row;
    int error = 0;
    while (error == 0 && sqlite3_step(statement) == SQLITE_ROW) {
        error = take_row(statement, &row) == 1 ? 0 : -EBADMSG;
        if (error == 0 && !each(user, &row))
            break;
    }
    int code = sqlite3_reset(statement);
    return error != 0 ? error : disk_error(disk, code);
}

int disk_put_counter(struct disk *disk, const struct disk_counter *counter)
{
    sqlite3_stmt *statement = disk->statements[PUT_COUNTER];
    sqlite3_bind_int64(statement, 1, counter->devaddr);
    sqlite3_bind_int64(statement, 2, counter->key_check);
    sqlite3_bind_int64(statement, 3, counter->highest.fcnt);
    sqlite3_bind_int64(statement, 4, counter->highest.mic);
    sqlite3_bind_int64(statement, 5, counter->highest.at_us);
    return run(disk, PUT_COUNTER);
}

int disk_counters(struct disk *disk, void (*each)(void *user, const struct disk_counter *counter),
                  void *user)
{
    sqlite3_stmt *statement = disk->statements[COUNTERS];
    while (sqlite3_step(statement) == SQLITE_ROW) {
        struct disk_counter counter = {
            .devaddr = (uint32_t)sqlite3_column_int64(statement, 0),
            .key_check = (uint32_t)sqlite3_column_int64(statement, 1),
            .highest = {.fcnt = (uint32_t)sqlite3_column_int64(statement, 2),
                        .mic = (uint32_t)sqlite3_column_int64(statement, 3),
                        .at_us = sqlite3_column_int64(statement, 4)},
        };
        each(user, &counter);
    }
    return disk_error(disk, sqlite3_reset(statement));
}

int disk_put_gone(struct disk *disk, const struct disk_gone *gone)
{
    sqlite3_stmt *statement = disk->statements[PUT_GONE];
    sqlite3_bind_int64(statement, 1, gone->devaddr);
    sqlite3_bind_int64(statement, 2, gone->key_check);
    sqlite3_bind_int64(statement, 3, (sqlite3_int64)gone->next);
    return run(disk, PUT_GONE);
}

int disk_each_gone(struct disk *disk, void (*each)(void *user, const struct disk_gone *gone),
                   void *user)
{
    sqlite3_stmt *statement = disk->statements[EACH_GONE];
    while (sqlite3_step(statement) == SQLITE_ROW) {
        struct disk_gone gone = {
            .devaddr = (uint32_t)sqlite3_column_int64(statement, 0),
            .key_check = (uint32_t)sqlite3_column_int64(statement, 1),
            .next = (uint64_t)sqlite3_column_int64(statement, 2),
        };
        each(user, &gone);
    }
    return disk_error(disk, sqlite3_reset(statement));
}

int disk_put_mark(struct disk *disk, const struct disk_mark *mark)
{
    sqlite3_stmt *statement = disk->statements[PUT_MARK];
    sqlite3_bind_text(statement, 1, mark->collector, -1, SQLITE_STATIC);
    sqlite3_bind_text(statement, 2, mark->store, -1, SQLITE_STATIC);
    sqlite3_bind_int64(statement, 3, (sqlite3_int64)mark->n);
    return run(disk, PUT_MARK);
}

int disk_marks(struct disk *disk, void (*each)(void *user, const struct disk_mark *mark),
               void *user)
{
    sqlite3_stmt *statement = disk->statements[MARKS];
    while (sqlite3_step(statement) == SQLITE_ROW) {
        struct disk_mark mark = {.n = (uint64_t)sqlite3_column_int64(statement, 2)};
        snprintf(mark.collector, sizeof mark.collector, "%s",
                 (const char *)sqlite3_column_text(statement, 0));
        snprintf(mark.store, sizeof mark.store, "%s",
                 (const char *)sqlite3_column_text(statement, 1));
        each(user, &mark);
    }
    return disk_error(disk, sqlite3_reset(statement));
}

int disk_put_boot(struct disk *disk, const struct disk_boot *boot)
{
    sqlite3_stmt *statement = disk->statements[PUT_BOOT];
    sqlite3_bind_text(statement, 1, boot->boot, -1, SQLITE_STATIC);
    sqlite3_bind_int64(statement, 2, boot->base_ms);
    sqlite3_bind_int(statement, 3, boot->corrected);
    return run(disk, PUT_BOOT);
}

int disk_boot(struct disk *disk, const char *boot, struct disk_boot *found)
{
    sqlite3_stmt *statement = disk->statements[BOOT];
    sqlite3_bind_text(statement, 1, boot, -1, SQLITE_STATIC);
    bool known = sqlite3_step(statement) == SQLITE_ROW;
    if (known) {
        snprintf(found->boot, sizeof found->boot, "%s", boot);
        found->base_ms = sqlite3_column_int64(statement, 0);
        found->corrected = sqlite3_column_int(statement, 1) != 0;
    }
    int error = disk_error(disk, sqlite3_reset(statement));
    return error != 0 ? error : known ? 1 : 0;
}

static int64_t pragma_value(struct disk *disk, enum statement which)
{
    int64_t value = 0;
    if (sqlite3_step(disk->statements[which]) == SQLITE_ROW)
        value = sqlite3_column_int64(disk->statements[which], 0);
    sqlite3_reset(disk->statements[which]);
    return value;
}

uint64_t disk_used_bytes(struct disk *disk)
{
    int64_t used = pragma_value(disk, PAGES) - pragma_value(disk, FREE_PAGES);
    return used > 0 ? (uint64_t)used * PAGE : 0;
}

/* A damaged file, opened for one statement. */
static bool open_damaged(struct disk *damaged, const char *path, enum statement which)
{
    int code =
        sqlite3_open_v2(path, &damaged->db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL);
    if (code == SQLITE_OK)
        code = sqlite3_exec(damaged->db, "PRAGMA locking_mode = EXCLUSIVE", NULL, NULL, NULL);
    if (code == SQLITE_OK)
        code = sqlite3_prepare_v2(damaged->db, statement_sql[which], -1,
                                  &damaged->statements[which], NULL);
    return code == SQLITE_OK;
}

static void close_damaged(struct disk *damaged, enum statement which)
{
    sqlite3_finalize(damaged->statements[which]);
    sqlite3_close(damaged->db);
}

void disk_salvage_counters(const char *path,
                           void (*each)(void *user, const struct disk_counter *counter), void *user)
{
    struct disk damaged = {0};
    if (open_damaged(&damaged, path, COUNTERS))
        disk_counters(&damaged, each, user);
    close_damaged(&damaged, COUNTERS);
}

void disk_salvage_gone(const char *path, void (*each)(void *user, const struct disk_gone *gone),
                       void *user)
{
    struct disk damaged = {0};
    if (open_damaged(&damaged, path, EACH_GONE))
        disk_each_gone(&damaged, each, user);
    close_damaged(&damaged, EACH_GONE);
}

uint64_t disk_size_bytes(const struct disk *disk)
{
    return disk->size_bytes;
}
