/* What the spool's file says when it cannot be used, and what is done about it. */
#include <check.h>
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#include <sqlite3.h>

#include "gateway/spool/disk.h"
#include "gateway/spool/spool.h"
#include "gateway/spool/sql.h"
#include "tests/suite.h"

#define MIB     (UINT64_C(1) << 20)
#define START_S INT64_C(1790000000)

static char folder[64], path[96];
static struct settings_fault fault;

static void setup(void)
{
    strcpy(folder, "/tmp/edgerow-disk-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/spool.db", folder);
    memset(&fault, 0, sizeof fault);
}

static void teardown(void)
{
    char command[128];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

static void execute(const char *sql)
{
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open(path, &db), SQLITE_OK);
    ck_assert_msg(sqlite3_exec(db, sql, NULL, NULL, NULL) == SQLITE_OK, "%s", sqlite3_errmsg(db));
    sqlite3_close(db);
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
                 {SQLITE_BUSY, -EBUSY},
                 {SQLITE_BUSY_SNAPSHOT, -EBUSY},
                 {SQLITE_LOCKED, -EBUSY},
                 {SQLITE_CORRUPT, -EBADMSG},
                 {SQLITE_CORRUPT_INDEX, -EBADMSG},
                 {SQLITE_NOTADB, -EBADMSG},
                 {SQLITE_READONLY, -EACCES},
                 {SQLITE_READONLY_DIRECTORY, -EACCES},
                 {SQLITE_CANTOPEN, -EACCES},
                 {SQLITE_PERM, -EACCES},
                 {SQLITE_AUTH, -EACCES},
                 {SQLITE_NOMEM, -ENOMEM},
                 {SQLITE_IOERR, -EIO},
                 {SQLITE_IOERR_FSYNC, -EIO},
                 {SQLITE_MISUSE, -EIO}};
    for (size_t i = 0; i < sizeof pairs / sizeof pairs[0]; i++)
        ck_assert_int_eq(sql_error(NULL, pairs[i].result), pairs[i].error);
}
END_TEST

START_TEST(no_folder_no_spool)
{
    struct disk *disk = NULL;
    snprintf(path, sizeof path, "%s/nowhere/spool.db", folder);
    ck_assert_int_eq(disk_open(&disk, path, MIB, &fault), -EACCES);
    ck_assert_ptr_null(disk);
    ck_assert_msg(strstr(fault.text, "its folder must exist") != NULL, "%s", fault.text);
}
END_TEST

/* The whole size is taken at once, so that a disk others have filled is told at the start, and not in the season. */
START_TEST(a_quota_too_small_is_told_at_the_start)
{
    struct disk *disk = NULL;
    const struct rlimit quota = {2 * MIB, 2 * MIB};
    signal(SIGXFSZ, SIG_IGN);
    ck_assert_int_eq(setrlimit(RLIMIT_FSIZE, &quota), 0);
    ck_assert_int_eq(disk_open(&disk, path, 64 * MIB, &fault), -ENOSPC);
    ck_assert_msg(strstr(fault.text, "no room for a spool of 64 MiB") != NULL, "%s", fault.text);
    ck_assert_msg(strstr(fault.text, "size_mib") != NULL, "%s", fault.text);
}
END_TEST

static struct gateway_collectors collectors = {.count = 1, .name = {"main"}};
static struct spool_options options = {.path = path,
                                       .size_bytes = MIB,
                                       .history_s = 86400,
                                       .boot = "00112233445566ff",
                                       .collectors = &collectors};

static struct spool *open_spool(void)
{
    struct spool *spool = NULL;
    ck_assert_msg(spool_open(&spool, &options, START_S, &fault) == 0, "%s", fault.text);
    return spool;
}

START_TEST(one_gateway_at_a_time)
{
    struct spool *first = open_spool(), *second;
    ck_assert_int_eq(spool_open(&second, &options, START_S, &fault), -EBUSY);
    ck_assert_ptr_nonnull(strstr(fault.text, "another process"));
    spool_close(first);
}
END_TEST

START_TEST(a_newer_spool_is_refused_and_left_alone)
{
    struct record row = {.kind = FEED_ROW_CLOCK, .clock = {.boot = "00112233445566ff"}};
    struct spool *spool = open_spool();
    spool_add(spool, &row, START_S * 1000000);
    ck_assert_int_eq(spool_commit(spool, START_S), 0);
    spool_close(spool);
    execute("PRAGMA user_version = 2");
    ck_assert_int_eq(spool_open(&spool, &options, START_S, &fault), -ENOTSUP);
    ck_assert_ptr_nonnull(strstr(fault.text, "newer version"));
    execute("PRAGMA user_version = 1");
    spool = open_spool();
    ck_assert_uint_eq(spool_last(spool), 1);
    spool_close(spool);
}
END_TEST

START_TEST(a_file_that_is_no_spool_is_set_aside)
{
    FILE *file = fopen(path, "w");
    for (int i = 0; i < 100; i++)
        fputs("this is a shopping list: eggs, milk, ", file);
    fclose(file);
    struct spool *spool = open_spool();
    struct feed_row row;
    ck_assert_uint_eq(spool_last(spool), 1); /* and says so */
    ck_assert_int_eq(spool_read(spool, 1, &row), 1);
    ck_assert_int_eq(row.kind, FEED_ROW_LOSS);
    ck_assert_str_eq(row.loss.why, FEED_LOSS_SPOOL);
    ck_assert(row.loss.first == 1 && row.loss.last == 1 && row.loss.count == 1);
    spool_close(spool);
}
END_TEST

/* Damage that the page check cannot see. */
static const char *const damages[] = {
    "PRAGMA user_version = -1",
    "PRAGMA user_version = 0",
    "DELETE FROM spool",
    "UPDATE spool SET id = 'short'",
    "UPDATE spool SET last_hash = x'00'",
    "DROP TABLE mark",
    "DROP TABLE counter",
    "ALTER TABLE spooled RENAME COLUMN body TO soul",
};

START_TEST(damage_of_any_kind_begins_a_new_spool)
{
    struct record row = {.kind = FEED_ROW_CLOCK, .clock = {.boot = "00112233445566ff"}};
    const struct counters_gone gone = {5, 6, 640};
    struct spool *spool;
    struct spool_state before, after;
    char id[FEED_ID_SIZE], aside[160];
    ck_assert_int_eq(spool_open(&spool, &options, START_S, &fault), 0);
    spool_add(spool, &row, START_S * 1000000);
    ck_assert_int_eq(spool_commit(spool, START_S), 0);
    ck_assert_int_eq(spool_keep_gone(spool, &gone, 1), 0);
    spool_state(spool, &before);
    memcpy(id, before.id, sizeof id);
    spool_close(spool);
    execute(damages[_i]);
    ck_assert_msg(spool_open(&spool, &options, START_S, &fault) == 0, "%s", fault.text);
    spool_state(spool, &after);
    ck_assert_str_ne(after.id, id);
    ck_assert_uint_eq(after.last, 1);
    snprintf(aside, sizeof aside, "%s.damaged-%lld", path, (long long)START_S);
    ck_assert_int_eq(access(aside, F_OK), 0);
    spool_add(spool, &row, START_S * 1000000); /* and it works */
    ck_assert_int_eq(spool_commit(spool, START_S), 0);
    spool_close(spool);
    execute("CREATE TEMP TABLE t (n CHECK (n = 640)); INSERT INTO t SELECT next FROM gone;"
            "CREATE TEMP TABLE u (n CHECK (n = 1)); INSERT INTO u SELECT count(*) FROM gone");
}
END_TEST

static void fill(struct spool *spool, uint32_t first, uint32_t last)
{
    struct record record = {.kind = FEED_ROW_FRAME,
                            .frame = {.devaddr = 5,
                                      .fport = 10,
                                      .heard_ms = START_S * 1000,
                                      .boot = "00112233445566ff",
                                      .payload_len = 30}};
    for (record.frame.fcnt = first; record.frame.fcnt <= last; record.frame.fcnt++)
        spool_add(spool, &record, START_S * 1000000);
    ck_assert_int_eq(spool_commit(spool, START_S), 0);
}

/* Rows that a memory card returns otherwise than they were written, in pages that look whole. */
static const char rot[] = "UPDATE spooled SET body = CAST(substr(body, 1, 9) || x'ff' || "
                          "substr(body, 11) AS BLOB) WHERE n = 100;"
                          "UPDATE spooled SET hash = x'00' WHERE n = 150;"
                          "UPDATE spooled SET body = substr(body, 1, 40) WHERE n = 200;"
                          "UPDATE spooled SET body = x'' WHERE n = 300;";

static bool is_rotten(uint64_t n)
{
    return n == 100 || n == 150 || n == 200 || n == 300;
}

/* Each damaged row is told as lost, the others are as they were, and it can be stored, forgotten and thinned. */
START_TEST(damaged_rows_hold_up_nothing)
{
    struct spool *spool = open_spool();
    struct feed_row row;
    fill(spool, 1, 300);
    spool_close(spool);
    execute(rot);
    spool = open_spool();
    for (uint64_t n = 1; n <= 300; n++) {
        ck_assert_int_eq(spool_read(spool, n, &row), 1);
        ck_assert_uint_eq(row.n, n);
        ck_assert_int_eq(row.kind, is_rotten(n) ? FEED_ROW_LOSS : FEED_ROW_FRAME);
        if (is_rotten(n))
            ck_assert(row.loss.first == n && row.loss.last == n && row.loss.count == 1);
        else
            ck_assert_uint_eq(row.frame.fcnt, n);
    }
    ck_assert_int_eq(spool_read(spool, 150, &row), 1);
    struct feed_mark mark = {.store = "aaaaaaaaaaaaaaaa", .n = 150};
    memcpy(mark.spool, row.spool, sizeof mark.spool);
    memcpy(mark.hash, row.hash, sizeof mark.hash);
    ck_assert_int_eq(spool_mark(spool, 0, &mark), SPOOL_MARK_MOVED);
    for (uint32_t fcnt = 301; fcnt < 12000; fcnt += 300) /* more than there is room for */
        fill(spool, fcnt, fcnt + 299);
    ck_assert_int_eq(spool_read(spool, 151, &row), 1);
    struct spool_state state;
    spool_state(spool, &state);
    ck_assert_uint_gt(state.given_up, 0);
    ck_assert_uint_gt(state.oldest, 150);
    spool_close(spool);
}
END_TEST

/* A folder that takes no new file: the damaged one stays where it is, with all that can still be read of it. */
START_TEST(what_cannot_be_set_aside_stays)
{
    struct spool *spool = NULL;
    char fresh[160];
    FILE *file = fopen(path, "w");
    for (int i = 0; i < 200; i++)
        fputs("no spool at all ", file);
    fclose(file);
    snprintf(fresh, sizeof fresh, "mkdir -p '%s.new/in the way'", path);
    ck_assert_int_eq(system(fresh), 0);
    ck_assert_int_lt(spool_open(&spool, &options, START_S, &fault), 0);
    ck_assert_ptr_null(spool);
    ck_assert_int_eq(access(path, F_OK), 0);
    ck_assert_int_gt((int)strlen(fault.text), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("disk");
    TCase *tests = tcase_create("disk");
    tcase_set_timeout(tests, 60);
    tcase_add_checked_fixture(tests, setup, teardown);
    tcase_add_test(tests, every_result_has_an_error);
    tcase_add_test(tests, no_folder_no_spool);
    tcase_add_test(tests, a_quota_too_small_is_told_at_the_start);
    tcase_add_test(tests, one_gateway_at_a_time);
    tcase_add_test(tests, a_newer_spool_is_refused_and_left_alone);
    tcase_add_test(tests, a_file_that_is_no_spool_is_set_aside);
    tcase_add_loop_test(tests, damage_of_any_kind_begins_a_new_spool, 0,
                        sizeof damages / sizeof damages[0]);
    tcase_add_test(tests, damaged_rows_hold_up_nothing);
    tcase_add_test(tests, what_cannot_be_set_aside_stays);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
