/* Who is answered, with which counter, and when: leases, blocks, orders, one transmission at a time. The frames
 * down are checked by a second implementation in tests/whole/answers. */
#include <check.h>
#include <string.h>

#include "gateway/answer/answer.h"
#include "tests/suite.h"

enum { UNIT = 0x01A2B3C4, OTHER = 0x01A2B3C5, NOW = 1793000000 };

static struct verify_table *table;
static struct speech *speech;
static struct answer answer;
static uint32_t key_check;

static void setup(void)
{
    static struct verify_secret secrets[] = {{.devaddr = UNIT, .nwk_skey = {1}, .app_skey = {2}},
                                             {.devaddr = OTHER, .nwk_skey = {3}, .app_skey = {4}}};
    char text[REGION_TEXT];
    struct region_use uplink = {.country = "IT",
                                .frequency_hz = 868300000,
                                .bandwidth_hz = 125000,
                                .spreading_factor = 9,
                                .coding_rate = 1,
                                .power_cdbm = 1400};
    ck_assert_int_eq(verify_table_new(secrets, 2, &table), 0);
    ck_assert_int_eq(speech_new(table, &speech), 0);
    key_check = verify_table_find(table, UNIT)->keys.key_check;
    memset(&answer, 0, sizeof answer);
    answer_road_set(&answer.roads[0], &uplink, 5000000, text);
    ck_assert_msg(answer.roads[0].may, "%s", text);
    answer_road_set(&answer.roads[1], &uplink, 5000000, text);
    duty_begin(&answer.ledger, NOW - 3601, true);
    answer.ledger.until_s = NOW;
}

static void teardown(void)
{
    speech_free(speech);
    verify_table_free(table);
}

static void settle(void)
{
    for (size_t i = 0; i < speech_count(speech); i++)
        speech_at(speech, i)->unkept = false;
}

#define SECOND INT64_C(1000000) /* in us */
#define RUN    "7d3a90c1e2f4b586"
static const char *run = RUN;

static void lease_at(uint64_t term, const char *gateway, uint32_t first, uint32_t count,
                     int64_t until, int64_t air_us)
{
    struct feed_lease l = {.devaddr = UNIT,
                           .key_check = key_check,
                           .term = term,
                           .first = first,
                           .count = count,
                           .until_ms = until * 1000};
    strcpy(l.gateway, gateway);
    strcpy(l.run, run);
    speech_lease(speech, "barn", RUN, &l, air_us / SECOND, air_us);
}

static void lease(uint64_t term, const char *gateway, uint32_t first, uint32_t count, int64_t until)
{
    lease_at(term, gateway, first, count, until, NOW * SECOND);
}

static struct answer_question confirmed(uint32_t fcnt)
{
    return (struct answer_question){.devaddr = UNIT,
                                    .fcnt = fcnt,
                                    .confirmed = true,
                                    .end_us = NOW * SECOND + 1 + fcnt * 60 * SECOND,
                                    .lease_us = NOW * SECOND + 1 + fcnt * 60 * SECOND,
                                    .timed = true,
                                    .now_s = NOW,
                                    .ledger_s = NOW};
}

static enum answer_verdict try(const struct answer_question *q, uint32_t *fcnt)
{
    struct answer_plan plan;
    enum answer_verdict verdict = answer_decide(&answer, speech, q, &plan);
    if (verdict == ANSWER_SEND)
        ck_assert(answer_enter(&answer, q, &plan, fcnt));
    return verdict;
}

START_TEST(no_lease_no_answer)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    lease(1, "pump", 0, 64, NOW + 3600);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
}
END_TEST

/* Not before its loss is on the disk. */
START_TEST(block_is_used_from_its_start_when_kept)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    lease(1, "barn", 128, 64, NOW + 3600);
    ck_assert(speech_find(speech, UNIT)->unkept);
    ck_assert_uint_eq(speech_find(speech, UNIT)->next, 192);
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    ck_assert_uint_eq(fcnt, 128);
    q = confirmed(2);
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    ck_assert_uint_eq(fcnt, 129);
}
END_TEST

START_TEST(block_ends)
{
    uint32_t fcnt;
    lease(1, "barn", 0, 3, NOW + 3600);
    settle();
    for (uint32_t i = 0; i < 3; i++) {
        struct answer_question q = confirmed(i);
        ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
        ck_assert_uint_eq(fcnt, i);
    }
    struct answer_question q = confirmed(9);
    ck_assert(speech_find(speech, UNIT)->untold);
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
}
END_TEST

START_TEST(longer_lease_goes_on_in_the_block)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    lease(1, "barn", 0, 64, NOW + 100);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    lease(2, "barn", 0, 64, NOW + 7200);
    q = confirmed(2);
    q.now_s = NOW + 200;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    ck_assert_uint_eq(fcnt, 1);
}
END_TEST

START_TEST(lease_runs_out)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    lease(1, "barn", 0, 64, NOW + 10);
    settle();
    q.now_s = NOW + 10 - SPEECH_MARGIN_S;
    q.lease_us = NOW * SECOND + 1;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    q.now_s--;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
}
END_TEST

/* A clock that steps back makes no lease longer. */
START_TEST(lease_runs_out_on_the_clock_of_the_air_too)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    lease(1, "barn", 0, 64, NOW + 10);
    settle();
    q.lease_us = (NOW + 10 - SPEECH_MARGIN_S) * SECOND;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    q.lease_us -= 2;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
}
END_TEST

/* The frame was in the radio's ring, or waited for the disk, while the lease moved: who spoke before may have
 * answered it. */
START_TEST(frames_before_the_lease_are_not_answered)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    lease_at(1, "barn", 0, 64, NOW + 3600, NOW * SECOND);
    settle();
    q.lease_us = NOW * SECOND;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    q.lease_us++;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    lease_at(2, "barn", 64, 64, NOW + 7200, (NOW + 60) * SECOND); /* goes on: nobody else spoke */
    settle();
    q = confirmed(2);
    q.lease_us = (NOW + 59) * SECOND;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    lease_at(3, "", 0, 0, NOW + 7200, (NOW + 70) * SECOND);
    lease_at(4, "barn", 128, 64, NOW + 7200, (NOW + 80) * SECOND);
    settle();
    q = confirmed(3);
    q.lease_us = (NOW + 79) * SECOND; /* the pump may have had it for these ten seconds */
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    q.lease_us = (NOW + 81) * SECOND;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
}
END_TEST

START_TEST(taken_over)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    struct feed_held held;
    lease(1, "barn", 0, 64, NOW + 3600);
    settle();
    lease(2, "", 0, 0, NOW + 3600);
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    speech_held(speech_find(speech, UNIT), NOW * INT64_C(1000), &held);
    ck_assert_uint_eq(held.term, 2);
    ck_assert(!held.speaking);
    lease(1, "barn", 0, 64, NOW + 3600); /* an old one that comes late */
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
}
END_TEST

/* A store that was restored leases what is gone: refused, and the floor is told. */
START_TEST(blocks_only_go_up)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    struct feed_held held;
    lease(7, "pump", 192, 64, NOW + 3600);
    lease(8, "barn", 64, 64, NOW + 3600);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    speech_held(speech_find(speech, UNIT), NOW * INT64_C(1000), &held);
    ck_assert_uint_eq(held.next, 256);
    lease(9, "barn", 256, 64, NOW + 3600);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    ck_assert_uint_eq(fcnt, 256);
}
END_TEST

/* After a restart only what is on the disk is known; the rest of the block is not used. */
START_TEST(restart_gives_the_block_up)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    speech_gone(speech, UNIT, key_check, 64);
    lease(1, "barn", 0, 64, NOW + 3600); /* as the broker has it retained */
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    lease(2, "barn", 64, 64, NOW + 3600);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    ck_assert_uint_eq(fcnt, 64);
}
END_TEST

/* The lease is still retained when a gateway starts again with a spool from an old copy, which does not know
 * that the block is in use. */
START_TEST(another_run_is_not_obeyed)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1);
    struct feed_held held;
    run = "0011223344556677";
    lease(5, "barn", 128, 64, NOW + 3600);
    run = RUN;
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_LEASE);
    speech_held(speech_find(speech, UNIT), NOW * INT64_C(1000), &held);
    ck_assert(!held.speaking);
    ck_assert_uint_eq(held.next, 192);
    lease(6, "barn", 192, 64, NOW + 3600);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    ck_assert_uint_eq(fcnt, 192);
}
END_TEST

START_TEST(other_keys_other_counters)
{
    struct feed_lease l = {.devaddr = UNIT,
                           .key_check = key_check + 1,
                           .term = 1,
                           .gateway = "barn",
                           .run = RUN,
                           .count = 64,
                           .until_ms = (NOW + 3600) * INT64_C(1000)};
    speech_lease(speech, "barn", RUN, &l, NOW, NOW * SECOND);
    ck_assert(!speech_find(speech, UNIT)->speaking);
    speech_gone(speech, UNIT, key_check + 1, 1000);
    ck_assert_uint_eq(speech_find(speech, UNIT)->next, 0);
}
END_TEST

START_TEST(two_radios_one_answer)
{
    uint32_t fcnt;
    struct answer_question q = confirmed(1), copy = q, again = q;
    lease(1, "barn", 0, 64, NOW + 3600);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    copy.radio = 1;
    copy.end_us += 300;
    ck_assert_int_eq(try(&copy, &fcnt), ANSWER_TWICE);
    again.end_us += 8000000; /* the station repeated it */
    ck_assert_int_eq(try(&again, &fcnt), ANSWER_SEND);
    ck_assert_uint_eq(fcnt, 1);
}
END_TEST

START_TEST(one_transmission_at_a_time)
{
    uint32_t fcnt;
    struct feed_lease l = {.devaddr = OTHER,
                           .key_check = verify_table_find(table, OTHER)->keys.key_check,
                           .term = 1,
                           .gateway = "barn",
                           .run = RUN,
                           .count = 64,
                           .until_ms = (NOW + 3600) * INT64_C(1000)};
    struct answer_question q = confirmed(1), other = q;
    lease(1, "barn", 0, 64, NOW + 3600);
    speech_lease(speech, "barn", RUN, &l, NOW, NOW * SECOND);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_SEND);
    other.devaddr = OTHER;
    other.radio = 1;
    other.end_us += 100000; /* an acknowledgement at SF9 lasts 144 ms (AIR.md) */
    ck_assert_int_eq(try(&other, &fcnt), ANSWER_BUSY);
    other.end_us += 100000;
    ck_assert_int_eq(try(&other, &fcnt), ANSWER_SEND);
}
END_TEST

START_TEST(receive_only_and_no_time)
{
    uint32_t fcnt;
    char text[REGION_TEXT];
    struct answer_question q = confirmed(1);
    struct region_use nowhere = {.country = "",
                                 .frequency_hz = 868300000,
                                 .bandwidth_hz = 125000,
                                 .spreading_factor = 9,
                                 .coding_rate = 1};
    lease(1, "barn", 0, 64, NOW + 3600);
    settle();
    q.timed = false;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NO_TIME);
    q.timed = true;
    answer_road_set(&answer.roads[0], &nowhere, 5000000, text);
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_RECEIVE_ONLY);
    ck_assert_uint_eq(speech_find(speech, UNIT)->left, 64);
}
END_TEST

START_TEST(unconfirmed_only_for_an_order)
{
    uint32_t fcnt;
    struct answer_plan plan;
    struct answer_question q = confirmed(1);
    struct feed_order order = {
        .devaddr = UNIT,
        .number = 5,
        .until_ms = (NOW + 100) * INT64_C(1000),
        .order = {.kind = AIR_ORDER_INTERVAL, .sequence = 2, .interval_min = 30}};
    uint8_t bytes[ANSWER_LONGEST];
    size_t len;
    q.confirmed = false;
    lease(1, "barn", 0, 64, NOW + 3600);
    settle();
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NOT_WANTED);
    speech_order(speech, &order);
    ck_assert_int_eq(answer_decide(&answer, speech, &q, &plan), ANSWER_SEND);
    ck_assert(!plan.ack);
    ck_assert_int_eq(answer_build(&plan, &verify_table_find(table, UNIT)->keys, 7, bytes, &len), 0);
    ck_assert_uint_eq(len, 12 + 1 + 3);
    ck_assert_uint_eq(bytes[0], 0x60);
    /* the station's own report answers it */
    q.has_report = q.order_answered = true;
    q.order_sequence = 2;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NOT_WANTED);
    q.order_sequence = 1;
    q.now_s = NOW + 100;
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NOT_WANTED); /* over */
    q.now_s = NOW;
    speech_order_over(speech, UNIT);
    ck_assert_int_eq(try(&q, &fcnt), ANSWER_NOT_WANTED);
}
END_TEST

/* United States, 500 kHz, spreading factor 8, channel 64 + 3: answered on 923.3 + 3 x 0.6 MHz at factor 10 less
 * 3, that is 7 (link layer regional parameters, US902-928). */
START_TEST(rx1_of_a_stock_stack)
{
    char text[REGION_TEXT];
    struct region_use us = {.country = "US",
                            .frequency_hz = 907800000,
                            .bandwidth_hz = 500000,
                            .spreading_factor = 8,
                            .coding_rate = 1,
                            .power_cdbm = 2000};
    answer_road_set(&answer.roads[0], &us, 1000000, text);
    ck_assert_msg(answer.roads[0].may, "%s", text);
    ck_assert_uint_eq(answer.roads[0].rx1.frequency_hz, 925100000);
    ck_assert_uint_eq(answer.roads[0].rx1.spreading_factor, 7);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("answer");
    TCase *all = tcase_create("all");
    tcase_add_checked_fixture(all, setup, teardown);
    tcase_add_test(all, no_lease_no_answer);
    tcase_add_test(all, block_is_used_from_its_start_when_kept);
    tcase_add_test(all, block_ends);
    tcase_add_test(all, longer_lease_goes_on_in_the_block);
    tcase_add_test(all, lease_runs_out);
    tcase_add_test(all, lease_runs_out_on_the_clock_of_the_air_too);
    tcase_add_test(all, frames_before_the_lease_are_not_answered);
    tcase_add_test(all, taken_over);
    tcase_add_test(all, blocks_only_go_up);
    tcase_add_test(all, restart_gives_the_block_up);
    tcase_add_test(all, another_run_is_not_obeyed);
    tcase_add_test(all, other_keys_other_counters);
    tcase_add_test(all, two_radios_one_answer);
    tcase_add_test(all, one_transmission_at_a_time);
    tcase_add_test(all, receive_only_and_no_time);
    tcase_add_test(all, unconfirmed_only_for_an_order);
    tcase_add_test(all, rx1_of_a_stock_stack);
    suite_add_tcase(suite, all);
    return suite_run(suite);
}
