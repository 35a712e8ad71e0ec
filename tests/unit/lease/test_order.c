/* Orders in the store: one at a time, and what a report says of them. */
#include <check.h>
#include <errno.h>
#include <string.h>

#include "collector/order/order.h"
#include "tests/suite.h"

enum { UNIT = 0x01A2B3C4, NOW = 1793000000, DAY = 86400 };

static sqlite3 *db;
static const struct air_order half_hour = {.kind = AIR_ORDER_INTERVAL, .interval_min = 30};

static void setup(void)
{
    ck_assert_int_eq(sqlite3_open(":memory:", &db), SQLITE_OK);
    ck_assert(!order_is_there(db));
    ck_assert_int_eq(order_open(db), 0);
    ck_assert(order_is_there(db));
}

static void teardown(void)
{
    sqlite3_close(db);
}

START_TEST(one_at_a_time)
{
    uint64_t first, second;
    struct order order;
    ck_assert_int_eq(order_latest(db, UNIT, &order), -ENOENT);
    ck_assert_int_eq(order_give(db, "N-1", UNIT, &half_hour, NOW, NOW + DAY, &first), 0);
    ck_assert_int_eq(order_give(db, "N-1", UNIT, &half_hour, NOW, NOW + DAY, &second), -EEXIST);
    ck_assert_int_eq(order_give(db, "N-2", UNIT + 1, &half_hour, NOW, NOW + DAY, &second), 0);
    ck_assert_int_eq(order_cancel(db, UNIT, NOW + 1, &order), 0);
    ck_assert_uint_eq(order.order.number, first);
    ck_assert_int_eq(order_cancel(db, UNIT, NOW + 1, &order), -ENOENT);
    ck_assert_int_eq(order_give(db, "N-1", UNIT, &half_hour, NOW, NOW + DAY, &second), 0);
    ck_assert_uint_gt(second, first);
}
END_TEST

/* What the operator took back meanwhile stays so. */
START_TEST(what_is_over_stays_over)
{
    uint64_t number;
    struct order order, cancelled;
    ck_assert_int_eq(order_give(db, "N-1", UNIT, &half_hour, NOW, NOW + DAY, &number), 0);
    ck_assert_int_eq(order_latest(db, UNIT, &order), 0);
    ck_assert_int_eq(order_cancel(db, UNIT, NOW, &cancelled), 0);
    order.state = ORDER_SENT;
    ck_assert_int_eq(order_set(db, &order), 0);
    ck_assert_int_eq(order_latest(db, UNIT, &order), 0);
    ck_assert_int_eq(order.state, ORDER_CANCELLED);
}
END_TEST

START_TEST(answers)
{
    struct order order = {
        .order.order = {.kind = AIR_ORDER_INTERVAL, .sequence = 2, .interval_min = 30},
        .state = ORDER_SENT,
        .sent_s = NOW};
    struct air_report report = {.order_sequence = 2, .order_answer = AIR_ANSWER_DONE};
    enum order_state state = ORDER_SENT;
    ck_assert(!order_answered(&order, &report, NOW - 1, &state)); /* of a time before it */
    ck_assert(order_answered(&order, &report, NOW, &state));
    ck_assert_int_eq(state, ORDER_DONE);
    report.order_answer = AIR_ANSWER_REFUSED;
    ck_assert(order_answered(&order, &report, NOW, &state));
    ck_assert_int_eq(state, ORDER_REFUSED);
    report.order_answer = AIR_ANSWER_UNKNOWN_ORDER;
    ck_assert(order_answered(&order, &report, NOW, &state));
    ck_assert_int_eq(state, ORDER_UNKNOWN);
    report.order_answer = AIR_ANSWER_NONE;
    ck_assert(!order_answered(&order, &report, NOW, &state));
    report = (struct air_report){.order_sequence = 1, .order_answer = AIR_ANSWER_DONE};
    ck_assert(!order_answered(&order, &report, NOW, &state));
    order.state = ORDER_WAITING;
    report.order_sequence = 2;
    ck_assert(!order_answered(&order, &report, NOW, &state));
}
END_TEST

static void count(void *user, const struct order *order)
{
    (void)order;
    ++*(unsigned *)user;
}

START_TEST(each)
{
    uint64_t number;
    unsigned seen = 0;
    struct order order;
    ck_assert_int_eq(order_give(db, "N-1", UNIT, &half_hour, NOW, NOW + DAY, &number), 0);
    ck_assert_int_eq(order_cancel(db, UNIT, NOW + 10, &order), 0);
    ck_assert_int_eq(order_give(db, "N-1", UNIT, &half_hour, NOW, NOW + DAY, &number), 0);
    ck_assert_int_eq(order_each(db, NOW + 11, count, &seen), 0);
    ck_assert_uint_eq(seen, 1);
    ck_assert_int_eq(order_each(db, NOW, count, &seen), 0);
    ck_assert_uint_eq(seen, 3);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("order");
    TCase *all = tcase_create("all");
    tcase_add_checked_fixture(all, setup, teardown);
    tcase_add_test(all, one_at_a_time);
    tcase_add_test(all, what_is_over_stays_over);
    tcase_add_test(all, answers);
    tcase_add_test(all, each);
    suite_add_tcase(suite, all);
    return suite_run(suite);
}
