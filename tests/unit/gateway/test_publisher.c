/* What the gateway says to the broker, and when. */
#include <check.h>
#include <errno.h>
#include <string.h>

#include "gateway/publish/courier.h"
#include "protocol/feed/presence.h"
#include "tests/suite.h"
#include "tests/unit/gateway/voice.h"

START_TEST(says_who_it_is_and_listens_to_who_decides)
{
    struct feed_presence presence;
    struct feed_fault fault;
    ck_assert_uint_eq(fake.filter_count, 3);
    ck_assert_str_eq(fake.filters[0], "edgerow/home/stored/barn/+");
    ck_assert_str_eq(fake.filters[1], "edgerow/home/lease/main/+");
    ck_assert_str_eq(fake.filters[2], "edgerow/home/order/main/+");
    ck_assert_str_eq(fake.will_topic, "edgerow/home/gateway/barn/presence");
    ck_assert_int_eq(
        feed_presence_decode(fake.will_text, strlen(fake.will_text), &presence, &fault), 0);
    ck_assert(!presence.online);
    voice_fill(3);
    publisher_pump(voice.publisher);
    ck_assert_uint_eq(fake.count, 0); /* nobody is there yet */
    ck_assert(!publisher_is_connected(voice.publisher));
    fake_connect();
    ck_assert(publisher_is_connected(voice.publisher));
    ck_assert_uint_eq(voice.told.connected, 1);
    ck_assert_str_eq(fake.messages[0].topic, fake.will_topic);
    ck_assert(fake.messages[0].retain);
    ck_assert_int_eq(feed_presence_decode(fake.messages[0].text, strlen(fake.messages[0].text),
                                          &presence, &fault),
                     0);
    ck_assert(presence.online && presence.since_ms == VOICE_START_S * 1000);
    ck_assert_uint_eq(voice_rows(0), 3);
    unsigned before = fake.count;
    publisher_close(voice.publisher); /* an orderly end says so */
    ck_assert_uint_eq(fake.count, before + 1);
    ck_assert_int_eq(feed_presence_decode(fake.messages[before].text,
                                          strlen(fake.messages[before].text), &presence, &fault),
                     0);
    ck_assert(!presence.online);
    ck_assert(!fake.open);
    voice_open();
}
END_TEST

/* A turn publishes so many; the rest follows without anybody asking, up to the window. */
START_TEST(rows_go_in_order_and_no_further_than_the_window)
{
    voice_fill(500);
    fake_connect();
    ck_assert_uint_eq(voice_rows(0), COURIER_ROWS_AT_ONCE);
    ck_assert(!publisher_is_idle(voice.publisher));
    voice_turn(4);
    ck_assert(publisher_is_idle(voice.publisher));
    ck_assert_uint_eq(voice_rows(0), 200);
    for (unsigned i = 0; i < 200; i++)
        ck_assert_uint_eq(voice_row(0, i), i + 1);
    fake_acknowledge(200);
    unsigned before = fake.count;
    voice_mark("main", 150, true, false);
    voice_mark("office", 150, true, false);
    voice_turn(4);
    ck_assert_uint_eq(voice_row(before, 0), 201);
    ck_assert_uint_eq(voice_rows(before), 150);
    ck_assert_uint_ge(voice.told.batches, 2);
}
END_TEST

/* The loop is not woken for nothing. */
START_TEST(rows_that_fill_a_turn_are_all)
{
    voice_fill(COURIER_ROWS_AT_ONCE);
    fake_connect();
    ck_assert_uint_eq(voice_rows(0), COURIER_ROWS_AT_ONCE);
    ck_assert(publisher_is_idle(voice.publisher));
}
END_TEST

/* One collector that is gone does not keep the other from what it can store. */
START_TEST(a_dead_collector_holds_up_nobody)
{
    voice_fill(400);
    fake_connect();
    voice_turn(4);
    fake_acknowledge(200);
    voice_mark("main", 200, true, false);
    voice_turn(4);
    ck_assert_uint_eq(voice_rows(0), 400);
    ck_assert_uint_eq(voice_row(0, 399), 400);
    struct spool_state state;
    spool_state(voice.spool, &state);
    ck_assert_uint_eq(state.marked, 0); /* and nothing is forgotten that the dead one lacks */
    unsigned before = fake.count;
    voice_mark("office", 190, true,
               false); /* it was only slow, and has heard what was said meanwhile */
    voice_turn(4);
    spool_state(voice.spool, &state);
    ck_assert_uint_eq(state.marked, 190);
    ck_assert_uint_eq(voice_rows(before), 0);
}
END_TEST

/* What the library has not got rid of is bounded; an acknowledgement makes room, and others are told. */
START_TEST(never_more_in_flight_than_the_library_bears)
{
    voice.settings.spool.window = 1000;
    publisher_close(voice.publisher);
    voice_open();
    voice_fill(600);
    fake_connect();
    voice_turn(8);
    ck_assert_uint_eq(fake.in_flight, COURIER_IN_FLIGHT);
    ck_assert(publisher_is_idle(voice.publisher));
    struct feed_held held = {
        .devaddr = 5, .key_check = 6, .at_ms = VOICE_START_S * 1000, .next = 1};
    ck_assert(!publisher_held(voice.publisher, &held));
    unsigned before = fake.count;
    fake_acknowledge(COURIER_IN_FLIGHT / 2 - 1);
    voice_turn(4);
    ck_assert_uint_eq(fake.count, before);
    ck_assert_uint_eq(voice.told.rooms, 0);
    fake_acknowledge(1);
    ck_assert_uint_eq(voice.told.rooms, 1);
    ck_assert(publisher_held(voice.publisher, &held));
    ck_assert_str_eq(fake.messages[before].topic, "edgerow/home/held/barn/00000005");
    ck_assert(fake.messages[before].retain);
    voice_turn(8);
    ck_assert_uint_eq(fake.in_flight, COURIER_IN_FLIGHT);
    fake_acknowledge(COURIER_IN_FLIGHT);
    voice_turn(8);
    ck_assert_uint_eq(voice_rows(0), 600);
}
END_TEST

START_TEST(a_message_that_the_session_refuses_is_not_forgotten)
{
    voice_fill(5);
    fake_connect();
    voice_fill(5);
    fake.refuses = true;
    publisher_pump(voice.publisher);
    ck_assert_uint_eq(voice_rows(0), 5);
    ck_assert(publisher_is_idle(voice.publisher)); /* and the loop does not spin on it */
    struct feed_held held = {
        .devaddr = 5, .key_check = 6, .at_ms = VOICE_START_S * 1000, .next = 1};
    ck_assert(!publisher_held(voice.publisher, &held));
    fake.refuses = false;
    fake_acknowledge(1);
    voice_turn(2);
    ck_assert_uint_eq(voice_rows(0), 10);
    ck_assert_uint_eq(voice_row(0, 9), 10);
}
END_TEST

/* What was on its way when a connection ended may be lost, and goes again. */
START_TEST(a_new_connection_begins_behind_the_marks)
{
    voice_fill(20);
    fake_connect();
    voice_mark("main", 12, true, false);
    voice_mark("office", 8, true, false);
    fake_disconnect();
    unsigned before = fake.count;
    voice_fill(1);
    publisher_pump(voice.publisher);
    voice_turn(2);
    ck_assert_uint_eq(fake.count, before);
    fake_connect();
    ck_assert_uint_eq(voice_row(before, 0), 9);
    ck_assert_uint_eq(voice_rows(before), 13);
}
END_TEST

START_TEST(a_new_run_begins_behind_the_marks)
{
    voice_fill(20);
    fake_connect();
    voice_mark("main", 12, true, false);
    voice_mark("office", 8, true, false);
    publisher_close(voice.publisher);
    voice_open();
    unsigned before = fake.count;
    fake_connect();
    ck_assert_uint_eq(voice_row(before, 0), 9);
    ck_assert_uint_eq(voice_rows(before), 12);
}
END_TEST

/* While nobody is there no mark can come: the loop sleeps. */
START_TEST(patience_rests_without_a_connection)
{
    voice.now_us = 1000000;
    voice_fill(10);
    fake_connect();
    fake_disconnect();
    ck_assert_int_eq(sd_event_run(voice.event, 0), 0);
    unsigned before = fake.count;
    voice.now_us += FLOW_PATIENCE_US;
    publisher_pump(voice.publisher);
    ck_assert_int_eq(sd_event_run(voice.event, 0), 0);
    ck_assert_uint_eq(fake.count, before);
}
END_TEST

/* In the middle of many rows: what is left over does not run on. */
START_TEST(a_connection_that_ends_in_a_backlog_is_left_alone)
{
    voice_fill(200);
    fake_connect();
    ck_assert(!publisher_is_idle(voice.publisher));
    fake_disconnect();
    ck_assert(publisher_is_idle(voice.publisher));
    unsigned before = fake.count;
    voice_turn(2);
    ck_assert_uint_eq(fake.count, before);
}
END_TEST

/* A mark that does not come is waited for, and then what follows the last one is published again. */
START_TEST(patience_ends)
{
    voice.now_us = 1000000; /* timers are always due: only the publisher looks at its clock */
    voice_fill(10);
    fake_connect();
    voice_mark("main", 4, true, false);
    voice_mark("office", 10, true, false);
    voice_turn(3);
    unsigned before = fake.count;
    voice.now_us += FLOW_PATIENCE_US - 1;
    voice_turn(3);
    ck_assert_uint_eq(fake.count, before);
    voice.now_us += 1;
    voice_turn(3);
    ck_assert_uint_eq(voice_row(before, 0), 5);
    ck_assert_uint_eq(voice_rows(before), 6);
}
END_TEST

START_TEST(health_is_said_while_somebody_is_there)
{
    struct feed_gateway_health health = {.at_ms = VOICE_START_S * 1000,
                                         .run = "bbbbbbbbbbbbbbbb",
                                         .spool = "cccccccccccccccc",
                                         .radio_count = 0};
    struct feed_held held = {.devaddr = 5, .key_check = 6, .at_ms = VOICE_START_S * 1000};
    publisher_health(voice.publisher, &health);
    ck_assert(!publisher_held(voice.publisher, &held));
    ck_assert_uint_eq(fake.count, 0);
    fake_connect();
    unsigned before = fake.count;
    publisher_health(voice.publisher, &health);
    ck_assert_uint_eq(fake.count, before + 1);
    ck_assert_str_eq(fake.messages[before].topic, "edgerow/home/gateway/barn/health");
    ck_assert(fake.messages[before].retain);
}
END_TEST

/* A disk that fails is tried again. */
START_TEST(a_spool_that_cannot_be_read)
{
    int code;
    voice_fill(3);
    voice.spool_reads = -EIO;
    fake_connect();
    voice.spool_reads = 0; /* says that there is none, where there must be one */
    publisher_pump(voice.publisher);
    ck_assert_uint_eq(voice_rows(0), 0);
    ck_assert(publisher_is_idle(voice.publisher));
    ck_assert_int_eq(sd_event_get_exit_code(voice.event, &code), -ENODATA);
    voice.spool_reads = 1;
    publisher_pump(voice.publisher);
    ck_assert_uint_eq(voice_rows(0), 3);
}
END_TEST

/* Nothing stands still for a row that is no row. */
START_TEST(a_row_that_no_message_can_hold_is_told_as_lost)
{
    struct feed_row row;
    struct feed_fault fault;
    voice_fill(1);
    voice.spreading_factor = 0;
    voice_fill(1);
    voice.spreading_factor = 7;
    voice_fill(1);
    fake_connect();
    ck_assert_uint_eq(voice_rows(0), 3);
    const char *text = fake.messages[2].text;
    ck_assert_int_eq(feed_row_decode(text, strlen(text), &row, &fault), 0);
    ck_assert_int_eq(row.kind, FEED_ROW_LOSS);
    ck_assert(row.n == 2 && row.loss.first == 2 && row.loss.last == 2 && row.loss.count == 1);
    voice_mark("main", 3, true, false);
    ck_assert_uint_eq(spool_collector_mark(voice.spool, 0), 3);
}
END_TEST

/* Nothing is half open. */
START_TEST(a_session_that_cannot_be_made_is_told)
{
    publisher_close(voice.publisher);
    voice.publisher = NULL;
    fake.opens = -ENOMEM;
    ck_assert_int_eq(voice_try(), -ENOMEM);
    fake.opens = 0;
    for (unsigned room = 0; room < 3; room++) {
        fake.filter_count = SESSION_FILTERS_MAX - room;
        ck_assert_int_eq(voice_try(), -ENOSPC);
        ck_assert_ptr_null(voice.publisher);
        ck_assert(!fake.open);
    }
    publisher_close(voice.publisher); /* of none: nothing happens */
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("publisher");
    TCase *tests = tcase_create("publisher");
    tcase_add_checked_fixture(tests, voice_begin, voice_end);
    tcase_add_test(tests, says_who_it_is_and_listens_to_who_decides);
    tcase_add_test(tests, rows_go_in_order_and_no_further_than_the_window);
    tcase_add_test(tests, rows_that_fill_a_turn_are_all);
    tcase_add_test(tests, a_dead_collector_holds_up_nobody);
    tcase_add_test(tests, never_more_in_flight_than_the_library_bears);
    tcase_add_test(tests, a_message_that_the_session_refuses_is_not_forgotten);
    tcase_add_test(tests, a_new_connection_begins_behind_the_marks);
    tcase_add_test(tests, a_new_run_begins_behind_the_marks);
    tcase_add_test(tests, patience_rests_without_a_connection);
    tcase_add_test(tests, a_connection_that_ends_in_a_backlog_is_left_alone);
    tcase_add_test(tests, patience_ends);
    tcase_add_test(tests, health_is_said_while_somebody_is_there);
    tcase_add_test(tests, a_spool_that_cannot_be_read);
    tcase_add_test(tests, a_row_that_no_message_can_hold_is_told_as_lost);
    tcase_add_test(tests, a_session_that_cannot_be_made_is_told);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
