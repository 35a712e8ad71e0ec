/* Answers in RX1: on time or not at all, on the right channel, and reception as before afterwards.
 */
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "tests/suite.h"
#include "tests/unit/radio/bench.h"

static struct radio_sending answer(const struct bench *b, int64_t after_us)
{
    struct radio_sending s = {.len = 12,
                              .frequency_hz = 923300000,
                              .bandwidth_hz = 500000,
                              .spreading_factor = 7,
                              .power_dbm = 17,
                              .due_us = b->virtual.now_ns / 1000 + after_us};

    for (size_t i = 0; i < s.len; i++)
        s.bytes[i] = (uint8_t)(0xA0 + i);
    return s;
}

static void check_hears(struct bench *b)
{
    struct model_packet p = bench_packet(b, 2000, 20, 7);
    size_t before = b->heard_count;

    model_air(b->virtual.model, &p);
    bench_run_ms(b, 500);
    ck_assert_uint_eq(b->heard_count, before + 1);
}

/* Stock US and AU stacks answer on another channel and spreading factor: the driver retunes and
 * restores. */
START_TEST(sends_on_time)
{
    struct bench b;
    struct radio_sending s;
    const struct model_packet *sent;

    bench_open(&b, _i, 125000, 9);
    model_switch(b.virtual.model, MODEL_SWITCH_LINES);
    bench_start(&b);
    s = answer(&b, 1000000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), -EBUSY);
    bench_run_ms(&b, 1500);
    ck_assert_uint_eq(b.virtual.sent_count, 1);
    sent = &b.virtual.sent[0];
    ck_assert_int_le(llabs(sent->start_ns / 1000 - s.due_us), 100);
    ck_assert_uint_eq(sent->len, s.len);
    ck_assert_mem_eq(sent->bytes, s.bytes, s.len);
    ck_assert(sent->inverted);
    ck_assert(!sent->crc_present);
    ck_assert(!sent->spoilt);
    ck_assert_int_le(abs((int)sent->frequency_hz - 923300000), 31);
    ck_assert_uint_eq(sent->bandwidth_hz, 500000);
    ck_assert_uint_eq(sent->spreading_factor, 7);
    ck_assert_uint_eq(sent->sync_word, 0x34);
    ck_assert_int_eq(sent->power_dbm, 17);
    ck_assert_uint_eq(bench_counts(&b).sent, 1);
    ck_assert_uint_eq(bench_counts(&b).sent_late, 0);
    /* Deaf from 5 ms before until the end of the transmission and a little more; a start-up before.
     */
    ck_assert_uint_ge(bench_counts(&b).deaf_us, 5000);
    ck_assert_uint_eq(bench_tally(&b).faults_spi, 0);
    check_hears(&b);
    bench_close(&b);
}
END_TEST

/* Answers may be handed over long before their time and in any order; not two at once. */
START_TEST(several_wait)
{
    struct bench b;
    int64_t due[TRANSCEIVER_QUEUE];
    struct radio_sending s;

    bench_open(&b, _i, 125000, 9);
    bench_start(&b);
    for (int i = 0; i < TRANSCEIVER_QUEUE; i++) {
        s = answer(&b, 1000000 + (i * 5 % TRANSCEIVER_QUEUE) * 50000);
        due[i * 5 % TRANSCEIVER_QUEUE] = s.due_us;
        ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    }
    s = answer(&b, 9000000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), -EBUSY); /* no more places */
    bench_run_ms(&b, 1100);
    s = answer(&b, 0);
    s.due_us = due[5] + 15000;
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), -EBUSY); /* it would overlap */
    bench_run_ms(&b, 2000);
    ck_assert_uint_eq(b.virtual.sent_count, TRANSCEIVER_QUEUE);
    for (size_t i = 0; i < TRANSCEIVER_QUEUE; i++)
        ck_assert_int_le(llabs(b.virtual.sent[i].start_ns / 1000 - due[i]), 100);
    check_hears(&b);
    bench_close(&b);
}
END_TEST

/* The SX127x's amplifiers and the SX1262's, from the least to the most. */
START_TEST(sends_with_the_power_asked_for)
{
    static const int8_t powers[BENCH_KINDS][4] = {
        {2, 17, 18, 20}, {2, 17, 18, 20}, {-9, 0, 14, 22}};
    struct bench b;

    bench_open(&b, _i, 125000, 9);
    bench_start(&b);
    for (int i = 0; i < 4; i++) {
        struct radio_sending s = answer(&b, 100000);

        s.power_dbm = powers[_i][i];
        ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
        bench_run_ms(&b, 300);
        ck_assert_uint_eq(b.virtual.sent_count, (size_t)i + 1);
        ck_assert_int_eq(b.virtual.sent[i].power_dbm, powers[_i][i]);
        ck_assert(!b.virtual.sent[i].spoilt);
    }
    bench_close(&b);
}
END_TEST

START_TEST(dio2_drives_the_switch)
{
    struct bench b;
    struct radio_sending s;

    bench_open(&b, BENCH_1262, 125000, 9);
    model_switch(b.virtual.model, MODEL_SWITCH_DIO2);
    b.setup.chip.dio2_switch = true;
    bench_start(&b);
    s = answer(&b, 100000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    bench_run_ms(&b, 300);
    ck_assert_uint_eq(b.virtual.sent_count, 1);
    ck_assert(!b.virtual.sent[0].spoilt);
    bench_close(&b);
}
END_TEST

START_TEST(late_is_not_sent)
{
    struct bench b;
    struct radio_sending s;

    bench_open(&b, _i, 125000, 9);
    bench_start(&b);
    s = answer(&b, 5000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), -ETIME);
    s = answer(&b, 200000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    bench_run_ms(&b, 194);
    b.virtual.oversleep_ns = 1300000; /* the machine wakes us 1.3 ms late */
    bench_run_ms(&b, 300);
    ck_assert_uint_eq(b.virtual.sent_count, 0);
    ck_assert_uint_eq(bench_counts(&b).sent_late, 1);
    check_hears(&b);
    s = answer(&b, 200000); /* and the next one goes out */
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    bench_run_ms(&b, 400);
    ck_assert_uint_eq(b.virtual.sent_count, 1);
    bench_close(&b);
}
END_TEST

/* Held up between the look at the clock and the chip: it is ended at once, no station hears it. */
START_TEST(held_up_is_ended)
{
    struct bench b;
    struct radio_sending s;

    bench_open(&b, _i, 125000, 9);
    bench_start(&b);
    s = answer(&b, 200000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    bench_run_ms(&b, 194);
    b.virtual.stall_ns = 1500000;
    bench_run_ms(&b, 300);
    ck_assert_uint_eq(b.virtual.sent_count, 0);
    ck_assert_uint_eq(bench_counts(&b).sent_late, 1);
    ck_assert_uint_eq(bench_counts(&b).sent, 0);
    check_hears(&b);
    bench_close(&b);
}
END_TEST

/* Wherever the hold-up ends: what is sent begins at most a millisecond late, at the antenna and not only at the
 * clock of the machine. */
START_TEST(never_sent_late)
{
    unsigned sent = 0;

    for (int64_t stall_us = 850; stall_us < 1150; stall_us += 5) {
        struct bench b;
        struct radio_sending s;

        bench_open(&b, _i, 125000, 9);
        bench_start(&b);
        s = answer(&b, 200000);
        ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
        bench_run_ms(&b, 194);
        b.virtual.stall_ns = stall_us * 1000;
        bench_run_ms(&b, 300);
        if (b.virtual.sent_count > 0)
            ck_assert_int_le(b.virtual.sent[0].start_ns - s.due_us * 1000, 1000000);
        sent += (unsigned)b.virtual.sent_count;
        ck_assert_uint_eq(b.virtual.sent_count + bench_counts(&b).sent_late, 1);
        bench_close(&b);
    }
    ck_assert_uint_ge(sent, 10); /* nor is it given up without need */
}
END_TEST

START_TEST(refuses_nonsense)
{
    struct bench b;
    struct radio_sending s;

    bench_open(&b, _i, 125000, 9);
    bench_start(&b);
    s = answer(&b, 100000);
    s.power_dbm = 30;
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), -EINVAL);
    s = answer(&b, 100000);
    s.frequency_hz = 2400000000U;
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), -EINVAL);
    s = answer(&b, 100000);
    s.len = 0;
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), -EINVAL);
    bench_close(&b);
}
END_TEST

/* The gateway sends with one radio at a time. */
START_TEST(one_radio_sends_at_a_time)
{
    struct transceiver_turn turn = {.taken = true};
    struct bench b;
    struct radio_sending s;

    bench_open(&b, _i, 125000, 9);
    b.setup.turn = &turn;
    bench_start(&b);
    s = answer(&b, 100000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    bench_run_ms(&b, 300);
    ck_assert_uint_eq(b.virtual.sent_count, 0);
    ck_assert_uint_eq(bench_counts(&b).sent_late, 1);
    turn.taken = false;
    s = answer(&b, 100000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    bench_run_ms(&b, 98);
    ck_assert(turn.taken);
    bench_run_ms(&b, 300);
    ck_assert(!turn.taken);
    ck_assert_uint_eq(b.virtual.sent_count, 1);
    bench_close(&b);
}
END_TEST

/* A chip that dies in the middle of an answer gives the turn back. */
START_TEST(turn_is_given_back)
{
    struct transceiver_turn turn = {.taken = false};
    struct bench b;
    struct radio_sending s;

    bench_open(&b, _i, 125000, 9);
    b.setup.turn = &turn;
    bench_start(&b);
    s = answer(&b, 100000);
    ck_assert_int_eq(transceiver_send(b.transceiver, &s), 0);
    bench_run_ms(&b, 101);
    ck_assert(turn.taken);
    model_brown_out(b.virtual.model, b.virtual.now_ns);
    bench_run_ms(&b, 1000);
    ck_assert(!turn.taken);
    ck_assert(bench_counts(&b).working);
    check_hears(&b);
    bench_close(&b);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("sending");
    TCase *tests = tcase_create("sending");
    tcase_set_timeout(tests, 60);
    tcase_add_loop_test(tests, sends_on_time, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, several_wait, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, sends_with_the_power_asked_for, 0, BENCH_KINDS);
    tcase_add_test(tests, dio2_drives_the_switch);
    tcase_add_loop_test(tests, late_is_not_sent, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, held_up_is_ended, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, never_sent_late, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, refuses_nonsense, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, one_radio_sends_at_a_time, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, turn_is_given_back, 0, BENCH_KINDS);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
