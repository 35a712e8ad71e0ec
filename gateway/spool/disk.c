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

#include "gateway/spool/sql.h"

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
    "CREATE TABLE mark (collector TEXT PRIMARY KEY, store TEXT NOT NULL, n INTEGER NOT NULL)"
    "  STRICT, WITHOUT ROWID;"
    "CREATE TABLE boot (boot TEXT PRIMARY KEY, base_ms INTEGER NOT NULL, corrected INTEGER NOT "
    "NULL)"
    "  STRICT, WITHOUT ROWID;";

struct disk {
    sqlite3 *db;
    sqlite3_stmt *statements[STATEMENTS];
    sqlite3_stmt *reading; /* NEXT, while its row is in use */
    struct counters *counters;
    uint64_t size_bytes;
    char id[FEED_ID_SIZE];
};

static void end_reading(struct disk *disk)
{
    if (disk->reading != NULL)
        sqlite3_reset(disk->reading);
    disk->reading = NULL;
}

static int query_int(struct disk *disk, const char *sql, int64_t *value)
{
    sqlite3_stmt *statement;
    int code = sqlite3_prepare_v2(disk->db, sql, -1, &statement, NULL);
    if (code != SQLITE_OK)
        return sql_error(disk->db, code);
    if (sqlite3_step(statement) == SQLITE_ROW)
        *value = sqlite3_column_int64(statement, 0);
    return sql_error(disk->db, sqlite3_finalize(statement));
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
    int error = sql_execute(disk->db, "PRAGMA page_size = 4096; PRAGMA locking_mode = EXCLUSIVE;"
                                      "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
                                      "PRAGMA temp_store = MEMORY; PRAGMA cache_size = -1024;"
                                      "PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;");
    char limits[128];
    snprintf(limits, sizeof limits, "PRAGMA wal_autocheckpoint = %d; PRAGMA max_page_count = %llu;",
             WAL_PAGES, (unsigned long long)(disk->size_bytes / PAGE));
    if (error == 0)
        error = sql_execute(disk->db, limits);
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
    int error = sql_execute(disk->db, "BEGIN IMMEDIATE");
    if (error == 0)
        error = sql_execute(disk->db, schema_sql);
    if (error == 0)
        error = counters_make(disk->db);
    if (error == 0)
        error = sql_execute(disk->db, sql);
    if (error == 0)
        error = sql_execute(disk->db, "COMMIT");
    return error;
}

/* What the check says of a page that cannot be read now sounds like damage and is none. */
static int check_error(const char *text)
{
    const char *code = strstr(text, "error code=");
    if (strcmp(text, "ok") == 0)
        return 0;
    if (code != NULL)
        return sql_error(NULL, atoi(code + strlen("error code=")));
    return strstr(text, "failed to get page") != NULL ? -EIO : -EBADMSG;
}

static int check_pages(struct disk *disk)
{
    sqlite3_stmt *statement;
    int error = sql_error(
        disk->db, sqlite3_prepare_v2(disk->db, "PRAGMA integrity_check(1)", -1, &statement, NULL));
    if (error != 0)
        return error;
    int said = -EBADMSG;
    if (sqlite3_step(statement) == SQLITE_ROW) {
        const char *text = (const char *)sqlite3_column_text(statement, 0);
        said = text != NULL ? check_error(text) : -ENOMEM;
    }
    error = sql_error(disk->db, sqlite3_finalize(statement));
    return error != 0 ? error : said;
}

static int read_id(struct disk *disk)
{
    sqlite3_stmt *statement;
    int error = sql_error(
        disk->db, sqlite3_prepare_v2(disk->db, "SELECT id FROM spool", -1, &statement, NULL));
    if (error != 0)
        return error == -EIO ? -EBADMSG : error;
    bool found = sqlite3_step(statement) == SQLITE_ROW && sqlite3_column_bytes(statement, 0) == 16;
    if (found)
        snprintf(disk->id, sizeof disk->id, "%s", (const char *)sqlite3_column_text(statement, 0));
    error = sql_error(disk->db, sqlite3_finalize(statement));
    return error != 0 ? error : found ? 0 : -EBADMSG;
}

static int prepare(struct disk *disk)
{
    for (int i = 0; i < STATEMENTS; i++) {
        int error = sql_prepare(disk->db, statement_sql[i], &disk->statements[i]);
        if (error != 0)
            return error;
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
        return sql_error(disk->db, code) == -EIO ? -ENOSPC : sql_error(disk->db, code);
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
    error = made->db == NULL ? -ENOMEM : sql_error(made->db, code);
    if (error == 0)
        error = configure(made);
    if (error == 0)
        error = open_schema(made);
    if (error == 0)
        error = reserve(made, path);
    if (error == 0)
        error = counters_open(&made->counters, made->db);
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
    counters_close(disk->counters);
    sqlite3_close(disk->db);
    free(disk);
}

const char *disk_id(const struct disk *disk)
{
    return disk->id;
}

struct counters *disk_counters(struct disk *disk)
{
    return disk->counters;
}

int disk_renew(struct disk *disk)
{
    char id[FEED_ID_SIZE], sql[160];
    random_id(id);
    snprintf(
        sql, sizeof sql,
        "BEGIN IMMEDIATE; UPDATE spool SET id = '%s'; UPDATE mark SET store = '', n = 0; COMMIT",
        id);
    end_reading(disk);
    int error = sql_execute(disk->db, sql);
    if (error == 0)
        memcpy(disk->id, id, sizeof id);
    else
        disk_rollback(disk);
    return error;
}

int disk_begin(struct disk *disk)
{
    end_reading(disk);
    return sql_run(disk->statements[BEGIN]);
}

int disk_commit(struct disk *disk)
{
    end_reading(disk);
    return sql_run(disk->statements[COMMIT]);
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
    return sql_run(disk->statements[APPEND]);
}

int disk_delete(struct disk *disk, uint64_t first, uint64_t last)
{
    end_reading(disk);
    sqlite3_bind_int64(disk->statements[DELETE], 1, (sqlite3_int64)first);
    sqlite3_bind_int64(disk->statements[DELETE], 2, (sqlite3_int64)last);
    return sql_run(disk->statements[DELETE]);
}

/* A row without a hash, or a body that is none, is damaged, and still has its place and its number: record.h. */
static void take_row(sqlite3_stmt *statement, struct disk_row *row)
{
    bool whole = sqlite3_column_bytes(statement, 2) == CHAIN_BYTES;
    *row = (struct disk_row){.n = (uint64_t)sqlite3_column_int64(statement, 0),
                             .at_s = sqlite3_column_int64(statement, 1)};
    if (!whole)
        return;
    memcpy(row->hash, sqlite3_column_blob(statement, 2), CHAIN_BYTES);
    row->body = sqlite3_column_blob(statement, 3);
    row->len = (size_t)sqlite3_column_bytes(statement, 3);
}

int disk_next(struct disk *disk, uint64_t from, struct disk_row *row)
{
    sqlite3_stmt *statement = disk->statements[NEXT];
    end_reading(disk);
    sqlite3_bind_int64(statement, 1, (sqlite3_int64)from);
    int code = sqlite3_step(statement);
    if (code != SQLITE_ROW) {
        sqlite3_reset(statement);
        return sql_error(disk->db, code);
    }
    disk->reading = statement;
    take_row(statement, row);
    return 1;
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
    int error = sql_error(disk->db, sqlite3_reset(statement));
    return error != 0 ? error : found ? 0 : -EBADMSG;
}

int disk_put_last(struct disk *disk, uint64_t n, const uint8_t hash[CHAIN_BYTES])
{
    sqlite3_bind_int64(disk->statements[PUT_LAST], 1, (sqlite3_int64)n);
    sqlite3_bind_blob(disk->statements[PUT_LAST], 2, hash, CHAIN_BYTES, SQLITE_STATIC);
    return sql_run(disk->statements[PUT_LAST]);
}

int disk_recent(struct disk *disk, bool (*each)(void *user, const struct disk_row *row), void *user)
{
    sqlite3_stmt *statement = disk->statements[RECENT];
    struct disk_row row;
    while (sqlite3_step(statement) == SQLITE_ROW) {
        take_row(statement, &row);
        if (!each(user, &row))
            break;
    }
    return sql_error(disk->db, sqlite3_reset(statement));
}

int disk_put_mark(struct disk *disk, const struct disk_mark *mark)
{
    sqlite3_stmt *statement = disk->statements[PUT_MARK];
    sqlite3_bind_text(statement, 1, mark->collector, -1, SQLITE_STATIC);
    sqlite3_bind_text(statement, 2, mark->store, -1, SQLITE_STATIC);
    sqlite3_bind_int64(statement, 3, (sqlite3_int64)mark->n);
    return sql_run(disk->statements[PUT_MARK]);
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
    return sql_error(disk->db, sqlite3_reset(statement));
}

int disk_put_boot(struct disk *disk, const struct disk_boot *boot)
{
    sqlite3_stmt *statement = disk->statements[PUT_BOOT];
    sqlite3_bind_text(statement, 1, boot->boot, -1, SQLITE_STATIC);
    sqlite3_bind_int64(statement, 2, boot->base_ms);
    sqlite3_bind_int(statement, 3, boot->corrected);
    return sql_run(disk->statements[PUT_BOOT]);
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
    int error = sql_error(disk->db, sqlite3_reset(statement));
    return error != 0 ? error : known ? 1 : 0;
}

static int pragma_value(struct disk *disk, enum statement which, int64_t *value)
{
    if (sqlite3_step(disk->statements[which]) == SQLITE_ROW)
        *value = sqlite3_column_int64(disk->statements[which], 0);
    return sql_error(disk->db, sqlite3_reset(disk->statements[which]));
}

int disk_used_bytes(struct disk *disk, uint64_t *bytes)
{
    int64_t pages = 0, unused = 0;
    int error = pragma_value(disk, PAGES, &pages);
    if (error == 0)
        error = pragma_value(disk, FREE_PAGES, &unused);
    if (error == 0)
        *bytes = pages > unused ? (uint64_t)(pages - unused) * PAGE : 0;
    return error;
}

uint64_t disk_size_bytes(const struct disk *disk)
{
    return disk->size_bytes;
}
