/* The drivers against models written from the datasheets. */
#include <stdlib.h>
#include <string.h>

#include "tests/suite.h"
#include "tests/unit/radio/bench.h"

static const uint32_t bandwidths[3] = {125000, 250000, 500000};

static void check_same(const struct radio_packet *is, const struct model_packet *was)
{
    ck_assert_uint_eq(is->len, was->len);
    ck_assert_mem_eq(is->bytes, was->bytes, was->len);
    ck_assert_int_le(abs(is->rssi_cdbm - was->rssi_dbm * 100), 100);
    ck_assert_int_eq(is->snr_cdb, was->snr_qdb * 25);
    ck_assert(is->timed);
    ck_assert_int_le(llabs(is->transport_us - model_packet_end_ns(was) / 1000), 30);
}

/* Every bandwidth and spreading factor of every chip: what was sent is what is heard. */
START_TEST(hears_every_channel)
{
    for (int sf = 7; sf <= 12; sf++)
        for (int bw = 0; bw < 3; bw++) {
            struct bench b;
            struct model_packet p, set;

            bench_open(&b, _i, bandwidths[bw], (uint8_t)sf);
            bench_start(&b);
            ck_assert(model_receiving(b.virtual.model, &set));
            ck_assert_int_le(abs((int)set.frequency_hz - 915000000), 31);
            ck_assert_uint_eq(set.bandwidth_hz, bandwidths[bw]);
            ck_assert_uint_eq(set.spreading_factor, sf);
            p = bench_packet(&b, 3000, (uint8_t)(10 + sf), (unsigned)sf);
            p.snr_qdb = (int8_t)(-10 - sf);
            model_air(b.virtual.model, &p);
            bench_run_ms(&b, 6000);
            ck_assert_uint_eq(b.heard_count, 1);
            check_same(&b.heard[0], &p);
            ck_assert_uint_eq(b.heard[0].bandwidth_hz, bandwidths[bw]);
            ck_assert_uint_eq(b.heard[0].spreading_factor, sf);
            ck_assert_uint_eq(bench_tally(&b).faults_spi, 0);
            bench_close(&b);
        }
}
END_TEST

/* All lengths in a row: the SX1262's buffer wraps at 256, the SX127x's too. */
START_TEST(hears_every_length)
{
    struct bench b;

    bench_open(&b, _i, 500000, 7);
    bench_start(&b);
    for (int len = 1; len <= 255; len++) {
        struct model_packet p = bench_packet(&b, 2000, (uint8_t)len, (unsigned)len);

        model_air(b.virtual.model, &p);
        bench_run_ms(&b, 150);
        ck_assert_uint_eq(b.heard_count, 1);
        check_same(&b.heard[0], &p);
        b.heard_count = 0;
    }
    ck_assert_uint_eq(bench_tally(&b).faults_spi, 0);
    bench_close(&b);
}
END_TEST

START_TEST(loses_nothing_back_to_back)
{
    struct bench b;
    struct radio_counts counts;

    bench_open(&b, _i, 500000, 7);
    b.virtual.wake_ns = 100000;
    bench_start(&b);
    for (int round = 0; round < 100; round++) {
        int64_t at = b.virtual.now_ns + 1000000;
        size_t from = b.heard_count;

        for (int i = 0; i < 20; i++) {
            struct model_packet p = bench_packet(&b, 0, 37, (unsigned)(round * 20 + i));

            p.start_ns = at;
            at = model_packet_end_ns(&p) + 1;
            model_air(b.virtual.model, &p);
        }
        bench_run_ms(&b, (at - b.virtual.now_ns) / 1000000 + 5);
        ck_assert_uint_eq(b.heard_count - from, 20);
    }
    counts = bench_counts(&b);
    ck_assert_uint_eq(counts.packets, 2000);
    ck_assert_uint_eq(bench_tally(&b).delivered, 2000);
    ck_assert_uint_eq(counts.overrun, 0);
    bench_close(&b);
}
END_TEST

START_TEST(discards_bad_packets)
{
    struct bench b;
    struct model_packet p;
    struct radio_counts counts;

    bench_open(&b, _i, 125000, 7);
    bench_start(&b);
    p = bench_packet(&b, 2000, 20, 1);
    p.crc_bad = true;
    model_air(b.virtual.model, &p);
    p = bench_packet(&b, 200000, 20, 2);
    p.crc_present = false;
    model_air(b.virtual.model, &p);
    p = bench_packet(&b, 400000, 20, 3);
    p.header_bad = true;
    model_air(b.virtual.model, &p);
    p = bench_packet(&b, 600000, 20, 4);
    model_air(b.virtual.model, &p);
    bench_run_ms(&b, 1000);
    counts = bench_counts(&b);
    ck_assert_uint_eq(counts.crc_errors, 1);
    ck_assert_uint_eq(counts.without_crc, 1);
    ck_assert_uint_eq(counts.header_errors, _i == BENCH_1262 ? 1 : 0); /* SX127x has no such flag */
    ck_assert_uint_eq(b.heard_count, 1);
    check_same(&b.heard[0], &p);
    bench_close(&b);
}
END_TEST

/* What is not meant for us: answers of other gateways, other sync words, other channels. */
START_TEST(hears_only_its_channel)
{
    struct bench b;
    struct model_packet p;

    bench_open(&b, _i, 125000, 9);
    bench_start(&b);
    for (int i = 0; i < 4; i++) {
        p = bench_packet(&b, 2000, 20, 1);
        p.inverted = i == 0;
        p.sync_word = i == 1 ? 0x12 : 0x34;
        p.spreading_factor = i == 2 ? 8 : 9;
        p.frequency_hz += i == 3 ? 200000 : 0;
        model_air(b.virtual.model, &p);
        bench_run_ms(&b, 400);
        ck_assert_uint_eq(b.heard_count, 0);
    }
    bench_close(&b);
}
END_TEST

/* Errata note 1.1 section 2.1 of the SX1276, image calibration of the SX1262: weak packets prove
 * both. */
START_TEST(hears_weak_packets)
{
    static const uint32_t frequencies[2] = {868100000, 915000000};

    for (int i = 0; i < 6; i++) {
        struct bench b;
        struct model_packet p;

        bench_open(&b, _i, bandwidths[i / 2], 10);
        b.setup.chip.channel.frequency_hz = frequencies[i % 2];
        bench_start(&b);
        p = bench_packet(&b, 2000, 20, 1);
        p.rssi_dbm = -125;
        p.snr_qdb = -40;
        model_air(b.virtual.model, &p);
        bench_run_ms(&b, 1000);
        ck_assert_uint_eq(b.heard_count, 1);
        bench_close(&b);
    }
}
END_TEST

START_TEST(measures_the_offset)
{
    static const int32_t offsets[4] = {0, 4000, -4000, -12345};

    for (int i = 0; i < 12; i++) {
        struct bench b;
        struct model_packet p;

        bench_open(&b, _i, bandwidths[i / 4], 8);
        bench_start(&b);
        p = bench_packet(&b, 2000, 20, 1);
        p.offset_hz = offsets[i % 4];
        model_air(b.virtual.model, &p);
        bench_run_ms(&b, 500);
        ck_assert_uint_eq(b.heard_count, 1);
        ck_assert_int_le(abs(b.heard[0].offset_hz - p.offset_hz), 3);
        bench_close(&b);
    }
}
END_TEST

/* A frame that arrives while another is read: the first, whose pointers moved, is discarded and
 * counted; the second is delivered once. */
START_TEST(second_frame_while_reading)
{
    static const enum model_strike points[2] = {MODEL_STRIKE_POINTERS, MODEL_STRIKE_PAYLOAD};

    for (int i = 0; i < 4; i++) {
        struct bench b;
        struct model_packet first, second;

        bench_open(&b, _i, 500000, 7);
        bench_start(&b);
        first = bench_packet(&b, 2000, 30, 1);
        second = bench_packet(&b, 3000, 33, 2);
        second.crc_bad = i >= 2;
        model_air(b.virtual.model, &first);
        model_strike(b.virtual.model, points[i % 2], &second);
        bench_run_ms(&b, 100);
        ck_assert_uint_eq(bench_counts(&b).overrun, 1);
        ck_assert_uint_eq(b.heard_count, i < 2 ? 1 : 0);
        if (i < 2) {
            ck_assert_uint_eq(b.heard[0].len, 33);
            ck_assert_mem_eq(b.heard[0].bytes, second.bytes, 33);
        }
        first = bench_packet(&b, 2000, 34, 3);
        model_air(b.virtual.model, &first);
        bench_run_ms(&b, 100);
        ck_assert_uint_eq(b.heard_count, i < 2 ? 2 : 1);
        bench_close(&b);
    }
}
END_TEST

START_TEST(antenna_switch_lines)
{
    struct bench b;
    struct model_packet p;

    bench_open(&b, _i, 125000, 7);
    model_switch(b.virtual.model, MODEL_SWITCH_LINES);
    bench_start(&b);
    p = bench_packet(&b, 2000, 20, 1);
    model_air(b.virtual.model, &p);
    bench_run_ms(&b, 200);
    ck_assert_uint_eq(b.heard_count, 1);
    bench_close(&b);
}
END_TEST

START_TEST(tcxo_before_calibration)
{
    struct bench b;
    struct model_packet p;

    bench_open(&b, BENCH_1262, 125000, 10);
    model_tcxo(b.virtual.model, 1800);
    model_brown_out(b.virtual.model, b.virtual.now_ns);
    b.setup.chip.tcxo_mv = 1800;
    bench_start(&b);
    p = bench_packet(&b, 2000, 20, 1);
    p.rssi_dbm = -125;
    model_air(b.virtual.model, &p);
    bench_run_ms(&b, 1000);
    ck_assert_uint_eq(b.heard_count, 1);
    ck_assert_uint_eq(bench_tally(&b).faults_spi, 0);
    bench_close(&b);
}
END_TEST

START_TEST(wrong_tcxo_is_told)
{
    static const uint16_t fitted[3] = {1800, 1800, 0}, set[3] = {3300, 0, 1800};
    struct bench b;
    struct radio_counts counts;

    bench_open(&b, BENCH_1262, 125000, 10);
    model_tcxo(b.virtual.model, fitted[_i]);
    model_brown_out(b.virtual.model, b.virtual.now_ns);
    b.setup.chip.tcxo_mv = set[_i];
    bench_start(&b);
    counts = bench_counts(&b);
    ck_assert(!counts.working);
    ck_assert_ptr_nonnull(strstr(counts.trouble, "tcxo_mv"));
    bench_close(&b);
}
END_TEST

/* 0x1E in 0x08D8 (DS_SX1261-2 section 15.2), bit 2 of 0x0736 (15.4) and of 0x0889 (15.1). */
START_TEST(sx126x_errata_registers)
{
    for (int i = 0; i < 3; i++) {
        struct bench b;

        bench_open(&b, BENCH_1262, bandwidths[i], 8);
        bench_start(&b);
        ck_assert_uint_eq(model_register(b.virtual.model, 0x08D8) & 0x1E, 0x1E);
        ck_assert_uint_eq(model_register(b.virtual.model, 0x0736) & 4, 4);
        ck_assert_uint_eq(model_register(b.virtual.model, 0x0889) & 4, i == 2 ? 0 : 4);
        ck_assert_uint_eq(model_register(b.virtual.model, 0x0740), 0x34);
        ck_assert_uint_eq(model_register(b.virtual.model, 0x0741), 0x44);
        bench_close(&b);
    }
}
END_TEST

/* SX1276 errata note 1.1 sections 2.1 and 2.3. */
START_TEST(sx1276_errata_registers)
{
    static const uint8_t detect[3] = {0x43, 0x43, 0xC3};

    for (int i = 0; i < 3; i++) {
        struct bench b;

        bench_open(&b, BENCH_1276, bandwidths[i], 8);
        bench_start(&b);
        ck_assert_uint_eq(model_register(b.virtual.model, 0x36), i == 2 ? 0x02 : 0x03);
        ck_assert_uint_eq(model_register(b.virtual.model, 0x31), detect[i]);
        if (i == 2)
            ck_assert_uint_eq(model_register(b.virtual.model, 0x3A), 0x64);
        else
            ck_assert_uint_eq(model_register(b.virtual.model, 0x2F), 0x40);
        bench_close(&b);
    }
}
END_TEST

/* Frequency words computed from f * 2^19 / 32 MHz. */
START_TEST(sx1276_frequency_words)
{
    static const struct {
        uint32_t hz, word;
    } table[] = {{868100000, 0xD90666}, {868300000, 0xD91333}, {902300000, 0xE19333},
                 {903900000, 0xE1F99A}, {915000000, 0xE4C000}, {916800000, 0xE53333}};
    struct bench b;

    bench_open(&b, BENCH_1276, 125000, 8);
    b.setup.chip.channel.frequency_hz = table[_i].hz;
    bench_start(&b);
    ck_assert_uint_eq(model_register(b.virtual.model, 6), table[_i].word >> 16);
    ck_assert_uint_eq(model_register(b.virtual.model, 7), table[_i].word >> 8 & 0xFF);
    ck_assert_uint_eq(model_register(b.virtual.model, 8), table[_i].word & 0xFF);
    bench_close(&b);
}
END_TEST

static int accepts(enum chip_model model, uint32_t khz, uint32_t bandwidth_hz, uint8_t sf,
                   int8_t dbm, bool boost)
{
    struct chip_setup s = {.model = model,
                           .channel = {khz * 1000, bandwidth_hz, sf, 0x34, 1},
                           .power_dbm = dbm,
                           .boost = boost};
    char why[256] = "";
    int r = chip_accepts(&s, why, sizeof why);

    ck_assert(r == 0 || why[0]);
    return r;
}

START_TEST(refuses_what_the_chip_cannot)
{
    ck_assert_int_eq(accepts(CHIP_SX1272, 868100, 125000, 12, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1272, 433000, 125000, 12, 14, false), 0);
    ck_assert_int_eq(accepts(CHIP_SX1276, 433000, 125000, 12, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1276, 700000, 125000, 12, 14, false), 0);
    ck_assert_int_eq(accepts(CHIP_SX1277, 868100, 125000, 9, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1277, 868100, 125000, 10, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1278, 868100, 125000, 9, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1279, 1000000, 125000, 9, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1262, 1000000, 125000, 9, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1268, 868100, 125000, 9, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_LLCC68, 868100, 125000, 10, 14, false), 0);
    ck_assert_int_eq(accepts(CHIP_LLCC68, 868100, 250000, 10, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1262, 868100, 62500, 9, 14, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1262, 868100, 125000, 6, 14, false), 0);
    ck_assert_int_eq(accepts(CHIP_SX1262, 868100, 125000, 7, 22, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1262, 868100, 125000, 7, 23, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1261, 868100, 125000, 7, 16, false), 0);
    ck_assert_int_lt(accepts(CHIP_SX1276, 868100, 125000, 7, 17, false), 0);
    ck_assert_int_eq(accepts(CHIP_SX1276, 868100, 125000, 7, 20, true), 0);
    ck_assert_int_lt(accepts(CHIP_SX1276, 868100, 125000, 7, 0, true), 0);
}
END_TEST

START_TEST(missing_lines_are_named)
{
    struct bench b;
    char why[256] = "";

    bench_open(&b, BENCH_1262, 125000, 7);
    b.setup.bus.has[BUS_BUSY] = false;
    ck_assert_int_lt(transceiver_open(&b.transceiver, &b.setup, NULL, NULL, why, sizeof why), 0);
    ck_assert_ptr_nonnull(strstr(why, "busy_line"));
    b.setup.bus.has[BUS_RESET] = false;
    ck_assert_int_lt(transceiver_open(&b.transceiver, &b.setup, NULL, NULL, why, sizeof why), 0);
    ck_assert_ptr_nonnull(strstr(why, "reset_line"));
    virtual_close(&b.virtual);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("chips");
    TCase *tests = tcase_create("chips");
    tcase_set_timeout(tests, 60);
    tcase_add_loop_test(tests, hears_every_channel, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, hears_every_length, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, loses_nothing_back_to_back, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, discards_bad_packets, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, hears_only_its_channel, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, hears_weak_packets, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, measures_the_offset, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, second_frame_while_reading, 0, BENCH_KINDS);
    tcase_add_loop_test(tests, antenna_switch_lines, 0, BENCH_KINDS);
    tcase_add_test(tests, tcxo_before_calibration);
    tcase_add_loop_test(tests, wrong_tcxo_is_told, 0, 3);
    tcase_add_test(tests, sx126x_errata_registers);
    tcase_add_test(tests, sx1276_errata_registers);
    tcase_add_loop_test(tests, sx1276_frequency_words, 0, 6);
    tcase_add_test(tests, refuses_what_the_chip_cannot);
    tcase_add_test(tests, missing_lines_are_named);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
