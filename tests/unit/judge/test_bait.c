/* Which reason comes first, and what is said of a trap. */
#include <check.h>
#include <math.h>
#include <string.h>

#include "collector/judge/bait.h"
#include "protocol/air/report.h"
#include "tests/suite.h"

enum { DAY_S = 86400 };
static const int64_t NOW_S = 1786000000;

static struct level_trace trace;
static struct level_block block;
static struct bait_facts facts;
static struct bait_limits limits;
static struct bait_verdict verdict;
static struct why why;

static void setup(void)
{
    trace = (struct level_trace){.fresh_s = NOW_S - 1 * DAY_S,
                                 .emptied_s = NOW_S - 1 * DAY_S,
                                 .heard_from_s = NOW_S - 10 * DAY_S,
                                 .rate = 0.5,
                                 .rate_spread = 0.03,
                                 .own_rate = 0.5,
                                 .own_days = 6,
                                 .level_mm = 80,
                                 .level_spread_mm = 0.2,
                                 .level_s = NOW_S};
    block = (struct level_block){.demand_mm_day = 4,
                                 .demand_spread = 0.15,
                                 .ahead_spread = {0.2, 0.2},
                                 .rate = 0.5,
                                 .rate_spread = 0.1,
                                 .lost_mm_day = 2};
    facts = (struct bait_facts){.trace = &trace,
                                .block = &block,
                                .heard_s = NOW_S - 300,
                                .level_mm = 80,
                                .battery_mv = 2900,
                                .net_since_emptied = 5,
                                .net_per_day = 2};
    limits = (struct bait_limits){
        .full_mm = 90, .low_mm = 40, .age_days = 7, .insects = 75, .due_ahead_days = 1.25};
}

static void judge(void)
{
    why.count = 0;
    bait_judge(&limits, &facts, NOW_S, &verdict, &why);
}

static bool says(const char *name)
{
    for (size_t i = 0; i < why.count; i++)
        if (strcmp(why.figures[i].name, name) == 0)
            return true;
    return false;
}

START_TEST(a_good_trap_waits_for_its_age)
{
    judge();
    ck_assert_int_eq(verdict.condition, FEED_TRAP_WORKING);
    ck_assert_int_eq(verdict.reason, FEED_REASON_BAIT_AGE);
    ck_assert_int_eq(verdict.by_s, NOW_S + 6 * DAY_S);
    ck_assert(says("bait age") && says("loss expected") && says("low mark"));
}
END_TEST

/* 6 mm above the mark at 2 mm a day: three days, and an interval around it. */
START_TEST(low_level_comes_first_when_it_is)
{
    trace.level_mm = 46;
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_LOW_LEVEL);
    ck_assert_int_eq(verdict.by_s / 3600, (NOW_S + 3 * DAY_S) / 3600);
    ck_assert(verdict.from_s < verdict.by_s && verdict.by_s < verdict.until_s);
    ck_assert(verdict.from_s > NOW_S + 2 * DAY_S && verdict.until_s < NOW_S + 5 * DAY_S);
    ck_assert_int_eq(verdict.condition, FEED_TRAP_WORKING);
}
END_TEST

START_TEST(the_early_end_makes_it_due)
{
    trace.level_mm = 43; /* median a day and a half away */
    judge();
    ck_assert(verdict.by_s > NOW_S + (int64_t)(1.25 * DAY_S));
    ck_assert_int_eq(verdict.condition, FEED_TRAP_DUE);
    ck_assert_double_eq(verdict.bring_l, 0.5);
}
END_TEST

START_TEST(below_the_mark_it_has_failed)
{
    trace.level_mm = 39;
    judge();
    ck_assert_int_eq(verdict.condition, FEED_TRAP_FAILED);
    ck_assert_int_eq(verdict.reason, FEED_REASON_LOW_LEVEL);
}
END_TEST

/* The level is carried on while nothing is heard. */
START_TEST(an_old_level_is_carried_to_now)
{
    trace.level_s = NOW_S - 2 * DAY_S;
    judge();
    ck_assert_double_eq_tol(verdict.level_mm, 76, 0.01);
}
END_TEST

START_TEST(loss_below_the_noise_gives_no_date)
{
    trace.level_mm = 41;
    trace.unlimited = true;
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_BAIT_AGE);
    ck_assert_int_eq(verdict.by_s, NOW_S + 6 * DAY_S);
}
END_TEST

START_TEST(many_insects_need_a_visit)
{
    facts.net_since_emptied = 80;
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_INSECT_LOAD);
    ck_assert_int_eq(verdict.condition, FEED_TRAP_DUE);
    facts.net_since_emptied = 160;
    judge();
    ck_assert_int_eq(verdict.condition, FEED_TRAP_FAILED);
    facts.net_since_emptied = 55;
    facts.net_per_day = 10; /* two days away */
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_INSECT_LOAD);
    ck_assert_int_eq(verdict.by_s, NOW_S + 2 * DAY_S);
    ck_assert(verdict.from_s < verdict.by_s && verdict.until_s > verdict.by_s);
}
END_TEST

START_TEST(rain_dilutes_and_overfills)
{
    trace.rain_mm = 25;
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_DILUTED);
    trace.rain_mm = 10;
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_BAIT_AGE);
    trace.level_mm = 94; /* four above; two and a half are gone before the next round */
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_BAIT_AGE);
    trace.level_mm = 96;
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_OVERFULL);
    ck_assert_int_eq(verdict.condition, FEED_TRAP_FAILED);
    trace.foam = true; /* fresh bait foams: the sensor reads high */
    trace.rain_mm = 0;
    judge();
    ck_assert_int_eq(verdict.condition, FEED_TRAP_WORKING);
}
END_TEST

START_TEST(old_bait_without_a_record_says_at_least)
{
    trace.fresh_s = 0;
    judge();
    ck_assert(verdict.age_is_least);
    ck_assert_double_eq_tol(verdict.age_days, 10, 1e-9);
    ck_assert_int_eq(verdict.condition, FEED_TRAP_DUE);
}
END_TEST

START_TEST(faults_are_named)
{
    facts.tilted = true;
    judge();
    ck_assert_int_eq(verdict.condition, FEED_TRAP_FAILED);
    ck_assert_int_eq(verdict.reason, FEED_REASON_TILTED);
    facts.tilted = false;
    facts.battery_mv = 2100;
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_BATTERY);
    ck_assert_double_eq(verdict.bring_l, 0);
    facts.battery_mv = AIR_BATTERY_UNKNOWN;
    trace.stuck = true;
    trace.level_mm = 20;
    judge();
    ck_assert_int_eq(verdict.reason, FEED_REASON_SENSOR_FAULT);
    ck_assert(isnan(verdict.level_mm));
}
END_TEST

START_TEST(silent_and_new)
{
    facts.silent = true;
    judge();
    ck_assert_int_eq(verdict.condition, FEED_TRAP_SILENT);
    facts.heard_s = 0;
    judge();
    ck_assert_int_eq(verdict.condition, FEED_TRAP_NEW);
}
END_TEST

START_TEST(nothing_known_is_no_trap_for_arithmetic)
{
    trace = (struct level_trace){.rate = NAN, .rate_spread = NAN, .own_rate = NAN, .level_mm = NAN};
    block.rate = block.rate_spread = block.lost_mm_day = NAN;
    facts.level_mm = facts.net_per_day = NAN;
    facts.net_since_emptied = -1;
    facts.battery_mv = AIR_BATTERY_UNKNOWN;
    judge();
    ck_assert_int_eq(verdict.condition, FEED_TRAP_WORKING);
    ck_assert_int_eq(verdict.reason, FEED_REASON_NONE);
    ck_assert_int_eq(verdict.by_s, 0);
    ck_assert(isnan(verdict.age_days));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("judge_bait");
    TCase *tests = tcase_create("all");
    tcase_add_checked_fixture(tests, setup, NULL);
    tcase_add_test(tests, a_good_trap_waits_for_its_age);
    tcase_add_test(tests, low_level_comes_first_when_it_is);
    tcase_add_test(tests, the_early_end_makes_it_due);
    tcase_add_test(tests, below_the_mark_it_has_failed);
    tcase_add_test(tests, an_old_level_is_carried_to_now);
    tcase_add_test(tests, loss_below_the_noise_gives_no_date);
    tcase_add_test(tests, many_insects_need_a_visit);
    tcase_add_test(tests, rain_dilutes_and_overfills);
    tcase_add_test(tests, old_bait_without_a_record_says_at_least);
    tcase_add_test(tests, faults_are_named);
    tcase_add_test(tests, silent_and_new);
    tcase_add_test(tests, nothing_known_is_no_trap_for_arithmetic);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
