#include "collector/store/entered.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "collector/store/database.h"
#include "common/log.h"

const char *const entered_actions[] = {"topped up", "replaced", "emptied", "cleaned", NULL};
const char *const entered_kinds[] = {"paper wasps", "other wasps", "honey bees", "others", NULL};

const char *const entered_places[] = {"edge", "interior", "untrapped", NULL};

static const char *const tables[] = {"visit", "hand_count", "fruit_count", "stage", "withdrawn"};
enum { TABLES = sizeof tables / sizeof tables[0] };

enum { COUNT_MAX = 1000000, LITRES_MAX = 100 };

static int attach(sqlite3 *db, const char *path)
{
    sqlite3_stmt *statement = NULL;
    int error = database_error(
        sqlite3_prepare_v2(db, "ATTACH DATABASE ?1 AS entered", -1, &statement, NULL));
    if (error)
        return error;
    sqlite3_bind_text(statement, 1, path, -1, SQLITE_STATIC);
    error = database_step(statement);
    sqlite3_finalize(statement);
    /* A plain file without a log beside it, so that copying it is a backup. */
    if (!error)
        error = database_run(
            db, "PRAGMA entered.journal_mode = DELETE; PRAGMA entered.synchronous = FULL;"
                "CREATE TABLE IF NOT EXISTS entered.visit (id INTEGER PRIMARY KEY, at_s INTEGER "
                "NOT NULL,"
                " trap TEXT NOT NULL, action TEXT NOT NULL, litres REAL, by_whom TEXT NOT NULL,"
                " entered_s INTEGER NOT NULL) STRICT;"
                "CREATE TABLE IF NOT EXISTS entered.hand_count (id INTEGER PRIMARY KEY,"
                " visit INTEGER NOT NULL, kind TEXT NOT NULL, count INTEGER NOT NULL) STRICT;"
                "CREATE TABLE IF NOT EXISTS entered.fruit_count (id INTEGER PRIMARY KEY,"
                " at_s INTEGER NOT NULL, block TEXT NOT NULL, place TEXT NOT NULL,"
                " looked_at INTEGER NOT NULL, damaged INTEGER NOT NULL, by_whom TEXT NOT NULL,"
                " entered_s INTEGER NOT NULL) STRICT;"
                "CREATE TABLE IF NOT EXISTS entered.stage (id INTEGER PRIMARY KEY,"
                " at_s INTEGER NOT NULL, block TEXT NOT NULL, stage TEXT NOT NULL,"
                " by_whom TEXT NOT NULL, entered_s INTEGER NOT NULL) STRICT;"
                "CREATE TABLE IF NOT EXISTS entered.withdrawn (id INTEGER PRIMARY KEY,"
                " what TEXT NOT NULL, entry INTEGER NOT NULL, by_whom TEXT NOT NULL,"
                " entered_s INTEGER NOT NULL, UNIQUE (what, entry)) STRICT");
    return error;
}

static int copy_table(sqlite3 *db, const char *table, const char *from, const char *to)
{
    char sql[120];
    snprintf(sql, sizeof sql, "INSERT OR IGNORE INTO %s.%s SELECT * FROM %s.%s", to, table, from,
             table);
    return database_run(db, sql);
}

/* By number: both files number alike. */
static int copy_both_ways(sqlite3 *db)
{
    int error = database_run(db, "BEGIN IMMEDIATE");
    for (int i = 0; i < TABLES && !error; i++) {
        error = copy_table(db, tables[i], "entered", "main");
        if (!error)
            error = copy_table(db, tables[i], "main", "entered");
    }
    if (!error)
        error = database_run(db, "COMMIT");
    if (error && !sqlite3_get_autocommit(db))
        (void)database_run(db, "ROLLBACK");
    return error;
}

static int attach_and_copy(sqlite3 *db, const char *entered_path, struct settings_fault *fault)
{
    int error = attach(db, entered_path);
    if (!error)
        error = copy_both_ways(db);
    if (error)
        settings_fault_set(
            fault,
            "%s: the file with what people entered cannot be used (%s): check the path "
            "under [store] entered and its rights.",
            entered_path, sqlite3_errmsg(db));
    return error;
}

/* Not kept attached: every batch would lock the second file too. */
int entered_sync(sqlite3 *db, const char *entered_path, struct settings_fault *fault)
{
    int error = attach_and_copy(db, entered_path, fault);
    (void)database_run(db, "DETACH DATABASE entered");
    return error;
}

/* An empty file is a database. It belongs to whom the store belongs, whoever makes it. */
static void make_second(const char *store_path, const char *entered_path)
{
    struct stat store;
    if (access(entered_path, F_OK) == 0 || stat(store_path, &store) != 0)
        return;
    int fd = open(entered_path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
    if (fd < 0)
        return; /* attaching it says why */
    if (geteuid() == 0 && fchown(fd, store.st_uid, store.st_gid) != 0)
        log_error("%s: cannot be given to the collector: %s", entered_path, strerror(errno));
    close(fd);
}

int entered_open(const char *store_path, const char *entered_path, sqlite3 **db,
                 struct settings_fault *fault)
{
    sqlite3 *opened = NULL;
    int error = database_open_beside(store_path, &opened, fault);
    if (error)
        return error;
    make_second(store_path, entered_path);
    error = attach_and_copy(opened, entered_path, fault);
    if (error) {
        sqlite3_close(opened);
        return error;
    }
    *db = opened;
    return 0;
}

static int one_of(const char *const *names, const char *name)
{
    for (; *names; names++)
        if (strcmp(*names, name) == 0)
            return 1;
    return 0;
}

static int check(const struct entered_visit *visit)
{
    if (!one_of(entered_actions, visit->action) || visit->trap[0] == '\0' || visit->litres < 0 ||
        visit->litres > LITRES_MAX)
        return -EINVAL;
    for (size_t i = 0; i < visit->count_count; i++)
        if (!one_of(entered_kinds, visit->counts[i].kind) || visit->counts[i].count < 0 ||
            visit->counts[i].count > COUNT_MAX)
            return -EINVAL;
    return 0;
}

/* One more than either file has. */
static int next_id(sqlite3 *db, const char *table, int64_t *id)
{
    char sql[160];
    sqlite3_stmt *row = NULL;
    snprintf(sql, sizeof sql,
             "SELECT max(coalesce((SELECT max(id) FROM main.%s), 0),"
             " coalesce((SELECT max(id) FROM entered.%s), 0))",
             table, table);
    int result = sqlite3_prepare_v2(db, sql, -1, &row, NULL);
    if (result == SQLITE_OK) {
        result = sqlite3_step(row);
        if (result == SQLITE_ROW)
            *id = sqlite3_column_int64(row, 0) + 1;
    }
    sqlite3_finalize(row);
    return database_error(result);
}

static int add_visit(sqlite3 *db, const char *sql, int64_t id, const struct entered_visit *visit)
{
    sqlite3_stmt *add = NULL;
    int error = database_error(sqlite3_prepare_v2(db, sql, -1, &add, NULL));
    if (error)
        return error;
    sqlite3_bind_int64(add, 1, id);
    sqlite3_bind_int64(add, 2, visit->at_s);
    sqlite3_bind_text(add, 3, visit->trap, -1, SQLITE_STATIC);
    sqlite3_bind_text(add, 4, visit->action, -1, SQLITE_STATIC);
    if (isnan(visit->litres))
        sqlite3_bind_null(add, 5);
    else
        sqlite3_bind_double(add, 5, visit->litres);
    sqlite3_bind_text(add, 6, visit->by_whom ? visit->by_whom : "", -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 7, visit->entered_s);
    error = database_step(add);
    sqlite3_finalize(add);
    return error;
}

static int add_count(sqlite3 *db, const char *sql, int64_t id, int64_t visit,
                     const struct entered_count *count)
{
    sqlite3_stmt *add = NULL;
    int error = database_error(sqlite3_prepare_v2(db, sql, -1, &add, NULL));
    if (error)
        return error;
    sqlite3_bind_int64(add, 1, id);
    sqlite3_bind_int64(add, 2, visit);
    sqlite3_bind_text(add, 3, count->kind, -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 4, count->count);
    error = database_step(add);
    sqlite3_finalize(add);
    return error;
}

static int add_all(sqlite3 *db, const struct entered_visit *visit, int64_t *id)
{
    int64_t visit_id = 0, count_id = 0;
    int error = next_id(db, "visit", &visit_id);
    if (!error)
        error = next_id(db, "hand_count", &count_id);
    if (!error)
        error = add_visit(db, "INSERT INTO entered.visit VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                          visit_id, visit);
    if (!error)
        error = add_visit(db, "INSERT INTO main.visit VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                          visit_id, visit);
    for (size_t i = 0; i < visit->count_count && !error; i++) {
        int64_t one = count_id + (int64_t)i;
        error = add_count(db, "INSERT INTO entered.hand_count VALUES (?1, ?2, ?3, ?4)", one,
                          visit_id, &visit->counts[i]);
        if (!error)
            error = add_count(db, "INSERT INTO main.hand_count VALUES (?1, ?2, ?3, ?4)", one,
                              visit_id, &visit->counts[i]);
    }
    if (!error)
        *id = visit_id;
    return error;
}

/* Ends what BEGIN began. */
static int settle(sqlite3 *db, int error)
{
    if (!error)
        error = database_run(db, "COMMIT");
    if (error && !sqlite3_get_autocommit(db))
        (void)database_run(db, "ROLLBACK");
    return error;
}

int entered_add(sqlite3 *db, const struct entered_visit *visit, int64_t *id)
{
    int64_t made = 0;
    int error = check(visit);
    if (!error)
        error = database_run(db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    error = settle(db, add_all(db, visit, &made));
    if (!error)
        *id = made;
    return error;
}

int entered_add_visits(sqlite3 *db, const struct entered_visit *visits, size_t count)
{
    int64_t id;
    int error = 0;
    for (size_t i = 0; i < count && !error; i++)
        error = check(&visits[i]);
    if (!error)
        error = database_run(db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    for (size_t i = 0; i < count && !error; i++)
        error = add_all(db, &visits[i], &id);
    return settle(db, error);
}

static int add_fruit(sqlite3 *db, const char *file, int64_t id, const struct entered_fruit *fruit)
{
    char sql[100];
    sqlite3_stmt *add = NULL;
    snprintf(sql, sizeof sql, "INSERT INTO %s.fruit_count VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
             file);
    int error = database_error(sqlite3_prepare_v2(db, sql, -1, &add, NULL));
    if (error)
        return error;
    sqlite3_bind_int64(add, 1, id);
    sqlite3_bind_int64(add, 2, fruit->at_s);
    sqlite3_bind_text(add, 3, fruit->block, -1, SQLITE_STATIC);
    sqlite3_bind_text(add, 4, fruit->place, -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 5, fruit->looked_at);
    sqlite3_bind_int64(add, 6, fruit->damaged);
    sqlite3_bind_text(add, 7, fruit->by_whom ? fruit->by_whom : "", -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 8, fruit->entered_s);
    error = database_step(add);
    sqlite3_finalize(add);
    return error;
}

static int check_fruit(const struct entered_fruit *fruit)
{
    return one_of(entered_places, fruit->place) && fruit->block[0] != '\0' &&
                   fruit->looked_at > 0 && fruit->looked_at <= COUNT_MAX && fruit->damaged >= 0 &&
                   fruit->damaged <= fruit->looked_at
               ? 0
               : -EINVAL;
}

int entered_add_fruit(sqlite3 *db, const struct entered_fruit *fruit, size_t count)
{
    int64_t id = 0;
    int error = 0;
    for (size_t i = 0; i < count && !error; i++)
        error = check_fruit(&fruit[i]);
    if (!error)
        error = database_run(db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    error = next_id(db, "fruit_count", &id);
    for (size_t i = 0; i < count && !error; i++, id++) {
        error = add_fruit(db, "entered", id, &fruit[i]);
        if (!error)
            error = add_fruit(db, "main", id, &fruit[i]);
    }
    return settle(db, error);
}

static int add_stage(sqlite3 *db, const char *file, int64_t id, const struct entered_stage *stage)
{
    char sql[100];
    sqlite3_stmt *add = NULL;
    snprintf(sql, sizeof sql, "INSERT INTO %s.stage VALUES (?1, ?2, ?3, ?4, ?5, ?6)", file);
    int error = database_error(sqlite3_prepare_v2(db, sql, -1, &add, NULL));
    if (error)
        return error;
    sqlite3_bind_int64(add, 1, id);
    sqlite3_bind_int64(add, 2, stage->at_s);
    sqlite3_bind_text(add, 3, stage->block, -1, SQLITE_STATIC);
    sqlite3_bind_text(add, 4, stage->stage, -1, SQLITE_STATIC);
    sqlite3_bind_text(add, 5, stage->by_whom ? stage->by_whom : "", -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 6, stage->entered_s);
    error = database_step(add);
    sqlite3_finalize(add);
    return error;
}

int entered_add_stage(sqlite3 *db, const struct entered_stage *stage)
{
    int64_t id = 0;
    int error = stage->stage[0] == '\0' ? -EINVAL : database_run(db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    error = next_id(db, "stage", &id);
    if (!error)
        error = add_stage(db, "entered", id, stage);
    if (!error)
        error = add_stage(db, "main", id, stage);
    return settle(db, error);
}

static int add_withdrawn(sqlite3 *db, const char *file, int64_t id,
                         const struct entered_withdrawal *withdrawal)
{
    char sql[100];
    sqlite3_stmt *add = NULL;
    snprintf(sql, sizeof sql, "INSERT INTO %s.withdrawn VALUES (?1, ?2, ?3, ?4, ?5)", file);
    int error = database_error(sqlite3_prepare_v2(db, sql, -1, &add, NULL));
    if (error)
        return error;
    sqlite3_bind_int64(add, 1, id);
    sqlite3_bind_text(add, 2, withdrawal->what, -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 3, withdrawal->entry);
    sqlite3_bind_text(add, 4, withdrawal->by_whom ? withdrawal->by_whom : "", -1, SQLITE_STATIC);
    sqlite3_bind_int64(add, 5, withdrawal->entered_s);
    error = database_step(add);
    sqlite3_finalize(add);
    return error;
}

/* 0: it is there and counts; -ENOENT; -EALREADY. */
static int check_entry(sqlite3 *db, const struct entered_withdrawal *withdrawal)
{
    sqlite3_stmt *row = NULL;
    int error = database_error(sqlite3_prepare_v2(
        db,
        "SELECT EXISTS (SELECT 1 FROM main.withdrawn w WHERE w.what = e.what AND w.entry = e.id)"
        " FROM main.entry e WHERE e.what = ?1 AND e.id = ?2",
        -1, &row, NULL));
    if (error)
        return error;
    sqlite3_bind_text(row, 1, withdrawal->what, -1, SQLITE_STATIC);
    sqlite3_bind_int64(row, 2, withdrawal->entry);
    int step = sqlite3_step(row);
    if (step == SQLITE_ROW)
        error = sqlite3_column_int(row, 0) ? -EALREADY : 0;
    else
        error = step == SQLITE_DONE ? -ENOENT : database_error(step);
    sqlite3_finalize(row);
    return error;
}

int entered_withdraw(sqlite3 *db, const struct entered_withdrawal *withdrawal)
{
    int64_t id = 0;
    int error = database_run(db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    error = check_entry(db, withdrawal);
    if (!error)
        error = next_id(db, "withdrawn", &id);
    if (!error)
        error = add_withdrawn(db, "entered", id, withdrawal);
    if (!error)
        error = add_withdrawn(db, "main", id, withdrawal);
    return settle(db, error);
}
