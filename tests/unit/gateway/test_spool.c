/* The spool on a real file, and on a disk that fails. Frames and keys are invented. */
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <sqlite3.h>

#include "gateway/spool/chain.h"
#include "gateway/spool/spool.h"
#include "tests/suite.h"
#include "tests/unit/gateway/faulty_disk.h"

#define MIB     (UINT64_C(1) << 20)
#define DAY_S   86400
#define START_S INT64_C(1790000000)
#define BOOT    "00112233445566ff"

static char folder[64], path[96];
static struct gateway_collectors collectors;
static struct spool_options options;
static struct spool *spool;
static struct settings_fault fault;

static void open_spool(void)
{
    int error = spool_open(&spool, &options, START_S, &fault);
    ck_assert_msg(error == 0, "%s", fault.text);
}

static void setup(void)
{
    strcpy(folder, "/tmp/edgerow-spool-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/spool.db", folder);
    collectors = (struct gateway_collectors){.count = 2, .name = {"main", "office"}};
    options = (struct spool_options){.path = path,
                                     .size_bytes = MIB,
                                     .history_s = DAY_S,
                                     .boot = BOOT,
                                     .collectors = &collectors};
    faulty_disk_arm(0, false);
    open_spool();
}

static void teardown(void)
{
    spool_close(spool);
    char command[128];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

static void reopen(void)
{
    spool_close(spool);
    open_spool();
}

static struct record frame(uint32_t devaddr, uint32_t fcnt, uint8_t epoch, int64_t at_s)
{
    struct record record = {.kind = FEED_ROW_FRAME, .mic = fcnt * 2654435761u};
    struct feed_frame *f = &record.frame;
    *f = (struct feed_frame){.devaddr = devaddr,
                             .key_check = devaddr * 31,
                             .fcnt = fcnt,
                             .fport = 10,
                             .heard_ms = at_s * 1000,
                             .synchronised = true,
                             .boot = BOOT,
                             .frequency_hz = 868100000,
                             .bandwidth_hz = 125000,
                             .spreading_factor = 7};
    struct air_report report = {.kind = AIR_REGULAR,
                                .epoch = epoch,
                                .entries = fcnt * 3,
                                .interval_min = 15,
                                .battery_mv = 3300,
                                .recent_count = 7};
    size_t len;
    ck_assert_int_eq(air_report_encode(&report, f->payload, &len), 0);
    f->payload_len = (uint8_t)len;
    record_read_report(f);
    return record;
}

static void add(uint32_t devaddr, uint32_t fcnt, int64_t at_s)
{
    struct record record = frame(devaddr, fcnt, 1, at_s);
    spool_add(spool, &record, at_s * 1000000);
}

static void commit(int64_t now_s)
{
    ck_assert_int_eq(spool_commit(spool, now_s), 0);
}

static struct spool_state state(void)
{
    struct spool_state s;
    spool_state(spool, &s);
    return s;
}

static struct feed_row row_at(uint64_t n)
{
    struct feed_row row = {0};
    ck_assert_int_eq(spool_read(spool, n, &row), 1);
    return row;
}

static enum spool_mark_result mark(const char *collector, uint64_t n)
{
    struct feed_mark m = {.store = "aaaaaaaaaaaaaaaa", .n = n};
    struct feed_row row;
    snprintf(m.spool, sizeof m.spool, "%s", state().id);
    memset(m.hash, '0', sizeof m.hash - 1);
    if (n > 0 && spool_read(spool, n, &row) == 1 && row.n == n)
        memcpy(m.hash, row.hash, sizeof m.hash);
    return spool_mark(spool, spool_collector(spool, collector), &m);
}

static void execute(const char *sql)
{
    sqlite3 *db;
    ck_assert_int_eq(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, "unix"), SQLITE_OK);
    ck_assert_int_eq(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
}

START_TEST(nothing_is_readable_before_the_commit)
{
    struct feed_row row;
    add(1, 1, START_S);
    ck_assert_int_eq(spool_read(spool, 1, &row), 0);
    ck_assert_uint_eq(state().waiting, 1);
    commit(START_S);
    ck_assert_uint_eq(state().waiting, 0);
    row = row_at(1);
    ck_assert_uint_eq(row.n, 1);
    ck_assert_uint_eq(row.oldest, 1);
    ck_assert_str_eq(row.spool, state().id);
    ck_assert_uint_eq(row.frame.devaddr, 1);
    ck_assert(row.frame.has_report);
    ck_assert_uint_eq(row.frame.report.entries, 3);
}
END_TEST

START_TEST(rows_and_numbers_outlive_a_restart)
{
    for (uint32_t i = 1; i <= 10; i++)
        add(1, i, START_S + i);
    commit(START_S + 10);
    char id[FEED_ID_SIZE];
    memcpy(id, state().id, sizeof id);
    struct feed_row before = row_at(10);
    add(1, 11, START_S + 11); /* never committed: gone */
    reopen();
    ck_assert_str_eq(state().id, id);
    ck_assert_uint_eq(state().last, 10);
    ck_assert_str_eq(row_at(10).hash, before.hash);
    add(1, 11, START_S + 12);
    commit(START_S + 12);
    ck_assert_uint_eq(row_at(11).n, 11);
}
END_TEST

/* Each row's hash is what its header says, over the row before: recomputed from the file itself. */
START_TEST(the_chain_holds_in_the_file)
{
    for (uint32_t i = 1; i <= 50; i++) {
        add(i % 3, i, START_S + i);
        if (i % 7 == 0)
            commit(START_S + i);
    }
    commit(START_S + 50);
    spool_close(spool);
    spool = NULL;
    sqlite3 *db;
    sqlite3_stmt *rows;
    uint8_t hash[CHAIN_BYTES] = {0};
    ck_assert_int_eq(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, "unix"), SQLITE_OK);
    ck_assert_int_eq(
        sqlite3_prepare_v2(db, "SELECT hash, body FROM spooled ORDER BY n", -1, &rows, NULL),
        SQLITE_OK);
    int count = 0;
    for (; sqlite3_step(rows) == SQLITE_ROW; count++) {
        chain_extend(hash, sqlite3_column_blob(rows, 1), (size_t)sqlite3_column_bytes(rows, 1));
        ck_assert_mem_eq(hash, sqlite3_column_blob(rows, 0), CHAIN_BYTES);
    }
    ck_assert_int_eq(count, 50);
    sqlite3_finalize(rows);
    sqlite3_close(db);
}
END_TEST

static struct verify_table *table_of(uint32_t devaddr)
{
    struct verify_secret secret = {.devaddr = devaddr, .nwk_skey = {1}, .app_skey = {2}};
    struct verify_table *table;
    ck_assert_int_eq(verify_table_new(&secret, 1, &table), 0);
    return table;
}

START_TEST(counters_come_back_with_the_frames_before_them)
{
    struct verify_table *table = table_of(5);
    uint32_t key_check = verify_table_at(table, 0)->keys.key_check;
    for (uint32_t i = 1; i <= 20; i++) {
        struct record record = frame(5, i, 1, START_S + i);
        record.frame.key_check = i == 20 ? 77 : key_check; /* the last one with other keys */
        spool_add(spool, &record, (START_S + i) * 1000000);
    }
    struct record late = frame(5, 3, 1, START_S + 21); /* lower: does not move the counter back */
    late.frame.key_check = key_check;
    spool_add(spool, &late, (START_S + 21) * 1000000);
    commit(START_S);
    reopen();
    ck_assert_int_eq(spool_load_counters(spool, table), 0);
    const struct verify_counter *counter = &verify_table_at(table, 0)->counter;
    ck_assert(counter->known);
    ck_assert_uint_eq(counter->highest, 19);
    ck_assert_int_eq(counter->highest_at_us, (START_S + 19) * 1000000);
    const struct verify_heard *heard = verify_counter_recent(counter, 18);
    ck_assert_ptr_nonnull(heard);
    ck_assert_uint_eq(heard->mic, 18 * 2654435761u);
    ck_assert_ptr_null(verify_counter_recent(counter, 20));
    verify_table_free(table);
    spool_close(spool);
    spool = NULL;
    execute("CREATE TEMP TABLE t (n CHECK (n = 2)); INSERT INTO t SELECT count(*) FROM counter"
            " WHERE fcnt IN (19, 20)"); /* the late frame has not moved it back */
}
END_TEST

START_TEST(marks_are_checked_before_they_are_believed)
{
    for (uint32_t i = 1; i <= 10; i++)
        add(1, i, START_S);
    commit(START_S);
    ck_assert_int_eq(mark("main", 4), SPOOL_MARK_MOVED);
    ck_assert_int_eq(mark("main", 4), SPOOL_MARK_SAME);
    ck_assert_int_eq(mark("main", 11), SPOOL_MARK_REFUSED);
    ck_assert_int_eq(mark("stranger", 5), SPOOL_MARK_IGNORED);
    struct feed_mark m = {.store = "aaaaaaaaaaaaaaaa", .spool = "0000000000000000", .n = 5};
    ck_assert_int_eq(spool_mark(spool, 0, &m), SPOOL_MARK_IGNORED);
    snprintf(m.spool, sizeof m.spool, "%s", state().id);
    memset(m.hash, 'f', sizeof m.hash - 1);
    ck_assert_int_eq(spool_mark(spool, 0, &m), SPOOL_MARK_REFUSED);
    ck_assert_uint_eq(spool_collector_mark(spool, 0), 4);
    ck_assert_int_eq(mark("main", 2), SPOOL_MARK_BACK); /* its store was restored */
    ck_assert_int_eq(mark("main", 0), SPOOL_MARK_BACK);
    ck_assert_int_eq(mark("main", 9), SPOOL_MARK_MOVED);
    ck_assert_uint_eq(state().marked, 0); /* office has said nothing */
    ck_assert_int_eq(mark("office", 7), SPOOL_MARK_MOVED);
    ck_assert_uint_eq(state().marked, 7);
    commit(START_S);
    reopen();
    ck_assert_uint_eq(spool_collector_mark(spool, 0), 9);
    ck_assert_uint_eq(state().marked, 7);
}
END_TEST

START_TEST(forgets_only_what_all_have_stored_and_history_is_over_for)
{
    for (uint32_t i = 1; i <= 10; i++)
        add(1, i, START_S + i);
    commit(START_S + 10);
    mark("main", 10);
    commit(START_S + 10 * DAY_S);
    ck_assert_uint_eq(state().oldest, 1); /* office has not */
    mark("office", 8);
    commit(START_S + DAY_S - 1);
    ck_assert_uint_eq(state().oldest, 1); /* history is not over */
    mark("office", 9);
    commit(START_S + DAY_S + 4);
    ck_assert_uint_eq(state().oldest, 5); /* rows 1 to 4 are a day old */
    ck_assert_uint_eq(row_at(0).oldest, 5);
    mark("main", 9);
    commit(START_S + 9 * DAY_S);
    ck_assert_uint_eq(state().oldest, 10);
    mark("office", 10);
    mark("main", 10);
    commit(START_S + 9 * DAY_S);
    ck_assert_uint_eq(state().oldest, 11);
    ck_assert_uint_eq(state().last, 10);
    reopen(); /* an empty spool remembers where it was */
    ck_assert_uint_eq(state().last, 10);
    ck_assert_uint_eq(state().oldest, 11);
    add(1, 11, START_S);
    commit(START_S);
    ck_assert_uint_eq(row_at(0).n, 11);
}
END_TEST

/* Walks the spool as a collector would, and returns how many frames it holds and how many were given up. */
static void walk(uint64_t from, uint64_t *held, uint64_t *lost)
{
    struct feed_row row;
    uint64_t next = from;
    *held = *lost = 0;
    while (spool_read(spool, next, &row) == 1) {
        if (row.kind == FEED_ROW_LOSS) {
            ck_assert_uint_eq(row.loss.first, next); /* explains every number it steps over */
            ck_assert_uint_eq(row.loss.last, row.n);
            *lost += row.loss.count;
        } else {
            ck_assert_uint_eq(row.n, next);
            ++*held;
        }
        next = row.n + 1;
    }
    ck_assert_uint_eq(next, state().last + 1);
}

static bool holds(uint32_t devaddr, uint32_t fcnt)
{
    struct feed_row row;
    for (uint64_t n = 1; spool_read(spool, n, &row) == 1; n = row.n + 1)
        if (row.kind == FEED_ROW_FRAME && row.frame.devaddr == devaddr && row.frame.fcnt == fcnt)
            return true;
    return false;
}

/* A collector has what was thinned before its mark arrived: it is sent what follows, but nothing is forgotten until it
 * names a row that is still there. */
static void check_mark_on_what_was_thinned(void)
{
    struct feed_row row = row_at(1);
    while (row.kind != FEED_ROW_LOSS || row.loss.count < 2)
        ck_assert_int_eq(spool_read(spool, row.n + 1, &row), 1);
    ck_assert_int_eq(mark("main", row.loss.first), SPOOL_MARK_UNSURE);
    ck_assert_uint_eq(spool_collector_mark(spool, spool_collector(spool, "main")), 0);
    ck_assert_int_eq(mark("main", row.n), SPOOL_MARK_MOVED);
    ck_assert_int_eq(mark("main", row.loss.first), SPOOL_MARK_BACK);
}

START_TEST(a_full_spool_is_thinned_and_every_loss_is_told)
{
    enum { UNITS = 20, ROUNDS = 2000 };
    uint64_t held, lost;
    for (uint32_t fcnt = 1; fcnt <= ROUNDS; fcnt++) {
        for (uint32_t unit = 1; unit <= UNITS; unit++) {
            struct record record = frame(unit, fcnt, fcnt < ROUNDS / 2 ? 1 : 2, START_S + fcnt);
            spool_add(spool, &record, (START_S + fcnt) * 1000000);
        }
        commit(START_S + fcnt);
    }
    struct spool_state s = state();
    ck_assert_uint_le(s.used_bytes, MIB);
    ck_assert_uint_gt(s.given_up, 0);
    walk(1, &held, &lost);
    ck_assert_uint_eq(held + lost, UNITS * ROUNDS);
    ck_assert_uint_eq(lost, s.given_up);
    ck_assert_uint_gt(held, 2000);
    for (uint32_t unit = 1; unit <= UNITS; unit++) {
        ck_assert(holds(unit, 1));
        ck_assert(holds(unit, ROUNDS / 2 - 1)); /* the last of its first epoch */
        ck_assert(holds(unit, ROUNDS / 2));
        ck_assert(holds(unit, ROUNDS));
    }
    struct stat file;
    ck_assert_int_eq(stat(path, &file), 0);
    ck_assert_int_eq(file.st_size, (int)MIB);
    check_mark_on_what_was_thinned();
    reopen();
    uint64_t held_again, lost_again;
    walk(1, &held_again, &lost_again);
    ck_assert_uint_eq(held_again, held);
    ck_assert_uint_eq(lost_again, lost);
}
END_TEST

START_TEST(history_goes_before_anything_is_thinned)
{
    uint64_t last = 0;
    for (uint32_t fcnt = 1; fcnt <= 40000; fcnt++) {
        add(1 + fcnt % 20, fcnt, START_S);
        if (fcnt % 100 != 0)
            continue;
        commit(START_S);
        last = state().last;
        mark("main", last);
        mark("office", last);
    }
    ck_assert_uint_eq(state().given_up, 0);
    ck_assert_uint_gt(state().oldest, 1);
    ck_assert_uint_eq(last, 40000);
    uint64_t held, lost;
    walk(state().oldest, &held, &lost);
    ck_assert_uint_eq(lost, 0);
}
END_TEST

START_TEST(more_series_than_fit_stay_in_memory_and_nothing_crashes)
{
    for (uint32_t unit = 1; unit <= 15000; unit++) {
        add(unit, 1, START_S);
        if (unit % 100 == 0)
            (void)spool_commit(spool, START_S);
    }
    ck_assert_int_eq(spool_commit(spool, START_S), -ENOSPC);
    struct spool_state s = state();
    ck_assert_uint_gt(s.waiting, 0);
    ck_assert_uint_gt(s.last, 4000);
    ck_assert_uint_eq(s.last + s.waiting + s.given_up, 15000);
    mark("main", s.last); /* once they are stored there is room again */
    mark("office", s.last);
    commit(START_S);
    ck_assert_uint_eq(state().waiting, 0);
    uint64_t held, lost;
    walk(state().oldest, &held, &lost);
    ck_assert_uint_eq(lost, s.given_up);
}
END_TEST

START_TEST(a_boot_that_becomes_synchronised_says_by_how_much)
{
    spool_settle_clock(spool, 1000, 500, false);
    struct boot_stamp stamp = spool_stamp(spool, 2000, 1500);
    ck_assert(!stamp.synchronised);
    add(1, 1, stamp.heard_ms / 1000);
    commit(START_S);
    reopen();                                 /* the daemon, not the machine */
    stamp = spool_stamp(spool, 999000, 2500); /* the clock was set by hand meanwhile */
    ck_assert_int_eq(stamp.heard_ms, 3000);
    spool_settle_clock(spool, START_S * 1000 + 4000, 4000, true);
    commit(START_S);
    struct feed_row row = row_at(2);
    ck_assert_int_eq(row.kind, FEED_ROW_CLOCK);
    ck_assert_str_eq(row.clock.boot, BOOT);
    ck_assert_int_eq(row.clock.offset_ms, START_S * 1000 - 500);
    reopen();
    spool_settle_clock(spool, START_S * 1000 + 5000, 5000, true);
    ck_assert_uint_eq(state().waiting, 0); /* once */
}
END_TEST

START_TEST(a_damaged_spool_is_set_aside_and_its_counters_saved)
{
    struct verify_table *table = table_of(5);
    char id[FEED_ID_SIZE], aside[160];
    struct stat file;
    for (uint32_t i = 1; i <= 3000; i++) {
        struct record record = frame(5, i, 1, START_S);
        record.frame.key_check = verify_table_at(table, 0)->keys.key_check;
        spool_add(spool, &record, START_S);
        if (i % 500 == 0)
            commit(START_S);
    }
    memcpy(id, state().id, sizeof id);
    spool_close(spool);
    spool = NULL;
    /* A checkpoint, then nonsense in the middle of the rows. */
    execute("PRAGMA wal_checkpoint(TRUNCATE)");
    int fd = open(path, O_WRONLY);
    char nonsense[4096];
    memset(nonsense, 0x5A, sizeof nonsense);
    for (int page = 20; page < 30; page++)
        ck_assert_int_eq(pwrite(fd, nonsense, sizeof nonsense, page * 4096), 4096);
    close(fd);
    open_spool();
    ck_assert_str_ne(state().id, id);
    ck_assert_uint_eq(state().last, 1);
    snprintf(aside, sizeof aside, "%s.damaged-%lld", path, (long long)START_S);
    ck_assert_int_eq(stat(aside, &file), 0);
    ck_assert_int_eq(spool_load_counters(spool, table), 0);
    ck_assert_uint_eq(verify_table_at(table, 0)->counter.highest, 3000);
    verify_table_free(table);
}
END_TEST

/* The power failed when the new spool was whole and the damaged one was moved away already, its log not. */
START_TEST(a_set_aside_that_was_cut_short_is_ended)
{
    struct verify_table *table = table_of(5);
    char id[FEED_ID_SIZE], fresh[160], log[160], log_aside[200];
    struct record record = frame(5, 7, 1, START_S);
    record.frame.key_check = verify_table_at(table, 0)->keys.key_check;
    spool_add(spool, &record, START_S);
    commit(START_S);
    memcpy(id, state().id, sizeof id);
    spool_close(spool);
    spool = NULL;
    execute("PRAGMA wal_checkpoint(TRUNCATE)");
    snprintf(fresh, sizeof fresh, "%s.new", path);
    snprintf(log, sizeof log, "%s-wal", path);
    snprintf(log_aside, sizeof log_aside, "%s.damaged-%lld-wal", path, (long long)START_S);
    ck_assert_int_eq(rename(path, fresh), 0);
    FILE *file = fopen(log, "w");
    fputs("of the damaged one", file);
    fclose(file);
    open_spool();
    ck_assert_str_eq(state().id, id);
    ck_assert_int_eq(access(fresh, F_OK), -1);
    ck_assert_int_eq(access(log_aside, F_OK), 0);
    ck_assert_int_eq(spool_load_counters(spool, table), 0);
    ck_assert_uint_eq(verify_table_at(table, 0)->counter.highest, 7);
    verify_table_free(table);
}
END_TEST

START_TEST(a_new_id_publishes_what_is_held_again)
{
    for (uint32_t i = 1; i <= 5; i++)
        add(1, i, START_S);
    commit(START_S);
    mark("main", 5);
    commit(START_S);
    char id[FEED_ID_SIZE];
    memcpy(id, state().id, sizeof id);
    ck_assert_int_eq(spool_renew(spool), 0);
    ck_assert_str_ne(state().id, id);
    ck_assert_uint_eq(spool_collector_mark(spool, 0), 0);
    ck_assert_str_eq(row_at(1).spool, state().id);
    reopen(); /* at once: nothing else need be written for it to hold */
    ck_assert_str_ne(state().id, id);
    ck_assert_uint_eq(spool_collector_mark(spool, 0), 0);
}
END_TEST

/* Every operation of the disk fails in its turn, once and for good: nothing that was committed is lost,
 * nothing is there twice, and what waited is written when the disk works again. */
static void survive_fault(unsigned nth, bool for_good, bool *struck)
{
    for (uint32_t i = 1; i <= 40; i++)
        add(1 + i % 3, i, START_S + i);
    commit(START_S);
    uint64_t before = state().last;
    for (uint32_t i = 41; i <= 300; i++)
        add(1 + i % 3, i, START_S + i);
    faulty_disk_arm(nth, for_good);
    int error = spool_commit(spool, START_S);
    *struck = faulty_disk_struck();
    if (error != 0) {
        ck_assert(*struck);
        ck_assert_uint_eq(state().last, before);
        ck_assert_uint_eq(state().waiting, 260);
    }
    faulty_disk_arm(0, false);
    commit(START_S);
    ck_assert_uint_eq(state().last, 300);
    ck_assert_uint_eq(row_at(300).frame.fcnt, 300);
    reopen();
    uint64_t held, lost;
    walk(1, &held, &lost);
    ck_assert_uint_eq(held, 300);
    ck_assert_uint_eq(lost, 0);
    for (uint32_t i = 1; i <= 300; i++)
        ck_assert_uint_eq(row_at(i).frame.fcnt, i);
}

START_TEST(every_fault_of_the_disk_is_survived)
{
    bool struck = true;
    unsigned nth = 1;
    for (; struck && nth < 200; nth++) {
        survive_fault(nth, _i == 1, &struck);
        teardown();
        setup();
    }
    ck_assert_uint_gt(nth, 10); /* a commit has more than ten operations */
    ck_assert_uint_lt(nth, 200);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("spool");
    TCase *tests = tcase_create("spool");
    tcase_set_timeout(tests, 150);
    faulty_disk_install();
    tcase_add_checked_fixture(tests, setup, teardown);
    tcase_add_test(tests, nothing_is_readable_before_the_commit);
    tcase_add_test(tests, rows_and_numbers_outlive_a_restart);
    tcase_add_test(tests, the_chain_holds_in_the_file);
    tcase_add_test(tests, counters_come_back_with_the_frames_before_them);
    tcase_add_test(tests, marks_are_checked_before_they_are_believed);
    tcase_add_test(tests, forgets_only_what_all_have_stored_and_history_is_over_for);
    tcase_add_test(tests, a_full_spool_is_thinned_and_every_loss_is_told);
    tcase_add_test(tests, history_goes_before_anything_is_thinned);
    tcase_add_test(tests, more_series_than_fit_stay_in_memory_and_nothing_crashes);
    tcase_add_test(tests, a_boot_that_becomes_synchronised_says_by_how_much);
    tcase_add_test(tests, a_damaged_spool_is_set_aside_and_its_counters_saved);
    tcase_add_test(tests, a_set_aside_that_was_cut_short_is_ended);
    tcase_add_test(tests, a_new_id_publishes_what_is_held_again);
    tcase_add_loop_test(tests, every_fault_of_the_disk_is_survived, 0, 2);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
