/* What people enter survives the loss of either file, and is written beside a running collector. */
#include <check.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "collector/store/database.h"
#include "collector/store/entered.h"
#include "tests/suite.h"

static char folder[] = "/tmp/edgerow-entered-XXXXXX";
static char store_path[100], entered_path[100];
static struct settings_fault fault;

static int64_t number(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *row = NULL;
    ck_assert_int_eq(sqlite3_prepare_v2(db, sql, -1, &row, NULL), SQLITE_OK);
    ck_assert_int_eq(sqlite3_step(row), SQLITE_ROW);
    int64_t value = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    return value;
}

static void add(sqlite3 *db, const char *trap, int64_t expected)
{
    const struct entered_count counts[] = {{"paper wasps", 31}, {"honey bees", 2}};
    struct entered_visit visit = {1785000000, trap, "emptied", 0.5, "Ada", 1785000100, counts, 2};
    int64_t id = 0;
    ck_assert_int_eq(entered_add(db, &visit, &id), 0);
    ck_assert_int_eq(id, expected);
}

static void expect(sqlite3 *db, int64_t visits)
{
    ck_assert_int_eq(number(db, "SELECT count(*) FROM main.visit"), visits);
    ck_assert_int_eq(number(db, "SELECT count(*) FROM entered.visit"), visits);
    ck_assert_int_eq(number(db, "SELECT coalesce(sum(count), 0) FROM main.hand_count"),
                     visits * 33);
    ck_assert_int_eq(number(db, "SELECT coalesce(sum(count), 0) FROM entered.hand_count"),
                     visits * 33);
    ck_assert_int_eq(
        number(db, "SELECT count(*) FROM main.visit JOIN entered.visit USING (id, trap, at_s)"),
        visits);
}

/* A collector that starts, and a command beside it. */
static sqlite3 *start(struct database *database)
{
    sqlite3 *command = NULL;
    ck_assert_int_eq(database_open(database, store_path, 1, &fault), 0);
    ck_assert_int_eq(entered_sync(database->db, entered_path, &fault), 0);
    ck_assert_int_eq(entered_open(store_path, entered_path, &command, &fault), 0);
    return command;
}

static void stop(struct database *database, sqlite3 *command)
{
    ck_assert_int_eq(sqlite3_close(command), SQLITE_OK);
    database_close(database);
}

START_TEST(kept_twice)
{
    struct database database;
    sqlite3 *command = NULL;
    ck_assert_int_eq(entered_open(store_path, entered_path, &command, &fault), -ENOENT);
    ck_assert_ptr_nonnull(strstr(fault.text, "has the collector run?"));
    command = start(&database);
    add(command, "t1", 1);
    add(command, "t2", 2);
    expect(command, 2);
    ck_assert_int_eq(number(database.db, "SELECT count(*) FROM visit"), 2);
    stop(&database, command);
    ck_assert_int_eq(unlink(store_path), 0); /* the store is lost */
    command = start(&database);
    expect(command, 2);
    add(command, "t3", 3);
    stop(&database, command);
    ck_assert_int_eq(unlink(entered_path), 0); /* the second file is lost */
    command = start(&database);
    expect(command, 3);
    add(command, "t4", 4);
    expect(command, 4);
    stop(&database, command);
}
END_TEST

/* A line with one mistake in it leaves nothing entered; fruit and stages are kept twice too. */
START_TEST(all_or_nothing)
{
    struct database database;
    struct entered_visit visits[2] = {{1785000000, "t1", "cleaned", NAN, "", 1785000100, NULL, 0},
                                      {1785000000, "t2", "kicked", NAN, "", 1785000100, NULL, 0}};
    struct entered_fruit fruit[2] = {{1785000000, "north", "edge", 20, 3, "Ada", 1785000100},
                                     {1785000000, "north", "interior", 20, 21, "", 1785000100}};
    struct entered_stage stage = {1785000000, "", "first workers", "Ada", 1785000100};
    unlink(store_path);
    unlink(entered_path);
    sqlite3 *command = start(&database);
    ck_assert_int_eq(entered_add_visits(command, visits, 2), -EINVAL);
    ck_assert_int_eq(entered_add_fruit(command, fruit, 2), -EINVAL);
    expect(command, 0);
    visits[1].action = "topped up";
    fruit[1].damaged = 20;
    ck_assert_int_eq(entered_add_visits(command, visits, 2), 0);
    ck_assert_int_eq(entered_add_fruit(command, fruit, 2), 0);
    ck_assert_int_eq(entered_add_stage(command, &stage), 0);
    stop(&database, command);
    ck_assert_int_eq(unlink(store_path), 0);
    command = start(&database);
    ck_assert_int_eq(number(command, "SELECT count(*) FROM main.visit"), 2);
    ck_assert_int_eq(number(command, "SELECT sum(damaged) FROM main.fruit_count"), 23);
    ck_assert_int_eq(number(command, "SELECT count(*) FROM main.stage"), 1);
    stop(&database, command);
}
END_TEST

/* Figures that nobody means, and a second file that is none: nothing is entered, and it is said why. */
START_TEST(what_nobody_means_is_refused)
{
    struct database database;
    struct entered_count counts[] = {{"paper wasps", 31}};
    struct entered_visit visit = {1785000000, "t1", "emptied", 0.5, "Ada", 1785000100, counts, 1};
    struct entered_fruit fruit = {1785000000, "north", "edge", 20, 3, "Ada", 1785000100};
    struct entered_stage stage = {1785000000, "", "", "Ada", 1785000100};
    int64_t id;
    unlink(store_path);
    unlink(entered_path);
    sqlite3 *command = start(&database);
    visit.litres = -1;
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    visit.litres = 101;
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    visit.litres = 1;
    visit.trap = "";
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    visit.trap = "t1";
    counts[0].count = 1000001;
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    counts[0] = (struct entered_count){"unicorns", 1};
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    fruit.place = "moon";
    ck_assert_int_eq(entered_add_fruit(command, &fruit, 1), -EINVAL);
    fruit.place = "edge";
    fruit.looked_at = 0;
    ck_assert_int_eq(entered_add_fruit(command, &fruit, 1), -EINVAL);
    fruit.looked_at = 1000001;
    ck_assert_int_eq(entered_add_fruit(command, &fruit, 1), -EINVAL);
    fruit.looked_at = 20;
    fruit.damaged = -1;
    ck_assert_int_eq(entered_add_fruit(command, &fruit, 1), -EINVAL);
    fruit.damaged = 3;
    fruit.block = "";
    ck_assert_int_eq(entered_add_fruit(command, &fruit, 1), -EINVAL);
    ck_assert_int_eq(entered_add_stage(command, &stage), -EINVAL);
    expect(command, 0);
    stop(&database, command);
    unlink(entered_path);
    ck_assert_int_eq(mkdir(entered_path, 0755), 0);
    ck_assert_int_eq(database_open(&database, store_path, 1, &fault), 0);
    ck_assert_int_lt(entered_sync(database.db, entered_path, &fault), 0);
    ck_assert_ptr_nonnull(strstr(fault.text, "[store] entered"));
    ck_assert_int_lt(entered_open(store_path, entered_path, &command, &fault), 0);
    database_close(&database);
    ck_assert_int_eq(rmdir(entered_path), 0);
}
END_TEST

/* A command of an administrator makes the second file when the collector has not: it is the collector's all the same. */
START_TEST(who_makes_the_second_file_gives_it_away)
{
    struct database database;
    struct stat store, second;
    sqlite3 *command = NULL;
    unlink(store_path);
    unlink(entered_path);
    ck_assert_int_eq(database_open(&database, store_path, 1, &fault), 0);
    if (geteuid() == 0)
        ck_assert_int_eq(chown(store_path, 12345, 12345), 0);
    ck_assert_msg(entered_open(store_path, entered_path, &command, &fault) == 0, "%s", fault.text);
    ck_assert_int_eq(stat(store_path, &store), 0);
    ck_assert_int_eq(stat(entered_path, &second), 0);
    ck_assert_uint_eq(second.st_uid, store.st_uid);
    ck_assert_uint_eq(second.st_gid, store.st_gid);
    add(command, "t1", 1);
    stop(&database, command);
}
END_TEST

/* What was withdrawn no longer counts, in either file, also when one of them is lost. */
START_TEST(a_mistake_is_taken_back)
{
    struct database database;
    struct entered_withdrawal mistake = {"visit", 2, "Ada", 1785000200};
    unlink(store_path);
    unlink(entered_path);
    sqlite3 *command = start(&database);
    add(command, "t1", 1);
    add(command, "t2", 2);
    ck_assert_int_eq(entered_withdraw(command, &mistake), 0);
    ck_assert_int_eq(entered_withdraw(command, &mistake), -EALREADY);
    mistake.entry = 3;
    ck_assert_int_eq(entered_withdraw(command, &mistake), -ENOENT);
    mistake.what = "fruit";
    ck_assert_int_eq(entered_withdraw(command, &mistake), -ENOENT);
    expect(command, 2); /* kept */
    ck_assert_int_eq(number(command, "SELECT count(*) FROM main.kept_visit"), 1);
    add(command, "t3", 3);
    for (int lost = 0; lost < 2; lost++) {
        stop(&database, command);
        ck_assert_int_eq(unlink(lost ? entered_path : store_path), 0);
        command = start(&database);
        expect(command, 3);
        ck_assert_int_eq(number(command, "SELECT count(*) FROM main.kept_visit"), 2);
        ck_assert_int_eq(number(command, "SELECT count(*) FROM entered.withdrawn"), 1);
    }
    stop(&database, command);
}
END_TEST

/* A store of the first layout is brought up to date and keeps what it holds. */
START_TEST(an_older_store)
{
    struct database database;
    unlink(store_path);
    ck_assert_int_eq(database_open(&database, store_path, 1, &fault), 0);
    char id[17];
    strcpy(id, database.id);
    ck_assert_int_eq(database_run(database.db, "DROP TABLE stage; DROP TABLE fruit_count;"
                                               "DROP TABLE frozen_round; DROP VIEW entry;"
                                               "DROP VIEW kept_visit; DROP VIEW kept_fruit;"
                                               "DROP VIEW kept_stage; DROP TABLE withdrawn;"
                                               "PRAGMA user_version = 1"),
                     0);
    database_close(&database);
    ck_assert_int_eq(database_open(&database, store_path, 2, &fault), 0);
    ck_assert_str_eq(database.id, id);
    ck_assert_int_eq(number(database.db, "PRAGMA user_version"), DATABASE_VERSION);
    ck_assert_int_eq(number(database.db, "SELECT count(*) FROM stage"), 0);
    database_close(&database);
}
END_TEST

START_TEST(refused)
{
    struct database database;
    struct entered_count count = {"hornets", 1};
    struct entered_visit visit = {1, "t1", "emptied", NAN, "", 2, &count, 1};
    sqlite3 *command = start(&database);
    int64_t id = 0;
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    count = (struct entered_count){"others", -1};
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    count.count = 1;
    visit.action = "kicked";
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    visit.action = "topped up";
    visit.litres = -1;
    ck_assert_int_eq(entered_add(command, &visit, &id), -EINVAL);
    visit.litres = NAN;
    ck_assert_int_eq(entered_add(command, &visit, &id), 0);
    ck_assert_int_eq(number(command, "SELECT count(*) FROM main.visit WHERE litres IS NULL"), 1);
    ck_assert_int_ne(entered_sync(database.db, "/nonexistent/entered.db", &fault), 0);
    ck_assert_ptr_nonnull(strstr(fault.text, "[store] entered"));
    stop(&database, command);
}
END_TEST

int main(void)
{
    char command[200];
    if (!mkdtemp(folder))
        return EXIT_FAILURE;
    snprintf(store_path, sizeof store_path, "%s/store.db", folder);
    snprintf(entered_path, sizeof entered_path, "%s/entered.db", folder);
    Suite *suite = suite_create("entered");
    TCase *tcase = tcase_create("visits");
    tcase_add_test(tcase, kept_twice);
    tcase_add_test(tcase, refused);
    tcase_add_test(tcase, all_or_nothing);
    tcase_add_test(tcase, an_older_store);
    tcase_add_test(tcase, a_mistake_is_taken_back);
    tcase_add_test(tcase, what_nobody_means_is_refused);
    tcase_add_test(tcase, who_makes_the_second_file_gives_it_away);
    suite_add_tcase(suite, tcase);
    int failed = suite_run(suite);
    snprintf(command, sizeof command, "rm -rf %s", folder);
    failed += system(command) != 0;
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
