/* A database that is found damaged in use: whatever statement meets it, the loop ends. */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <sqlite3.h>

#include "common/damage.h"
#include "tests/suite.h"

enum { PAGE = 4096 };

static char path[64];
static struct damage damage;
static sd_event *event;
static sqlite3 *db;

static int run(const char *sql)
{
    return sqlite3_exec(db, sql, NULL, NULL, NULL);
}

/* A hundred rows of a page each, none of them in memory. */
static void setup(void)
{
    damage_watch(&damage);
    ck_assert_int_ge(sd_event_new(&event), 0);
    strcpy(path, "/tmp/edgerow-damage-XXXXXX");
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    close(fd);
    ck_assert_int_eq(sqlite3_open(path, &db), SQLITE_OK);
    ck_assert_int_eq(
        run("CREATE TABLE t (n INTEGER PRIMARY KEY, body BLOB); WITH RECURSIVE k (i) AS (SELECT 1 "
            "UNION ALL"
            " SELECT i + 1 FROM k WHERE i < 100) INSERT INTO t SELECT i, zeroblob(3000) FROM k;"
            "PRAGMA shrink_memory"),
        SQLITE_OK);
}

static void teardown(void)
{
    sqlite3_close(db);
    sd_event_unref(event);
    unlink(path);
}

static void spoil(int page)
{
    char nonsense[PAGE];
    memset(nonsense, 0x5A, sizeof nonsense);
    FILE *file = fopen(path, "r+");
    ck_assert_int_eq(fseek(file, (page - 1) * PAGE, SEEK_SET), 0);
    ck_assert_uint_eq(fwrite(nonsense, PAGE, 1, file), 1);
    fclose(file);
}

START_TEST(a_damaged_page_ends_the_loop)
{
    int code = 0;
    damage.event = event;
    ck_assert_int_eq(run("SELECT sum(length(body)) FROM t; PRAGMA shrink_memory"), SQLITE_OK);
    ck_assert_int_eq(sd_event_get_exit_code(event, &code), -ENODATA);
    spoil(50);
    ck_assert_int_eq(run("SELECT sum(length(body)) FROM t") & 0xFF, SQLITE_CORRUPT);
    ck_assert_int_eq(sd_event_loop(event), EXIT_FAILURE);
    ck_assert_ptr_null(damage.event); /* said once */
}
END_TEST

START_TEST(other_errors_end_nothing)
{
    int code = 0;
    damage.event = event;
    ck_assert_int_ne(run("SELECT * FROM nothing"), SQLITE_OK);
    ck_assert_int_eq(run("INSERT INTO t VALUES (1, x'')"), SQLITE_CONSTRAINT);
    ck_assert_int_eq(sd_event_get_exit_code(event, &code), -ENODATA);
}
END_TEST

START_TEST(what_a_start_finds_ends_nothing)
{
    int code = 0;
    damage.event = NULL;
    spoil(50);
    ck_assert_int_eq(run("SELECT sum(length(body)) FROM t") & 0xFF, SQLITE_CORRUPT);
    ck_assert_int_eq(sd_event_get_exit_code(event, &code), -ENODATA);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("damage");
    TCase *tests = tcase_create("damage");
    tcase_add_checked_fixture(tests, setup, teardown);
    tcase_add_test(tests, a_damaged_page_ends_the_loop);
    tcase_add_test(tests, other_errors_end_nothing);
    tcase_add_test(tests, what_a_start_finds_ends_nothing);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
