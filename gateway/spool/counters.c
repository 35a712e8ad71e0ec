#include "gateway/spool/counters.h"

#include <errno.h>
#include <sqlite3.h>
#include <stdlib.h>

#include "gateway/spool/sql.h"

struct counters {
    sqlite3 *db;
    sqlite3_stmt *put_heard, *each_heard, *put_gone, *each_gone;
};

static const char heard_sql[] =
    "CREATE TABLE counter (devaddr INTEGER NOT NULL, key_check INTEGER NOT NULL,"
    "  fcnt INTEGER NOT NULL, mic INTEGER NOT NULL, at_us INTEGER NOT NULL,"
    "  PRIMARY KEY (devaddr, key_check)) STRICT, WITHOUT ROWID;";
/* Came later: a spool of an earlier version is given it when it is opened, and an earlier version does not mind. */
static const char gone_sql[] =
    "CREATE TABLE IF NOT EXISTS gone (devaddr INTEGER NOT NULL, key_check INTEGER NOT NULL,"
    "  next INTEGER NOT NULL, PRIMARY KEY (devaddr, key_check)) STRICT, WITHOUT ROWID;";

static const char put_heard_sql[] =
    "INSERT INTO counter (devaddr, key_check, fcnt, mic, at_us) VALUES (?1, ?2, ?3, ?4, ?5)"
    " ON CONFLICT DO UPDATE SET fcnt = ?3, mic = ?4, at_us = ?5 WHERE ?3 > fcnt";
static const char each_heard_sql[] = "SELECT devaddr, key_check, fcnt, mic, at_us FROM counter";
static const char put_gone_sql[] = "INSERT INTO gone (devaddr, key_check, next) VALUES (?1, ?2, ?3)"
                                   " ON CONFLICT DO UPDATE SET next = ?3 WHERE ?3 > next";
static const char each_gone_sql[] = "SELECT devaddr, key_check, next FROM gone";

int counters_make(sqlite3 *db)
{
    return sql_execute(db, heard_sql);
}

static int prepare(struct counters *counters)
{
    int error = sql_prepare(counters->db, put_heard_sql, &counters->put_heard);
    if (error == 0)
        error = sql_prepare(counters->db, each_heard_sql, &counters->each_heard);
    if (error == 0)
        error = sql_prepare(counters->db, put_gone_sql, &counters->put_gone);
    if (error == 0)
        error = sql_prepare(counters->db, each_gone_sql, &counters->each_gone);
    return error;
}

static void finalize(struct counters *counters)
{
    sqlite3_finalize(counters->put_heard);
    sqlite3_finalize(counters->each_heard);
    sqlite3_finalize(counters->put_gone);
    sqlite3_finalize(counters->each_gone);
}

int counters_open(struct counters **counters, sqlite3 *db)
{
    struct counters *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->db = db;
    int error = sql_execute(db, gone_sql);
    if (error == 0)
        error = prepare(made);
    if (error != 0) {
        counters_close(made);
        return error;
    }
    *counters = made;
    return 0;
}

void counters_close(struct counters *counters)
{
    if (counters == NULL)
        return;
    finalize(counters);
    free(counters);
}

int counters_put_heard(struct counters *counters, const struct counters_heard *heard)
{
    sqlite3_stmt *put = counters->put_heard;
    sqlite3_bind_int64(put, 1, heard->devaddr);
    sqlite3_bind_int64(put, 2, heard->key_check);
    sqlite3_bind_int64(put, 3, heard->highest.fcnt);
    sqlite3_bind_int64(put, 4, heard->highest.mic);
    sqlite3_bind_int64(put, 5, heard->highest.at_us);
    return sql_run(put);
}

int counters_put_gone(struct counters *counters, const struct counters_gone *gone)
{
    sqlite3_stmt *put = counters->put_gone;
    sqlite3_bind_int64(put, 1, gone->devaddr);
    sqlite3_bind_int64(put, 2, gone->key_check);
    sqlite3_bind_int64(put, 3, (sqlite3_int64)gone->next);
    return sql_run(put);
}

int counters_each_heard(struct counters *counters,
                        void (*each)(void *user, const struct counters_heard *heard), void *user)
{
    sqlite3_stmt *row = counters->each_heard;
    while (sqlite3_step(row) == SQLITE_ROW) {
        struct counters_heard heard = {
            .devaddr = (uint32_t)sqlite3_column_int64(row, 0),
            .key_check = (uint32_t)sqlite3_column_int64(row, 1),
            .highest = {.fcnt = (uint32_t)sqlite3_column_int64(row, 2),
                        .mic = (uint32_t)sqlite3_column_int64(row, 3),
                        .at_us = sqlite3_column_int64(row, 4)},
        };
        each(user, &heard);
    }
    return sql_error(counters->db, sqlite3_reset(row));
}

int counters_each_gone(struct counters *counters,
                       void (*each)(void *user, const struct counters_gone *gone), void *user)
{
    sqlite3_stmt *row = counters->each_gone;
    while (sqlite3_step(row) == SQLITE_ROW) {
        struct counters_gone gone = {
            .devaddr = (uint32_t)sqlite3_column_int64(row, 0),
            .key_check = (uint32_t)sqlite3_column_int64(row, 1),
            .next = (uint64_t)sqlite3_column_int64(row, 2),
        };
        each(user, &gone);
    }
    return sql_error(counters->db, sqlite3_reset(row));
}

struct salvage {
    struct counters *to;
    unsigned count;
    int error;
};

static void keep_heard(void *user, const struct counters_heard *heard)
{
    struct salvage *salvage = user;
    if (salvage->error == 0)
        salvage->error = counters_put_heard(salvage->to, heard);
    salvage->count++;
}

static void keep_gone(void *user, const struct counters_gone *gone)
{
    struct salvage *salvage = user;
    if (salvage->error == 0)
        salvage->error = counters_put_gone(salvage->to, gone);
}

/* What is damaged is as much as there is. */
static int unless_damaged(int error)
{
    return error == -EBADMSG ? 0 : error;
}

/* The damage may be in one table alone: each is read for itself. */
static int salvage_both(struct counters *damaged, struct salvage *salvage)
{
    int error = sql_prepare(damaged->db, each_heard_sql, &damaged->each_heard);
    if (error == 0)
        error = counters_each_heard(damaged, keep_heard, salvage);
    if (unless_damaged(error) != 0)
        return error;
    error = sql_prepare(damaged->db, each_gone_sql, &damaged->each_gone);
    if (error == 0)
        error = counters_each_gone(damaged, keep_gone, salvage);
    return unless_damaged(error);
}

int counters_salvage(struct counters *to, const char *damaged_path, unsigned *saved)
{
    struct salvage salvage = {.to = to};
    struct counters damaged = {0};
    int code = sqlite3_open_v2(damaged_path, &damaged.db,
                               SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL);
    if (code == SQLITE_OK)
        code = sqlite3_exec(damaged.db, "PRAGMA locking_mode = EXCLUSIVE", NULL, NULL, NULL);
    int error = unless_damaged(sql_error(damaged.db, code));
    if (error == 0)
        error = salvage_both(&damaged, &salvage);
    finalize(&damaged);
    sqlite3_close(damaged.db);
    *saved = salvage.count;
    return error != 0 ? error : salvage.error;
}
