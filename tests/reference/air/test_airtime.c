/* Time on air against the published formula, published figures, and a second, integer form of it.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>

#include "protocol/air/airtime.h"
#include "tests/suite.h"

/* SX1276 datasheet section 4.1.1.7, in floating point and the letters used there; also AN1200.13.
 */
static double formula_us(const struct air_modulation *m, int pl)
{
    double sf = m->spreading_factor, ts = pow(2, sf) / m->bandwidth_hz;
    double de = ts > 0.016 ? 1 : 0, ih = m->implicit_header ? 1 : 0, crc = m->crc ? 1 : 0;
    double blocks = ceil((8 * pl - 4 * sf + 28 + 16 * crc - 20 * ih) / (4 * (sf - 2 * de)));
    double n_payload = 8 + fmax(blocks * (m->coding_rate + 4), 0);
    double t_preamble = (m->preamble + 4.25) * ts;
    return 1e6 * (t_preamble + n_payload * ts);
}

/* The manufacturer's SX126x driver counts in integers: bits after the first eight symbols, whole
 * blocks, then quarter symbols over the bandwidth. Written again from that description; spreading
 * factors 7 to 12. */
static uint64_t integer_quarters(const struct air_modulation *m, int pl)
{
    int sf = m->spreading_factor;
    bool low_rate = (1 << sf) / (m->bandwidth_hz / 1000.0) > 16.0;
    int bits = (pl << 3) + (m->crc ? 16 : 0) - 4 * sf + 8 + (m->implicit_header ? 0 : 20);
    int per_block = low_rate ? 4 * (sf - 2) : 4 * sf;
    int blocks = bits < 0 ? 0 : (bits + per_block - 1) / per_block;
    int symbols = blocks * (m->coding_rate + 4) + m->preamble + 12;
    return (uint64_t)(4 * symbols + 1) << (sf - 2);
}

enum { SETTINGS = 6 * 4 * 4 * 4 * 4 };

START_TEST(every_setting)
{
    static const uint32_t bandwidths_hz[] = {125000, 250000, 500000,
                                             41667 /* not whole microseconds */};
    static const uint16_t preambles[] = {6, 8, 16, 1000};
    unsigned compared = 0;
    for (unsigned i = 0; i < SETTINGS; i++) {
        struct air_modulation m = {.spreading_factor = (uint8_t)(7 + i % 6),
                                   .bandwidth_hz = bandwidths_hz[i / 6 % 4],
                                   .coding_rate = (uint8_t)(1 + i / 24 % 4),
                                   .preamble = preambles[i / 96 % 4],
                                   .crc = i / 384 % 2,
                                   .implicit_header = i / 768 % 2};
        double worst_us = 0;
        for (int pl = 0; pl < 256; pl++) {
            double got = air_time_us(&m, (uint8_t)pl);
            double vendor = 1e6 * (double)integer_quarters(&m, pl) / m.bandwidth_hz;
            worst_us = fmax(worst_us, fabs(got - formula_us(&m, pl)));
            worst_us = fmax(worst_us, fabs(got - vendor));
            compared++;
        }
        ck_assert_double_le(worst_us, 0.501); /* rounded to nearest */
    }
    ck_assert_uint_eq(compared, SETTINGS * 256UL);
}
END_TEST

/* Computed by hand from the datasheet's formula, except SF7 with 20 bytes, which a public test of
 * that formula also states (56.576 ms). Coding rate 4/5, preamble 8, explicit header. */
static const struct {
    uint32_t sf, bandwidth_hz, crc, len, us;
} table[] = {
    {7, 125000, true, 10, 41216},    {7, 125000, true, 13, 46336},
    {7, 125000, true, 20, 56576},    {7, 125000, true, 23, 61696},
    {7, 125000, true, 51, 102656},   {8, 125000, true, 10, 72192},
    {8, 125000, true, 13, 82432},    {8, 125000, true, 20, 102912},
    {8, 125000, true, 23, 113152},   {8, 125000, true, 51, 184832},
    {9, 125000, true, 10, 144384},   {9, 125000, true, 13, 164864},
    {9, 125000, true, 20, 185344},   {9, 125000, true, 23, 205824},
    {9, 125000, true, 51, 328704},   {11, 125000, true, 10, 577536},
    {11, 125000, true, 13, 577536},  {11, 125000, true, 20, 741376},
    {11, 125000, true, 23, 823296},  {11, 125000, true, 51, 1314816},
    {12, 125000, true, 10, 991232},  {12, 125000, true, 13, 1155072},
    {12, 125000, true, 20, 1318912}, {12, 125000, true, 23, 1482752},
    {12, 125000, true, 51, 2465792}, {8, 500000, true, 20, 25728},
    {8, 500000, true, 33, 33408},    {12, 500000, true, 20, 329728},
    {12, 500000, true, 33, 411648},  {7, 125000, false, 12, 41216},
};

START_TEST(published_table)
{
    struct air_modulation m = {.bandwidth_hz = table[_i].bandwidth_hz,
                               .spreading_factor = (uint8_t)table[_i].sf,
                               .coding_rate = 1,
                               .preamble = 8,
                               .crc = table[_i].crc != 0};
    ck_assert_uint_eq(air_time_us(&m, (uint8_t)table[_i].len), table[_i].us);
}
END_TEST

/* SX1276 datasheet section 4.1.1.6: low data rate optimisation when a symbol lasts more than 16 ms.
 */
START_TEST(low_rate_above_16_ms)
{
    for (uint8_t sf = 7; sf <= 12; sf++) {
        struct air_modulation m = {.bandwidth_hz = 125000, .spreading_factor = sf};
        ck_assert_int_eq(air_modulation_low_rate(&m), sf >= 11);
        m.bandwidth_hz = 250000;
        ck_assert_int_eq(air_modulation_low_rate(&m), sf == 12);
        m.bandwidth_hz = 500000;
        ck_assert(!air_modulation_low_rate(&m));
    }
}
END_TEST

START_TEST(settings_outside_the_range)
{
    struct air_modulation good = {.bandwidth_hz = 125000, .spreading_factor = 7, .coding_rate = 1};
    struct air_modulation bad[] = {good, good, good, good, good};
    bad[0].bandwidth_hz = 0;
    bad[1].spreading_factor = 6;
    bad[2].spreading_factor = 13;
    bad[3].coding_rate = 0;
    bad[4].coding_rate = 5;
    ck_assert_uint_ne(air_time_us(&good, 10), 0);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_uint_eq(air_time_us(&bad[i], 10), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("time on air");
    TCase *tc = tcase_create("published");
    tcase_add_test(tc, every_setting);
    tcase_add_loop_test(tc, published_table, 0, sizeof table / sizeof table[0]);
    tcase_add_test(tc, low_rate_above_16_ms);
    tcase_add_test(tc, settings_outside_the_range);
    tcase_set_timeout(tc, 60);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
