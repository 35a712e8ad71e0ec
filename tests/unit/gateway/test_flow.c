#include <check.h>

#include "gateway/publish/flow.h"
#include "tests/suite.h"

static struct flow flow;

static unsigned drain(uint64_t last, int64_t now_us)
{
    unsigned sent = 0;
    for (uint64_t n; (n = flow_next(&flow, last)) != 0; sent++)
        flow_sent(&flow, n, n, now_us);
    return sent;
}

START_TEST(the_window_bounds_what_is_in_flight)
{
    flow_start(&flow, 1, 10);
    ck_assert_uint_eq(drain(100, 0), 10);
    ck_assert_uint_eq(flow_next(&flow, 100), 0);
    flow_marked(&flow, 0, 4, 1);
    ck_assert_uint_eq(flow_next(&flow, 100), 11);
    ck_assert_uint_eq(drain(100, 1), 4);
    flow_marked(&flow, 0, 14, 2);
    ck_assert_uint_eq(drain(16, 2), 2);
}
END_TEST

START_TEST(without_progress_it_goes_back_ever_more_slowly)
{
    flow_start(&flow, 1, 10);
    drain(5, 100);
    int64_t due_us = flow_due_us(&flow);
    ck_assert_int_eq(due_us, 100 + FLOW_PATIENCE_US);
    flow_tick(&flow, due_us - 1);
    ck_assert_uint_eq(flow_next(&flow, 5), 0);
    flow_tick(&flow, due_us);
    ck_assert_uint_eq(flow_next(&flow, 5), 1);
    drain(5, due_us);
    ck_assert_int_eq(flow_due_us(&flow), due_us + 2 * FLOW_PATIENCE_US);
    for (int i = 0; i < 50; i++) {
        due_us = flow_due_us(&flow);
        flow_tick(&flow, due_us);
        drain(5, due_us);
    }
    ck_assert_int_eq(flow_due_us(&flow) - due_us, FLOW_PATIENCE_MAX_US);
    flow_marked(&flow, 0, 5, due_us);
    ck_assert_int_eq(flow_due_us(&flow), INT64_MAX);
    drain(6, due_us);
    ck_assert_int_eq(flow_due_us(&flow), due_us + FLOW_PATIENCE_US);
}
END_TEST

START_TEST(a_mark_that_has_not_moved_means_go_on_from_here_once)
{
    flow_start(&flow, 1, 10);
    drain(5, 0);
    flow_marked(&flow, 0, 2, 1);
    ck_assert_uint_eq(flow_next(&flow, 5), 0); /* 3 to 5 are on their way */
    flow_marked(&flow, 0, 2, 2);
    ck_assert_uint_eq(flow_next(&flow, 5), 3);
    drain(5, 2);
    flow_marked(&flow, 0, 2, 3);
    ck_assert_uint_eq(flow_next(&flow, 5), 0);
    flow_marked(&flow, 0, 3, 4);
    flow_marked(&flow, 0, 3, 5);
    ck_assert_uint_eq(flow_next(&flow, 5), 4);
}
END_TEST

START_TEST(a_new_store_goes_back_to_the_beginning)
{
    flow_start(&flow, 1, 10);
    flow_set(&flow, 0, 50);
    ck_assert_uint_eq(flow_next(&flow, 60), 51);
    drain(60, 0);
    flow_marked(&flow, 0, 0, 1);
    ck_assert_uint_eq(flow_next(&flow, 60), 1);
}
END_TEST

START_TEST(a_connection_goes_back_to_the_mark)
{
    flow_start(&flow, 1, 10);
    flow_set(&flow, 0, 7);
    drain(12, 0);
    flow_connected(&flow);
    ck_assert_uint_eq(flow_next(&flow, 12), 8);
}
END_TEST

START_TEST(a_connection_gives_back_all_patience)
{
    flow_start(&flow, 1, 10);
    drain(5, 0);
    flow_tick(&flow, FLOW_PATIENCE_US);
    flow_connected(&flow);
    drain(5, FLOW_PATIENCE_US + 7);
    ck_assert_int_eq(flow_due_us(&flow), 2 * FLOW_PATIENCE_US + 7);
}
END_TEST

/* Patience runs from the last progress, not from the last row; the first to lose it is next. */
START_TEST(whoever_is_silent_longest_is_due_first)
{
    flow_start(&flow, 2, 10);
    drain(5, 0);
    drain(6, 4000000);
    ck_assert_int_eq(flow_due_us(&flow), FLOW_PATIENCE_US);
    flow_marked(&flow, 1, 2, 5000000);
    ck_assert_int_eq(flow_due_us(&flow), FLOW_PATIENCE_US);
    flow_marked(&flow, 0, 2, 6000000);
    ck_assert_int_eq(flow_due_us(&flow), 5000000 + FLOW_PATIENCE_US);
    flow_tick(&flow, flow_due_us(&flow));
    ck_assert_uint_eq(flow_next(&flow, 6), 3);
    ck_assert_uint_eq(flow.peers[0].next, 7);
}
END_TEST

/* It has more than this run of the gateway has published. */
START_TEST(a_mark_ahead_is_taken_as_it_is)
{
    flow_start(&flow, 1, 10);
    flow_marked(&flow, 0, 7, 0);
    ck_assert_uint_eq(flow_next(&flow, 20), 8);
}
END_TEST

/* One is far ahead: what goes out for the other moves it neither back nor forth. */
START_TEST(a_row_moves_only_who_waits_for_it)
{
    flow_start(&flow, 2, 10);
    drain(10, 0);
    flow_marked(&flow, 0, 10, 0);
    drain(20, 0);
    flow_marked(&flow, 0, 20, 1);
    flow_marked(&flow, 1, 5, 1);
    flow_marked(&flow, 1, 5, 2); /* lost what followed */
    ck_assert_uint_eq(flow_next(&flow, 20), 6);
    ck_assert_uint_eq(drain(20, 2), 10);
    ck_assert_uint_eq(drain(25, 3), 5); /* for the first alone: the window of the other is full */
    flow_marked(&flow, 1, 15, 4);
    ck_assert_uint_eq(flow_next(&flow, 25), 16);
}
END_TEST

START_TEST(a_dead_collector_does_not_hold_up_the_other)
{
    flow_start(&flow, 2, 10);
    uint64_t last = 0;
    for (int64_t round = 1; round <= 100; round++) {
        last += 10;
        ck_assert_uint_ge(drain(last, round), 10);
        flow_marked(&flow, 0, last, round);
    }
    ck_assert_uint_eq(flow.peers[0].mark, 1000);
    ck_assert_uint_eq(flow.peers[1].mark, 0);
    /* the dead one comes back, and gets all from its own mark on, window by window */
    int64_t due_us = flow_due_us(&flow);
    flow_tick(&flow, due_us);
    uint64_t received = 0;
    while (received < last) {
        ck_assert_uint_eq(flow_next(&flow, last), received + 1);
        received += drain(last, due_us);
        flow_marked(&flow, 1, received, due_us);
    }
}
END_TEST

START_TEST(two_collectors_in_step_share_each_publication)
{
    flow_start(&flow, 2, 10);
    ck_assert_uint_eq(drain(10, 0), 10);
}
END_TEST

/* Rows 3 to 40 were given up: row 40 says so, and goes out in the place of row 3. */
START_TEST(a_gap_is_crossed_in_one_step)
{
    flow_start(&flow, 1, 10);
    drain(2, 0);
    flow_marked(&flow, 0, 2, 0);
    ck_assert_uint_eq(flow_next(&flow, 45), 3);
    flow_sent(&flow, 3, 40, 0);
    ck_assert_uint_eq(flow_next(&flow, 45), 0); /* beyond the window until row 40 is marked */
    flow_marked(&flow, 0, 40, 1);
    ck_assert_uint_eq(flow_next(&flow, 45), 41);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("flow");
    TCase *tests = tcase_create("flow");
    tcase_add_test(tests, the_window_bounds_what_is_in_flight);
    tcase_add_test(tests, without_progress_it_goes_back_ever_more_slowly);
    tcase_add_test(tests, a_mark_that_has_not_moved_means_go_on_from_here_once);
    tcase_add_test(tests, a_new_store_goes_back_to_the_beginning);
    tcase_add_test(tests, a_connection_goes_back_to_the_mark);
    tcase_add_test(tests, a_connection_gives_back_all_patience);
    tcase_add_test(tests, whoever_is_silent_longest_is_due_first);
    tcase_add_test(tests, a_mark_ahead_is_taken_as_it_is);
    tcase_add_test(tests, a_row_moves_only_who_waits_for_it);
    tcase_add_test(tests, a_dead_collector_does_not_hold_up_the_other);
    tcase_add_test(tests, two_collectors_in_step_share_each_publication);
    tcase_add_test(tests, a_gap_is_crossed_in_one_step);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
