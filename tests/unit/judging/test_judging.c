/* From reports in the store to messages owed, over pretend weeks. */
#include <check.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "tests/suite.h"
#include "vineyard.h"

enum { HOUR = 3600, DAY = 86400 };

/* The sanitizers make traps dear, and see in few of them what they would see in many. */
#ifdef __SANITIZE_ADDRESS__
enum { REOPENED_EACH = 10, MEASURED_EACH = 5 };
#else
enum { REOPENED_EACH = 30, MEASURED_EACH = 50 };
#endif

static struct vineyard v;

static void teardown(void)
{
    vineyard_close(&v);
}

START_TEST(a_first_run_is_kind)
{
    vineyard_open(&v, 1, 6);
    ck_assert_int_eq(judging_run(v.judging, v.now_s), 0);
    ck_assert_uint_eq(judging_trap_count(v.judging), 6);
    struct judging_trap trap = vineyard_trap_named(&v, "T-0001");
    ck_assert_int_eq(trap.state.condition, FEED_TRAP_NEW);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice"), 0);
    ck_assert_int_eq(judging_trap_named(v.judging, "nothing", &trap), -ENOENT);
}
END_TEST

/* Fresh bait on day 0: the level lasts, so age drives the visit, told in the morning before it is due, closed after. */
START_TEST(a_week_and_the_morning_message)
{
    vineyard_open(&v, 2, 8);
    for (size_t i = 0; i < v.trap_count; i++)
        v.traps[i].mm_day = 0.8;
    vineyard_live(&v, HOUR);
    vineyard_fill_all(&v);
    vineyard_live(&v, 5 * DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM outbox"), 0);
    vineyard_live(&v, 2 * DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 0"), 2);
    /* One letter for both blocks. */
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM outbox"), 1);
    ck_assert_int_eq(vineyard_mails(&v, "Subject: Demo vineyard: 16 traps to visit today"), 1);
    ck_assert_int_eq(vineyard_mails(&v, "Take 8.0 litres"), 1);
    /* At six in the morning, local time (UTC - 7). */
    ck_assert_int_eq(vineyard_count(&v, "SELECT min(made_s) % 86400 FROM outbox"), 13 * HOUR);
    ck_assert_int_eq(vineyard_trap_named(&v, "T-0001").state.reason, FEED_REASON_BAIT_AGE);
    for (size_t i = 0; i < 8; i++)
        vineyard_fill(&v, i, 90, true);
    vineyard_live(&v, DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM outbox"), 2);
    ck_assert_int_eq(vineyard_mails(&v, "Subject: Demo vineyard: 8 traps to visit"), 1);
    ck_assert_int_eq(vineyard_mails(&v, "DONE SINCE THE LAST LETTER"), 1);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE open = 1"), 1);
    ck_assert_int_eq(vineyard_trap_named(&v, "T-0001").state.condition, FEED_TRAP_WORKING);
}
END_TEST

/* A refill that nobody recorded raises the level and leaves the age as it is. */
START_TEST(an_unrecorded_refill_does_not_renew)
{
    vineyard_open(&v, 1, 8);
    vineyard_live(&v, HOUR);
    vineyard_fill_all(&v);
    vineyard_live(&v, 4 * DAY);
    vineyard_fill(&v, 3, 90, false);
    vineyard_live(&v, 12 * HOUR);
    struct judging_trap trap = vineyard_trap_named(&v, "T-0004");
    ck_assert(trap.state.bait_age_days > 4);
    ck_assert(trap.state.level_mm > 87);
}
END_TEST

/* A person's word: topped up fills, but the bait keeps its age; replaced renews it. */
START_TEST(a_word_counts)
{
    vineyard_open(&v, 1, 8);
    vineyard_live(&v, 3 * DAY);
    char sql[300];
    snprintf(sql, sizeof(sql),
             "INSERT INTO visit (at_s, trap, action, by_whom, entered_s) VALUES"
             " (%ld, 'T-0001', 'replaced', 'test', 0), (%ld, 'T-0002', 'topped up', 'test', 0)",
             (long)v.now_s, (long)v.now_s);
    ck_assert_int_eq(sqlite3_exec(v.db, sql, NULL, NULL, NULL), SQLITE_OK);
    v.traps[0].level_mm = v.traps[1].level_mm = 90;
    vineyard_live(&v, DAY);
    ck_assert_double_eq_tol(vineyard_trap_named(&v, "T-0001").state.bait_age_days, 1, 0.05);
    ck_assert(vineyard_trap_named(&v, "T-0002").state.bait_age_days > 3.5);
    ck_assert_int_gt(vineyard_trap_named(&v, "T-0002").state.last_visit_ms, 0);
    /* It was another trap: the word is taken back while the collector runs. */
    ck_assert_int_eq(sqlite3_exec(v.db,
                                  "INSERT INTO withdrawn SELECT 1, 'visit', id, 'test', 0 FROM "
                                  "visit WHERE trap = 'T-0001'",
                                  NULL, NULL, NULL),
                     SQLITE_OK);
    vineyard_live(&v, HOUR);
    ck_assert(vineyard_trap_named(&v, "T-0001").state.bait_age_days > 3.5);
    vineyard_reopen(&v);
    vineyard_live(&v, HOUR);
    ck_assert(vineyard_trap_named(&v, "T-0001").state.bait_age_days > 3.5);
}
END_TEST

START_TEST(a_fallen_trap_is_told_by_day)
{
    vineyard_open(&v, 1, 8);
    vineyard_live(&v, HOUR);
    vineyard_fill_all(&v);
    vineyard_live(&v, 2 * DAY + 17 * HOUR); /* 11 in the morning */
    v.traps[2].flags = AIR_FLAG_TILT;
    vineyard_live(&v, 2 * HOUR);
    ck_assert_int_eq(vineyard_trap_named(&v, "T-0003").state.reason, FEED_REASON_TILTED);
    ck_assert_int_eq(vineyard_mails(&v, "Subject: North block: 1 of 1 trap to visit not working"),
                     1);
}
END_TEST

/* The figures in memory and those made anew from the store say the same. */
START_TEST(reopening_changes_nothing)
{
    vineyard_open(&v, 2, REOPENED_EACH);
    for (int day = 0; day < 12; day++) {
        for (size_t i = 0; i < v.trap_count; i++)
            if ((int)i % 6 == day % 6)
                vineyard_fill(&v, i, 90, vineyard_uniform(&v) > 0.2);
        vineyard_live(&v, DAY);
    }
    static struct judging_trap before[2 * REOPENED_EACH];
    for (size_t i = 0; i < 2 * REOPENED_EACH; i++)
        ck_assert_int_eq(judging_trap_at(v.judging, i, &before[i]), 0);
    int64_t owed = vineyard_count(&v, "SELECT count(*) FROM outbox");
    int64_t notices = vineyard_count(&v, "SELECT count(*) FROM notice");
    vineyard_reopen(&v);
    ck_assert_int_eq(judging_run(v.judging, v.now_s), 0);
    for (size_t i = 0; i < 2 * REOPENED_EACH; i++) {
        struct judging_trap after;
        ck_assert_int_eq(judging_trap_at(v.judging, i, &after), 0);
        ck_assert_int_eq(after.state.condition, before[i].state.condition);
        ck_assert_int_eq(after.state.reason, before[i].state.reason);
        ck_assert_int_eq(after.state.last_visit_ms, before[i].state.last_visit_ms);
        /* Which of two nearly equal laws a block follows depends on the days before. */
        ck_assert_double_eq_tol(after.state.level_mm, before[i].state.level_mm, 0.5);
        ck_assert_int_eq(after.state.passes_since_emptied, before[i].state.passes_since_emptied);
    }
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM outbox"), owed);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice"), notices);
}
END_TEST

/* What is owed and what opened it commit together or not at all. */
START_TEST(a_store_that_refuses_loses_nothing)
{
    vineyard_open(&v, 1, 8);
    vineyard_live(&v, 3 * DAY);
    v.traps[4].dead = true;
    ck_assert_int_eq(sqlite3_exec(v.db,
                                  "CREATE TRIGGER full BEFORE INSERT ON outbox BEGIN"
                                  " SELECT RAISE(ABORT, 'disk full'); END",
                                  NULL, NULL, NULL),
                     SQLITE_OK);
    int failed = 0;
    for (int i = 0; i < 96 * 2; i++) {
        vineyard_step(&v);
        failed += judging_run(v.judging, v.now_s) < 0;
    }
    ck_assert_int_gt(failed, 10);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE revision > 0"), 0);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM outbox"), 0);
    ck_assert_int_eq(sqlite3_exec(v.db, "DROP TRIGGER full", NULL, NULL, NULL), SQLITE_OK);
    vineyard_live(&v, DAY);
    ck_assert_int_ge(vineyard_mails(&v, "1 SILENT STATION"), 1);
}
END_TEST

START_TEST(acknowledged_it_is_not_repeated)
{
    vineyard_open(&v, 1, 8);
    vineyard_live(&v, 3 * DAY);
    v.traps[4].dead = true;
    vineyard_live(&v, DAY);
    int64_t id = vineyard_count(&v, "SELECT id FROM notice WHERE kind = 1");
    ck_assert_int_eq(judging_acknowledge(v.db, id, v.now_s), 0);
    ck_assert_int_eq(judging_acknowledge(v.db, id + 1000, v.now_s), -ENOENT);
    vineyard_live(&v, 3 * DAY);
    ck_assert_int_eq(vineyard_mails(&v, "1 SILENT STATION"), 1);
}
END_TEST

/* The notice's retained state is said when it opens and removed when it closes; after a lost connection all is said. */
START_TEST(the_feed_follows)
{
    vineyard_open(&v, 1, 8);
    vineyard_live(&v, 3 * DAY);
    v.traps[4].dead = true;
    vineyard_live(&v, DAY);
    ck_assert_uint_ge(v.notices_said, 1);
    ck_assert(v.last_notice.open);
    ck_assert_str_eq(v.last_notice.subject, "block0");
    ck_assert_str_eq(v.last_notice.title, "North block: no word from station T-0005");
    ck_assert(judging_notice_open(v.judging, v.last_notice.notice));
    ck_assert(!judging_notice_open(v.judging, "n-009999")); /* of a lost store */
    ck_assert(!judging_notice_open(v.judging, "nonsense"));
    v.notices_said = v.traps_said = v.blocks_said = 0;
    judging_say_all(v.judging);
    ck_assert_uint_eq(v.traps_said, 8);
    ck_assert_uint_eq(v.blocks_said, 1);
    ck_assert_uint_ge(v.notices_said, 1);
    v.traps[4].dead = false;
    vineyard_live(&v, DAY);
    ck_assert(!v.last_notice.open);
    ck_assert(!judging_notice_open(v.judging, v.last_notice.notice));
}
END_TEST

START_TEST(fallbacks_are_owed_asleep)
{
    vineyard_open(&v, 1, 8);
    v.site.mail_count = 3;
    v.site.mails[1] = v.site.mails[2] = v.site.mails[0];
    v.site.mails[1].name = "crew";
    v.site.mails[1].fallback = true;
    v.site.mails[2].name = "urgent";
    v.site.mails[2].urgent_only = true;
    vineyard_live(&v, 3 * DAY);
    v.traps[4].dead = true;
    vineyard_live(&v, DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM outbox WHERE delivery = 'crew'"
                                        " AND next_s = 9223372036854775807"),
                     vineyard_count(&v, "SELECT count(*) FROM outbox WHERE delivery = 'manager'"));
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM outbox WHERE delivery = 'urgent'"),
                     0);
    judging_condition(v.judging, FEED_NOTICE_COLLECTOR, "site", "disk", true, "the disk is full");
    vineyard_live(&v, HOUR);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM outbox WHERE delivery = 'urgent'"),
                     1);
    ck_assert_int_eq(vineyard_mails(&v, "Demo vineyard: the collector needs help"), 3);
}
END_TEST

static void count_by_hand(size_t trap, const char *at, int paper_wasps, int honey_bees)
{
    char sql[600];
    snprintf(sql, sizeof(sql),
             "INSERT INTO visit (at_s, trap, action, by_whom, entered_s) VALUES (%s, 'T-%04zu',"
             " 'emptied', 'test', 0);"
             "INSERT INTO hand_count (visit, kind, count) SELECT max(id), 'paper wasps', %d FROM "
             "visit;"
             "INSERT INTO hand_count (visit, kind, count) SELECT max(id), 'honey bees', %d FROM "
             "visit",
             at, trap + 1, paper_wasps, honey_bees);
    ck_assert_int_eq(sqlite3_exec(v.db, sql, NULL, NULL, NULL), SQLITE_OK);
}

/* trap_day is made by the store; here by hand, from what the stations counted. */
static void write_days(double a_day)
{
    int64_t midnight_s = (v.now_s - 7 * HOUR) / DAY * DAY + 7 * HOUR; /* UTC - 7 */
    for (int day = 1; day <= 21; day++)
        for (size_t i = 0; i < v.trap_count; i++) {
            char sql[300];
            double passes =
                a_day * (0.6 + 0.1 * (double)(i % 9)) + (double)((day * 7 + (int)i) % 3);
            snprintf(sql, sizeof(sql),
                     "INSERT OR REPLACE INTO trap_day (day_s, trap, entries, exits, counted_s)"
                     " VALUES (%ld, 'T-%04zu', %.0f, 0, 86400)",
                     (long)(midnight_s - day * DAY), i + 1, passes);
            ck_assert_int_eq(sqlite3_exec(v.db, sql, NULL, NULL, NULL), SQLITE_OK);
        }
}

static struct feed_block_state block_of(size_t index)
{
    struct feed_block_state state;
    ck_assert_int_eq(judging_block_at(v.judging, index, &state), 0);
    return state;
}

/* Without hand counts an index, whatever the level; counted emptied to emptied, a catch with a wider interval,
 * an action level, and bees with a notice of their own. */
START_TEST(hand_counts_make_a_catch_of_passes)
{
    vineyard_open(&v, 2, 20);
    v.site.action_level = 4;
    for (size_t i = 0; i < v.trap_count; i++)
        v.traps[i].catch_day = 12;
    vineyard_live(&v, HOUR);
    vineyard_fill_all(&v);
    vineyard_live(&v, 4 * DAY);
    write_days(12);
    vineyard_live(&v, HOUR);
    struct feed_block_state index = block_of(0);
    ck_assert(!index.week_calibrated);
    ck_assert_double_eq_tol(index.week_per_trap_day, 12.4, 1.5);
    ck_assert(index.week_low < index.week_per_trap_day &&
              index.week_high > index.week_per_trap_day);
    ck_assert_int_eq(index.week_change, FEED_CHANGE_SAME);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind >= 6"), 0);
    char at[32];
    snprintf(at, sizeof(at), "%ld", (long)v.now_s);
    for (size_t i = 0; i < 8; i++)
        count_by_hand(i, at, 24, 5);
    vineyard_live(&v, HOUR);
    struct feed_block_state catch = block_of(0);
    ck_assert(catch.week_calibrated);
    /* Some 48 passes and 24 wasps since the filling: half a wasp a pass. */
    ck_assert_double_eq_tol(catch.week_per_trap_day / index.week_per_trap_day, 0.5, 0.15);
    ck_assert(catch.week_high / catch.week_per_trap_day >
              index.week_high / index.week_per_trap_day);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 6"), 2);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 7"), 1);
    vineyard_live(&v, DAY);
    ck_assert_int_ge(vineyard_mails(&v, "honey bees lay in the traps"), 1);
    ck_assert_int_ge(vineyard_mails(&v, "Look at the fruit within a day"), 1);
    struct why why;
    ck_assert_int_eq(judging_block_why(v.judging, "block0", &catch, &why), 0);
    ck_assert_uint_gt(why.count, 15);
    ck_assert_uint_lt(why.count, WHY_FIGURES_MAX);
    ck_assert_int_eq(judging_block_why(v.judging, "nothing", &catch, &why), -ENOENT);
}
END_TEST

/* What is said of the week comes once a week, on Monday. */
START_TEST(the_weeks_catch_comes_on_monday)
{
    vineyard_open(&v, 1, 20);
    vineyard_live(&v, HOUR);
    vineyard_fill_all(&v);
    write_days(5);
    vineyard_live(&v, 8 * DAY);
    ck_assert_int_eq(vineyard_mails(&v, "CATCH OF THE LAST SEVEN DAYS"), 1);
    ck_assert_int_eq(vineyard_count(&v, "SELECT CAST(strftime('%w', made_s - 25200, 'unixepoch') AS"
                                        " INTEGER) FROM outbox WHERE CAST(bytes AS TEXT) LIKE"
                                        " '%CATCH OF%'"),
                     1);
}
END_TEST

static double cpu_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* A rehearsal judges 200 traps each simulated quarter of an hour, thousands of times a minute. */
START_TEST(a_run_is_cheap)
{
    vineyard_open(&v, 4, MEASURED_EACH);
    double spent_s = 0;
    int runs = 0;
    for (int i = 0; i < 96 * 8; i++) {
        if (i % 96 == 40)
            for (size_t k = 0; k < v.trap_count; k++)
                if ((int)k % 7 == i / 96 % 7)
                    vineyard_fill(&v, k, 90, true);
        vineyard_step(&v);
        double from_s = cpu_s();
        ck_assert_int_eq(judging_run(v.judging, v.now_s), 0);
        spent_s += i > 96 * 6 ? cpu_s() - from_s : 0;
        runs += i > 96 * 6;
    }
    double from_s = cpu_s();
    vineyard_reopen(&v);
    printf("%d traps: %.2f ms of CPU a run, %.2f s to read 8 days from the store\n",
           4 * MEASURED_EACH, 1000 * spent_s / runs, cpu_s() - from_s);
    ck_assert(spent_s / runs < 0.05);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("judging");
    TCase *tests = tcase_create("all");
    tcase_set_timeout(tests, 200);
    tcase_add_checked_fixture(tests, NULL, teardown);
    tcase_add_test(tests, a_first_run_is_kind);
    tcase_add_test(tests, a_week_and_the_morning_message);
    tcase_add_test(tests, an_unrecorded_refill_does_not_renew);
    tcase_add_test(tests, a_word_counts);
    tcase_add_test(tests, a_fallen_trap_is_told_by_day);
    tcase_add_test(tests, reopening_changes_nothing);
    tcase_add_test(tests, a_store_that_refuses_loses_nothing);
    tcase_add_test(tests, acknowledged_it_is_not_repeated);
    tcase_add_test(tests, the_feed_follows);
    tcase_add_test(tests, fallbacks_are_owed_asleep);
    tcase_add_test(tests, hand_counts_make_a_catch_of_passes);
    tcase_add_test(tests, the_weeks_catch_comes_on_monday);
    tcase_add_test(tests, a_run_is_cheap);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
