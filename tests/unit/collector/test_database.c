/* The store's file: what it says when it cannot be used, and what is done about it. */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "collector/store/database.h"
#include "tests/suite.h"

enum { NOW_S = 1788000000 };

static char folder[64], path[96];
static struct settings_fault fault;
static struct database database;

static void setup(void)
{
    strcpy(folder, "/tmp/edgerow-database-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/store.db", folder);
}

static void teardown(void)
{
    char command[128];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

static void expect_said(const char *words)
{
    ck_assert_msg(strstr(fault.text, words) != NULL, "\"%s\" is not in: %s", words, fault.text);
}

static void execute(const char *sql)
{
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(path, &db), SQLITE_OK);
    ck_assert_msg(sqlite3_exec(db, sql, NULL, NULL, NULL) == SQLITE_OK, "%s", sqlite3_errmsg(db));
    sqlite3_close(db);
}

static void make(void)
{
    ck_assert_msg(database_open(&database, path, NOW_S, &fault) == 0, "%s", fault.text);
    database_close(&database);
}

/* The results that SQLite documents (sqlite.org/rescode.html), extended ones as their kind. */
START_TEST(every_result_has_an_error)
{
    static const struct {
        int result, error;
    } pairs[] = {{SQLITE_OK, 0},
                 {SQLITE_ROW, 0},
                 {SQLITE_DONE, 0},
                 {SQLITE_FULL, -ENOSPC},
                 {SQLITE_NOMEM, -ENOMEM},
                 {SQLITE_BUSY_SNAPSHOT, -EBUSY},
                 {SQLITE_LOCKED, -EBUSY},
                 {SQLITE_READONLY_DIRECTORY, -EACCES},
                 {SQLITE_PERM, -EACCES},
                 {SQLITE_AUTH, -EACCES},
                 {SQLITE_CANTOPEN, -EACCES},
                 {SQLITE_CORRUPT_INDEX, -EBADMSG},
                 {SQLITE_NOTADB, -EBADMSG},
                 {SQLITE_IOERR_FSYNC, -EIO}};
    for (size_t i = 0; i < sizeof pairs / sizeof pairs[0]; i++)
        ck_assert_int_eq(database_error(pairs[i].result), pairs[i].error);
}
END_TEST

START_TEST(no_folder_no_store)
{
    snprintf(path, sizeof path, "%s/nowhere/store.db", folder);
    ck_assert_int_eq(database_open(&database, path, NOW_S, &fault), -ENOENT);
    expect_said("the folder must exist");
}
END_TEST

START_TEST(one_collector_at_a_time)
{
    struct database second;
    ck_assert_int_eq(database_open(&database, path, NOW_S, &fault), 0);
    ck_assert_int_eq(database_open(&second, path, NOW_S, &fault), -EBUSY);
    expect_said("another collector");
    database_close(&database);
}
END_TEST

/* Who reads beside the collector is told what is missing, and cannot write. */
START_TEST(who_reads_beside_is_told)
{
    sqlite3 *db = NULL;
    ck_assert_int_eq(database_open_readonly(path, &db, &fault), -ENOENT);
    expect_said("has the collector run?");
    fclose(fopen(path, "w"));
    ck_assert_int_eq(database_open_readonly(path, &db, &fault), -ENOENT);
    expect_said("the store is empty");
    FILE *file = fopen(path, "w");
    for (int i = 0; i < 400; i++)
        fputs("a list of things to buy ", file);
    fclose(file);
    ck_assert_int_eq(database_open_readonly(path, &db, &fault), -EBADMSG);
    expect_said("cannot be opened");
    unlink(path);
    make();
    execute("PRAGMA user_version = 99");
    ck_assert_int_eq(database_open_readonly(path, &db, &fault), -ENOTSUP);
    expect_said("newer software");
    execute("PRAGMA user_version = 3");
    ck_assert_int_eq(database_open_readonly(path, &db, &fault), 0);
    ck_assert_int_eq(database_run(db, "DELETE FROM store"), -EACCES);
    sqlite3_close(db);
}
END_TEST

/* Damage that the page check cannot see: the store has no name of its own. */
START_TEST(a_store_without_its_id_is_set_aside)
{
    make();
    execute("UPDATE store SET id = 'short'");
    ck_assert_int_eq(database_open(&database, path, NOW_S, &fault), 0);
    ck_assert(database.made);
    ck_assert_ptr_nonnull(database.set_aside);
    ck_assert_int_eq(access(database.set_aside, F_OK), 0);
    ck_assert_uint_eq(strlen(database.id), 16);
    database_close(&database);
}
END_TEST

/* An upgrade that was cut short leaves the store as it was, and is made at the next start. */
START_TEST(an_upgrade_is_whole_or_none)
{
    make();
    execute("DROP VIEW kept_visit; DROP VIEW kept_fruit; DROP VIEW kept_stage; DROP VIEW entry;"
            "DROP TABLE withdrawn; PRAGMA user_version = 2;"
            "CREATE TABLE kept_stage (in_the_way INTEGER)");
    ck_assert_int_lt(database_open(&database, path, NOW_S, &fault), 0);
    execute("CREATE TEMP TABLE t (n CHECK (n = 0)); INSERT INTO t SELECT count(*) FROM"
            " sqlite_schema WHERE name IN ('withdrawn', 'entry', 'kept_visit');"
            "DROP TABLE kept_stage");
    ck_assert_msg(database_open(&database, path, NOW_S, &fault) == 0, "%s", fault.text);
    ck_assert(!database.made);
    ck_assert_int_eq(database_run(database.db, "SELECT * FROM kept_stage"), 0);
    database_close(&database);
}
END_TEST

/* A message whose row an index lacks, as if the index's page were of another day: no page looks wrong, and nobody would
 * ever find the message due. */
static const char hidden_message[] =
    "PRAGMA writable_schema = ON;"
    "CREATE TEMP TABLE kept AS SELECT * FROM main.sqlite_schema WHERE name = 'outbox_waiting';"
    "DELETE FROM main.sqlite_schema WHERE name = 'outbox_waiting';"
    "PRAGMA writable_schema = RESET;"
    "INSERT INTO outbox (notice, revision, delivery, made_s, next_s, bytes) VALUES (1, 1, 'a', 1, "
    "1, x'00');"
    "PRAGMA writable_schema = ON;"
    "INSERT INTO main.sqlite_schema SELECT * FROM kept;"
    "PRAGMA writable_schema = RESET";
static const char is_hidden[] =
    "CREATE TEMP TABLE t (n CHECK (n = 0)); INSERT INTO t SELECT count(*) FROM outbox INDEXED BY"
    " outbox_waiting WHERE done_s = 0 AND given_up_s = 0";

START_TEST(a_damaged_index_is_made_anew)
{
    char id[17];
    make();
    execute(hidden_message);
    execute(is_hidden);
    ck_assert_msg(database_open(&database, path, NOW_S, &fault) == 0, "%s", fault.text);
    ck_assert(database.mended && !database.made);
    ck_assert_ptr_null(database.set_aside);
    ck_assert_int_ne(database_run(database.db, is_hidden), 0);
    ck_assert_int_eq(database_run(database.db, "UPDATE outbox SET done_s = 2"), 0);
    memcpy(id, database.id, sizeof id);
    database_close(&database);
    ck_assert_int_eq(database_open(&database, path, NOW_S, &fault), 0);
    ck_assert(!database.mended);
    ck_assert_str_eq(database.id, id);
    database_close(&database);
}
END_TEST

static void overwrite(const char *text, const char *with)
{
    char buffer[1 << 18];
    FILE *file = fopen(path, "r+");
    size_t len = fread(buffer, 1, sizeof buffer, file);
    char *at = memmem(buffer, len, text, strlen(text));
    ck_assert_ptr_nonnull(at);
    fseek(file, at - buffer, SEEK_SET);
    fwrite(with, 1, strlen(with), file);
    fclose(file);
}

/* A key that is not where it is looked for would be stored, and counted, a second time. */
START_TEST(a_key_in_the_wrong_place_sets_the_store_aside)
{
    make();
    execute("INSERT INTO trap_day (day_s, trap, entries, covered_s) VALUES (0, 'a-trap', 1, 1), "
            "(0, 'b-trap', 1, 1),"
            " (0, 'c-trap', 1, 1)");
    overwrite("b-trap", "x-trap");
    ck_assert_int_eq(database_open(&database, path, NOW_S, &fault), 0);
    ck_assert(database.made && !database.mended);
    ck_assert_ptr_nonnull(database.set_aside);
    database_close(&database);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("database");
    TCase *tests = tcase_create("database");
    tcase_set_timeout(tests, 60);
    tcase_add_checked_fixture(tests, setup, teardown);
    tcase_add_test(tests, every_result_has_an_error);
    tcase_add_test(tests, no_folder_no_store);
    tcase_add_test(tests, one_collector_at_a_time);
    tcase_add_test(tests, who_reads_beside_is_told);
    tcase_add_test(tests, a_store_without_its_id_is_set_aside);
    tcase_add_test(tests, an_upgrade_is_whole_or_none);
    tcase_add_test(tests, a_damaged_index_is_made_anew);
    tcase_add_test(tests, a_key_in_the_wrong_place_sets_the_store_aside);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
