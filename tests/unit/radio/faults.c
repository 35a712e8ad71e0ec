/* Each fault: noticed within its stated time, told in health, recovered without a restart of the
 * daemon. */
#include <stdlib.h>
#include <string.h>

#include "tests/suite.h"
#include "tests/unit/radio/bench.h"

static void check_hears(struct bench *b, bool timed)
{
    struct model_packet p = bench_packet(b, 2000, 20, 7);
    size_t before = b->heard_count;

    model_air(b->virtual.model, &p);
    bench_run_ms(b, 2500);
    ck_assert_uint_eq(b->heard_count, before + 1);
    ck_assert_int_eq(b->heard[before].timed, timed);
}

/* Runs until the radio is (or is not) working; milliseconds, at most `most`. */
static int64_t until_working(struct bench *b, bool working, int64_t most)
{
    int64_t ms = 0;

    while (bench_counts(b).working != working && ms < most) {
        bench_run_ms(b, 100);
        ms += 100;
    }
    return ms;
}

static void set_faults(struct bench *b, unsigned faults)
{
    model_faults(b->virtual.model, b->virtual.now_ns, faults);
}

/* A trouble that is over. */
static void check_shown_for_a_while(struct bench *b, const char *word)
{
    ck_assert_msg(strstr(bench_counts(b).trouble, word), "shown for a while after it is over");
    bench_run_ms(b, TRANSCEIVER_TROUBLE_US / 1000 + 3000);
    ck_assert_str_eq(bench_counts(b).trouble, "");
}

/* Verified every ten seconds, so noticed within ten and a half; then tried after 1, 2, 4 … 60 s. */
static void dead_then_alive(struct bench *b, unsigned fault, const char *word, int64_t within)
{
    set_faults(b, fault);
    ck_assert_int_le(until_working(b, false, 20000), within);
    ck_assert_msg(strstr(bench_counts(b).trouble, word), "%s", bench_counts(b).trouble);
    bench_run_ms(b, 20000);
    ck_assert(!bench_counts(b).working);
    set_faults(b, 0);
    ck_assert_int_le(until_working(b, true, 100000), 61000);
    ck_assert_uint_ge(bench_counts(b).restarts, 1);
    check_hears(b, true);
    check_shown_for_a_while(b, word);
    bench_close(b);
}

START_TEST(spi_reads_low)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    dead_then_alive(&b, MODEL_SPI_LOW, "does not answer", 10500);
}
END_TEST

/* Flags that cannot be: noticed at the next poll. */
START_TEST(spi_reads_high)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    dead_then_alive(&b, MODEL_SPI_HIGH, _i == BENCH_1262 ? "answer" : "does not answer", 2500);
}
END_TEST

START_TEST(spi_call_fails)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    b.virtual.fail_transfer = -5;
    ck_assert_int_le(until_working(&b, false, 20000), 2500);
    ck_assert_ptr_nonnull(strstr(bench_counts(&b).trouble, "SPI transfer"));
    b.virtual.fail_transfer = 0;
    ck_assert_int_le(until_working(&b, true, 100000), 61000);
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

START_TEST(busy_stuck)
{
    struct bench b;

    bench_open(&b, BENCH_1262, 125000, 7);
    bench_start(&b);
    set_faults(&b, MODEL_BUSY_STUCK);
    ck_assert_int_le(until_working(&b, false, 20000), 2500);
    ck_assert_ptr_nonnull(strstr(bench_counts(&b).trouble, "busy line"));
    set_faults(&b, 0);
    ck_assert_int_le(until_working(&b, true, 100000), 61000);
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

/* A reset cures it: noticed at the next poll and heard again at once. */
START_TEST(busy_hangs)
{
    struct bench b;

    bench_open(&b, BENCH_1262, 125000, 7);
    bench_start(&b);
    set_faults(&b, MODEL_BUSY_HANGS);
    bench_run_ms(&b, 2500);
    ck_assert(bench_counts(&b).working);
    ck_assert_uint_eq(bench_counts(&b).restarts, 1);
    ck_assert_ptr_nonnull(strstr(bench_counts(&b).trouble, "busy line"));
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

/* The level is still high at the next poll: within two seconds; such a packet cannot be answered.
 */
START_TEST(edge_lost)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    set_faults(&b, MODEL_EDGE_LOST);
    check_hears(&b, false);
    check_hears(&b, true);
    ck_assert_uint_eq(bench_counts(&b).restarts, 0);
    bench_close(&b);
}
END_TEST

/* The level is seen before the kernel has queued the edge: the stamp is still found, and right. */
START_TEST(edge_queued_late)
{
    struct model_packet p;
    struct bench b;

    bench_open(&b, _i, 500000, 7);
    bench_start(&b);
    p = bench_packet(&b, 2000, 20, 7);
    model_air(b.virtual.model, &p);
    b.virtual.edges_unseen = 1;
    bench_run_ms(&b, 100);
    ck_assert_uint_eq(b.virtual.edges_unseen, 0);
    ck_assert_uint_eq(b.heard_count, 1);
    ck_assert(b.heard[0].timed);
    ck_assert_int_le(llabs(b.heard[0].transport_us - model_packet_end_ns(&p) / 1000), 1);
    bench_close(&b);
}
END_TEST

/* An edge that rises while a packet without one is read is the next packet's, and is kept for it. */
START_TEST(edge_of_the_next_packet)
{
    struct model_packet first, second;
    struct bench b;

    bench_open(&b, BENCH_1262, 500000, 7);
    bench_start(&b);
    first = bench_packet(&b, 2000, 20, 7);
    second = bench_packet(&b, 0, 20, 8);
    model_air(b.virtual.model, &first);
    set_faults(&b, MODEL_EDGE_LOST);
    model_strike(b.virtual.model, MODEL_STRIKE_PAYLOAD, &second);
    bench_run_ms(&b, 2500);                         /* found by the poll */
    ck_assert_uint_eq(bench_counts(&b).overrun, 1); /* the first was overwritten meanwhile */
    ck_assert_uint_eq(b.heard_count, 1);
    ck_assert_mem_eq(b.heard[0].bytes, second.bytes, 20);
    ck_assert(b.heard[0].timed);
    bench_close(&b);
}
END_TEST

/* A broken wire: the chip is asked instead, every 10 ms from the second packet on, and it is told.
 */
START_TEST(line_dead)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    set_faults(&b, MODEL_LINE_DEAD);
    check_hears(&b, false);
    check_hears(&b, false);
    ck_assert_ptr_nonnull(strstr(bench_counts(&b).trouble, "interrupt line"));
    for (int i = 0; i < 20; i++) {
        struct model_packet p = bench_packet(&b, 1000, 20, (unsigned)i);

        model_air(b.virtual.model, &p);
        bench_run_ms(&b, 80);
    }
    ck_assert_uint_eq(b.heard_count, 22);
    bench_run_ms(&b, 2 * TRANSCEIVER_TROUBLE_US / 1000);
    ck_assert_ptr_nonnull(strstr(bench_counts(&b).trouble, "interrupt line"));
    set_faults(&b, 0);
    check_hears(&b, true);
    check_shown_for_a_while(&b, "interrupt line");
    bench_close(&b);
}
END_TEST

/* A line tied high must not make the machine busy, and packets are still heard. */
START_TEST(line_stuck)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    set_faults(&b, MODEL_LINE_STUCK);
    bench_run_ms(&b, 5000);
    ck_assert_ptr_nonnull(strstr(bench_counts(&b).trouble, "interrupt line"));
    for (int i = 0; i < 20; i++) {
        struct model_packet p = bench_packet(&b, 1000, 20, (unsigned)i);

        model_air(b.virtual.model, &p);
        bench_run_ms(&b, 80);
    }
    ck_assert_uint_eq(b.heard_count, 20);
    ck_assert_uint_le(bench_counts(&b).restarts, 2);
    set_faults(&b, 0);
    bench_run_ms(&b, 3000);
    check_hears(&b, true);
    check_shown_for_a_while(&b, "interrupt line");
    bench_close(&b);
}
END_TEST

START_TEST(lines_gone)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    b.virtual.line_gone = true;
    ck_assert_int_le(until_working(&b, false, 20000), 10500);
    b.virtual.line_gone = false;
    ck_assert_int_le(until_working(&b, true, 100000), 61000);
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

START_TEST(brown_out)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    bench_run_ms(&b, 3000);
    model_brown_out(b.virtual.model, b.virtual.now_ns);
    bench_run_ms(&b, 10500);
    ck_assert_uint_eq(bench_counts(&b).restarts, 1);
    ck_assert_ptr_nonnull(strstr(bench_counts(&b).trouble, "supply"));
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

START_TEST(leaves_reception)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    set_faults(&b, MODEL_RECEIVER_DEAF);
    bench_run_ms(&b, 10500);
    ck_assert_uint_eq(bench_counts(&b).restarts, 1);
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

START_TEST(sync_word_spoilt)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    model_register_set(b.virtual.model, _i == BENCH_1262 ? 0x0741 : 0x39, 0x24);
    bench_run_ms(&b, 10500);
    ck_assert_uint_eq(bench_counts(&b).restarts, 1);
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

START_TEST(frequency_spoilt)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    model_register_set(b.virtual.model, 0x07, 0x12);
    bench_run_ms(&b, 10500);
    ck_assert_uint_eq(bench_counts(&b).restarts, 1);
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

START_TEST(version_mismatch)
{
    struct bench b;

    bench_open(&b, _i, 125000, 7);
    set_faults(&b, MODEL_WRONG_VERSION);
    model_brown_out(b.virtual.model, b.virtual.now_ns);
    bench_start(&b);
    ck_assert(!bench_counts(&b).working);
    ck_assert_ptr_nonnull(strstr(bench_counts(&b).trouble, "`chip`"));
    bench_close(&b);
}
END_TEST

/* The driver looks at each bad packet once, and good ones in between are heard. */
START_TEST(crc_storm)
{
    struct bench b;
    struct radio_counts counts;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    set_faults(&b, MODEL_CRC_STORM);
    bench_run_ms(&b, 20000);
    counts = bench_counts(&b);
    ck_assert_uint_ge(counts.crc_errors, 500);
    ck_assert_uint_eq(counts.crc_errors, bench_tally(&b).crc_errors);
    ck_assert_uint_eq(counts.restarts, 0);
    ck_assert(counts.working);
    set_faults(&b, 0);
    bench_run_ms(&b, 100);
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

START_TEST(ring_full_is_counted)
{
    struct bench b;
    struct model_packet p;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    b.full = true;
    p = bench_packet(&b, 2000, 20, 7);
    model_air(b.virtual.model, &p);
    bench_run_ms(&b, 200);
    ck_assert_uint_eq(bench_counts(&b).ring_full, 1);
    b.full = false;
    check_hears(&b, true);
    bench_close(&b);
}
END_TEST

/* A dead radio does not wake the machine more than once a second in the long run. */
START_TEST(dead_radio_is_quiet)
{
    struct bench b;
    uint64_t resets;

    bench_open(&b, _i, 125000, 7);
    set_faults(&b, MODEL_SPI_LOW);
    bench_start(&b);
    bench_run_ms(&b, 300000);
    resets = bench_tally(&b).resets;
    bench_run_ms(&b, 600000);
    ck_assert_uint_le(bench_tally(&b).resets - resets, 11);
    bench_close(&b);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("faults");
    TCase *tests = tcase_create("faults");
    tcase_set_timeout(tests, 60);
    tcase_add_loop_test(tests, spi_reads_low, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, spi_reads_high, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, spi_call_fails, 0, BENCH_KINDS);
    tcase_add_test(tests, busy_stuck);
    tcase_add_test(tests, busy_hangs);
    tcase_add_loop_test(tests, edge_lost, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, edge_queued_late, 0, BENCH_KINDS);
    tcase_add_test(tests, edge_of_the_next_packet);
    tcase_add_loop_test(tests, line_dead, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, line_stuck, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, lines_gone, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, brown_out, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, leaves_reception, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, sync_word_spoilt, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, frequency_spoilt, 0, BENCH_1262);
    tcase_add_loop_test(tests, version_mismatch, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, crc_storm, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, ring_full_is_counted, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, dead_radio_is_quiet, 0, BENCH_KINDS);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
