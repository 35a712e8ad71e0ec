/* When a gateway's refused frames are worth a message. */
#include <check.h>

#include "collector/judge/refusals.h"
#include "tests/suite.h"

enum { HOUR_S = 3600, DAY_S = 86400 };
static const int64_t NOW_S = 1786000000;

static struct refusals refusals;

static void forged(uint64_t count, int64_t after_s)
{
    const uint64_t counts[REFUSALS] = {[REFUSAL_FORGED] = count};
    refusals_note(&refusals, counts, NOW_S + after_s);
}

static uint64_t many(void)
{
    return refusals_many(&refusals, REFUSAL_FORGED);
}

static void setup(void)
{
    refusals = (struct refusals){0};
}

START_TEST(what_was_before_is_no_news)
{
    forged(5000, 0);
    forged(5000, 60);
    forged(5019, 120);
    ck_assert_uint_eq(many(), 0);
    forged(5020, 180);
    ck_assert_uint_eq(many(), 20);
    ck_assert_uint_eq(refusals_many(&refusals, REFUSAL_RESTARTED), 0);
}
END_TEST

/* Nineteen a day for ever are few; twenty are told of until a day and more has passed without. */
START_TEST(a_day_is_counted)
{
    forged(0, 0);
    for (int hour = 1; hour < 240; hour++) {
        forged((uint64_t)hour * 19 / 24, (int64_t)hour * HOUR_S);
        ck_assert_uint_eq(many(), 0);
    }
    uint64_t so_far = 239 * 19 / 24;
    forged(so_far + 20, 240 * HOUR_S);
    ck_assert_uint_ge(many(), 20);
    forged(so_far + 20, 241 * HOUR_S);
    forged(so_far + 20, 264 * HOUR_S);
    ck_assert_uint_ge(many(), 20);
    forged(so_far + 20, 289 * HOUR_S);
    ck_assert_uint_eq(many(), 0);
}
END_TEST

START_TEST(a_gateway_that_starts_again_counts_from_nothing)
{
    forged(100, 0);
    forged(110, 60);
    forged(9, 120);
    ck_assert_uint_eq(many(), 0);
    forged(10, 180);
    ck_assert_uint_eq(many(), 20);
}
END_TEST

START_TEST(days_without_a_message_say_nothing)
{
    forged(0, 0);
    forged(50, 60);
    forged(50, 3 * DAY_S);
    ck_assert_uint_eq(many(), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("refusals");
    TCase *tests = tcase_create("refusals");
    tcase_add_checked_fixture(tests, setup, NULL);
    tcase_add_test(tests, what_was_before_is_no_news);
    tcase_add_test(tests, a_day_is_counted);
    tcase_add_test(tests, a_gateway_that_starts_again_counts_from_nothing);
    tcase_add_test(tests, days_without_a_message_say_nothing);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
