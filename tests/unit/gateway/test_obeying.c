/* What the gateway does with what it is told: stored marks, leases, orders. */
#include <check.h>
#include <string.h>

#include "protocol/feed/topic.h"
#include "tests/suite.h"
#include "tests/unit/gateway/voice.h"

/* The broker keeps the last marks. They come with every connection, and ask for nothing again. */
START_TEST(a_retained_mark_is_news_or_nothing)
{
    voice_fill(20);
    fake_connect();
    voice_mark("main", 12, true, false);
    voice_mark("office", 8, true, false);
    unsigned before = fake.count;
    voice_mark("main", 12, true, true);
    voice_mark("office", 8, true, true);
    ck_assert_uint_eq(voice_rows(before), 0);
    voice_mark("office", 8, true, false); /* from the collector itself: go on from here */
    ck_assert_uint_eq(voice_row(before, 0), 9);
    ck_assert_uint_eq(voice_rows(before), 12);
    voice_mark("office", 14, true, true);
    ck_assert_uint_eq(spool_collector_mark(voice.spool, 1), 14);
    ck_assert_uint_eq(voice_rows(before), 12);
    fake_disconnect();
    before = fake.count;
    fake_connect();
    ck_assert_uint_eq(voice_row(before, 0), 13);
}
END_TEST

/* Nobody can say whether that mark is right; waiting for rows that are gone would last for ever. */
START_TEST(a_mark_whose_row_was_thinned_moves_the_window)
{
    voice_fill(300);
    fake_connect();
    voice_turn(4);
    fake_acknowledge(200);
    unsigned before = fake.count;
    voice.thinned = true;
    voice_mark("main", 150, true, false);
    voice_turn(4);
    ck_assert_uint_eq(voice_row(before, 0), 201);
    ck_assert_uint_eq(voice_rows(before), 100);
    ck_assert_uint_eq(spool_collector_mark(voice.spool, 0), 0);
}
END_TEST

START_TEST(marks_that_mean_nothing_are_counted)
{
    struct publisher_counts counts;
    voice_fill(3);
    fake_connect();
    fake_say("edgerow/home/stored/barn/main", "{}", false);
    fake_say("edgerow/home/stored/barn/stranger",
             "{\"version\":1,\"store\":\"aaaaaaaaaaaaaaaa\",\"spool\":\"aaaaaaaaaaaaaaaa\",\"n\":0,"
             "\"hash\":\"00000000000000000000000000000000\"}",
             false);
    fake_say("edgerow/home/stored/barn/main",
             "{\"version\":1,\"store\":\"aaaaaaaaaaaaaaaa\",\"spool\":\"aaaaaaaaaaaaaaaa\",\"n\":0,"
             "\"hash\":\"00000000000000000000000000000000\"}",
             false);
    fake_say("edgerow/home/stored/barn/main", "", true); /* cleared: nothing to count */
    fake_say("edgerow/home/gateway/barn/row", "{}", false);
    fake_say("no/topic/of/ours", "{}", false);
    publisher_counts(voice.publisher, &counts);
    ck_assert_uint_eq(counts.marks_ignored, 3);
    ck_assert_uint_eq(counts.marks_refused, 0);
    ck_assert_uint_eq(spool_collector_mark(voice.spool, 0), 0);
}
END_TEST

/* Another history goes by the spool's id: under a new one all that is held is published again, once an hour. */
START_TEST(a_mark_that_contradicts_gives_the_spool_a_new_id)
{
    struct publisher_counts counts;
    struct spool_state state;
    voice.now_us = 5000000; /* a machine that has just started: the first time is not too soon */
    voice_fill(6);
    fake_connect();
    spool_state(voice.spool, &state);
    char id[FEED_ID_SIZE];
    memcpy(id, state.id, sizeof id);
    unsigned before = fake.count;
    voice_mark("main", 4, false, false);
    voice_turn(2);
    spool_state(voice.spool, &state);
    ck_assert_str_ne(state.id, id);
    ck_assert_uint_eq(voice_row(before, 0), 1);
    ck_assert_uint_eq(voice_rows(before), 6);
    memcpy(id, state.id, sizeof id);
    voice_mark("main", 4, false, false);
    spool_state(voice.spool, &state);
    ck_assert_str_eq(state.id, id);
    publisher_counts(voice.publisher, &counts);
    ck_assert_uint_eq(counts.marks_refused, 2);
    voice.now_us += INT64_C(3600000000);
    voice_mark("main", 4, false, false);
    spool_state(voice.spool, &state);
    ck_assert_str_ne(state.id, id);
}
END_TEST

START_TEST(leases_and_orders_of_their_own_unit_are_handed_on)
{
    char text[1024];
    size_t len;
    struct feed_lease lease = {.devaddr = 0x01000005,
                               .key_check = 6,
                               .term = 3,
                               .gateway = "barn",
                               .run = "bbbbbbbbbbbbbbbb",
                               .first = 64,
                               .count = 64,
                               .until_ms = VOICE_START_S * 1000};
    struct feed_order order = {
        .devaddr = 0x01000005,
        .number = 9,
        .until_ms = VOICE_START_S * 1000,
        .order = {.kind = AIR_ORDER_INTERVAL, .sequence = 1, .interval_min = 30}};
    fake_connect();
    ck_assert_int_eq(feed_lease_encode(&lease, text, sizeof text, &len), 0);
    fake_say("edgerow/home/lease/main/01000005", text, true);
    ck_assert_uint_eq(voice.told.leases, 1);
    ck_assert_uint_eq(voice.told.devaddr, 0x01000005);
    ck_assert_uint_eq(voice.told.term, 3);
    fake_say("edgerow/home/lease/main/01000006", text, true); /* speaks of another */
    fake_say("edgerow/home/lease/main/1000005", text, true);  /* no address */
    fake_say("edgerow/home/lease/main/0x000005", text, true); /* neither */
    fake_say("edgerow/home/lease/main/0100000g", text, true);
    fake_say("edgerow/home/lease/main/01000005", "{}", true);
    fake_say("edgerow/home/lease/main/01000005", "", true);
    ck_assert_uint_eq(voice.told.leases, 1);
    ck_assert_int_eq(feed_order_encode(&order, text, sizeof text, &len), 0);
    fake_say("edgerow/home/order/main/01000005", text, true);
    ck_assert_uint_eq(voice.told.orders, 1);
    ck_assert_uint_eq(voice.told.number, 9);
    fake_say("edgerow/home/order/main/01000006", text, true);
    fake_say("edgerow/home/order/main/01000005", "[]", true);
    ck_assert_uint_eq(voice.told.orders, 1);
    fake_say("edgerow/home/order/main/0100000g", "", true);
    ck_assert_uint_eq(voice.told.cleared, 0);
    fake_say("edgerow/home/order/main/01000005", "", true); /* it is over */
    ck_assert_uint_eq(voice.told.cleared, 1);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("obeying");
    TCase *tests = tcase_create("obeying");
    tcase_add_checked_fixture(tests, voice_begin, voice_end);
    tcase_add_test(tests, a_retained_mark_is_news_or_nothing);
    tcase_add_test(tests, a_mark_whose_row_was_thinned_moves_the_window);
    tcase_add_test(tests, marks_that_mean_nothing_are_counted);
    tcase_add_test(tests, a_mark_that_contradicts_gives_the_spool_a_new_id);
    tcase_add_test(tests, leases_and_orders_of_their_own_unit_are_handed_on);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
