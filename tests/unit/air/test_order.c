#include <check.h>
#include <string.h>

#include "protocol/air/order.h"
#include "tests/suite.h"

static const struct {
    struct air_order order;
    uint8_t bytes[AIR_ORDER_MAX];
    size_t len;
} rows[] = {
    {{.kind = AIR_ORDER_INTERVAL, .sequence = 1, .interval_min = 30}, {0x11, 1, 30}, 3},
    {{.kind = AIR_ORDER_MARKS, .sequence = 2, .full_mark_mm = 90, .low_mark_mm = 25},
     {0x12, 2, 90, 25},
     4},
    {{.kind = AIR_ORDER_CHANNEL,
      .sequence = 3,
      .frequency_hz = 868100000,
      .bandwidth_hz = 125000,
      .spreading_factor = 9},
     {0x13, 3, 0x28, 0x76, 0x84, 0x09},
     6},
    {{.kind = AIR_ORDER_CHANNEL,
      .frequency_hz = 915900000,
      .bandwidth_hz = 500000,
      .spreading_factor = 8},
     {0x13, 0, 0x58, 0xC1, 0x8B, 0x28},
     6},
    {{.kind = AIR_ORDER_POWER, .power_dbm = -9}, {0x14, 0, 0xF7}, 3},
    {{.kind = AIR_ORDER_POWER, .power_dbm = 30}, {0x14, 0, 30}, 3},
    {{.kind = AIR_ORDER_DIAGNOSTICS, .sequence = 3}, {0x15, 3}, 2},
};
enum { ROWS = sizeof rows / sizeof rows[0] };

START_TEST(both_ways)
{
    const struct air_order *o = &rows[_i].order;
    uint8_t bytes[AIR_ORDER_MAX];
    size_t len = 0;
    struct air_order back;
    ck_assert_int_eq(air_order_encode(o, bytes, &len), 0);
    ck_assert_uint_eq(len, rows[_i].len);
    ck_assert_mem_eq(bytes, rows[_i].bytes, len);
    ck_assert_int_eq(air_order_decode(bytes, len, &back), 0);
    ck_assert_int_eq(back.kind, o->kind);
    ck_assert_uint_eq(back.sequence, o->sequence);
    ck_assert_uint_eq(back.interval_min, o->interval_min);
    ck_assert_uint_eq(back.full_mark_mm, o->full_mark_mm);
    ck_assert_uint_eq(back.low_mark_mm, o->low_mark_mm);
    ck_assert_uint_eq(back.frequency_hz, o->frequency_hz);
    ck_assert_uint_eq(back.bandwidth_hz, o->bandwidth_hz);
    ck_assert_uint_eq(back.spreading_factor, o->spreading_factor);
    ck_assert_int_eq(back.power_dbm, o->power_dbm);
}
END_TEST

START_TEST(lengths)
{
    struct air_order out = {.sequence = 7};
    uint8_t bytes[AIR_ORDER_MAX + 1] = {0};
    memcpy(bytes, rows[_i].bytes, rows[_i].len);
    for (size_t len = 0; len < rows[_i].len; len++)
        ck_assert_int_eq(air_order_decode(bytes, len, &out), AIR_SHORT);
    for (size_t len = rows[_i].len + 1; len <= sizeof bytes; len++)
        ck_assert_int_eq(air_order_decode(bytes, len, &out), AIR_LONG);
    ck_assert_uint_eq(out.sequence, 7);
}
END_TEST

START_TEST(versions_and_kinds)
{
    for (unsigned first = 0; first < 256; first++) {
        uint8_t bytes[2] = {(uint8_t)first, 0};
        struct air_order out;
        unsigned version = first >> 4, kind = first & 15;
        int want = version > 1            ? AIR_VERSION
                   : version == 0         ? AIR_RANGE
                   : kind < 1 || kind > 5 ? AIR_KIND
                   : kind == 5            ? AIR_OK
                                          : AIR_SHORT;
        ck_assert_int_eq(air_order_decode(bytes, 2, &out), want);
    }
}
END_TEST

START_TEST(reserved_bits_are_ignored)
{
    uint8_t bytes[2] = {0x15, 0xFE};
    struct air_order out;
    ck_assert_int_eq(air_order_decode(bytes, 2, &out), 0);
    ck_assert_uint_eq(out.sequence, 2);
}
END_TEST

static const struct {
    uint8_t bytes[AIR_ORDER_MAX];
    size_t len;
} out_of_range[] = {
    {{0x11, 0, 0}, 3},
    {{0x11, 0, 61}, 3},
    {{0x12, 0, 30, 30}, 4},
    {{0x12, 0, 251, 30}, 4},
    {{0x12, 0, 0, 0}, 4},
    {{0x13, 0, 0, 0, 0, 0x09}, 6},
    {{0x13, 0, 1, 2, 3, 0x39}, 6}, /* a bandwidth there is not */
    {{0x13, 0, 1, 2, 3, 0x06}, 6},
    {{0x13, 0, 1, 2, 3, 0x0D}, 6},
    {{0x14, 0, 31}, 3},
    {{0x14, 0, 0xF6}, 3},
};

START_TEST(decoding_refuses)
{
    struct air_order out;
    ck_assert_int_eq(air_order_decode(out_of_range[_i].bytes, out_of_range[_i].len, &out),
                     AIR_RANGE);
}
END_TEST

START_TEST(encoding_refuses)
{
    uint8_t bytes[AIR_ORDER_MAX];
    size_t len = 4711;
    struct air_order o = rows[2].order;
    o.frequency_hz = 868100050; /* not a whole step */
    ck_assert_int_eq(air_order_encode(&o, bytes, &len), AIR_RANGE);
    o.frequency_hz = 1677721600; /* past 24 bits */
    ck_assert_int_eq(air_order_encode(&o, bytes, &len), AIR_RANGE);
    o = rows[2].order;
    o.bandwidth_hz = 62500;
    ck_assert_int_eq(air_order_encode(&o, bytes, &len), AIR_RANGE);
    o = rows[0].order;
    o.sequence = 4;
    ck_assert_int_eq(air_order_encode(&o, bytes, &len), AIR_RANGE);
    o.kind = (enum air_order_kind)6;
    ck_assert_int_eq(air_order_encode(&o, bytes, &len), AIR_KIND);
    o.kind = (enum air_order_kind)0;
    ck_assert_int_eq(air_order_encode(&o, bytes, &len), AIR_KIND);
    ck_assert_uint_eq(len, 4711);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("air order");
    TCase *tc = tcase_create("order");
    tcase_add_loop_test(tc, both_ways, 0, ROWS);
    tcase_add_loop_test(tc, lengths, 0, ROWS);
    tcase_add_test(tc, versions_and_kinds);
    tcase_add_test(tc, reserved_bits_are_ignored);
    tcase_add_loop_test(tc, decoding_refuses, 0, sizeof out_of_range / sizeof out_of_range[0]);
    tcase_add_test(tc, encoding_refuses);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
