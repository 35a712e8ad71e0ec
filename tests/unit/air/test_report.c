#include <check.h>
#include <string.h>

#include "protocol/air/report.h"
#include "tests/suite.h"

static struct air_report regular(void)
{
    return (struct air_report){.kind = AIR_REGULAR,
                               .epoch = 3,
                               .entries = 0x01020304,
                               .exits = 0x1122,
                               .short_passes = 0x3344,
                               .blocked_2s = 0x5566,
                               .level_qmm = 321,
                               .tick = 63,
                               .age_256 = 128,
                               .interval_min = 15,
                               .flags = AIR_FLAG_TILT | AIR_FLAG_RESTART,
                               .service_sequence = 9,
                               .order_sequence = 2,
                               .order_answer = AIR_ANSWER_REFUSED,
                               .temperature_dc = 235,
                               .humidity_pm = 655,
                               .battery_mv = 3300,
                               .recent_count = 3,
                               .recent = {1, AIR_RECENT_SATURATED, AIR_RECENT_UNKNOWN},
                               .full_mark_mm = AIR_MARK_UNKNOWN,
                               .low_mark_mm = AIR_MARK_UNKNOWN};
}

static struct air_report daily(void)
{
    return (struct air_report){.kind = AIR_DAILY,
                               .epoch = 3,
                               .entries = 0xFFFFFFFF,
                               .exits = 0x11223344,
                               .short_passes = 0x55667788,
                               .blocked_2s = 0x99AABB,
                               .level_qmm = AIR_LEVEL_UNKNOWN,
                               .tick = 0,
                               .age_256 = 255,
                               .interval_min = 60,
                               .flags = AIR_FLAG_LEVEL_FAULT,
                               .service_sequence = 15,
                               .order_sequence = 3,
                               .order_answer = AIR_ANSWER_DONE,
                               .temperature_dc = AIR_TEMPERATURE_UNKNOWN,
                               .humidity_pm = AIR_HUMIDITY_UNKNOWN,
                               .battery_mv = AIR_BATTERY_UNKNOWN,
                               .full_mark_mm = 90,
                               .low_mark_mm = 30,
                               .firmware_major = 1,
                               .firmware_minor = 7,
                               .restarts = 200};
}

static void check_same(const struct air_report *a, const struct air_report *b)
{
    ck_assert_int_eq(a->kind, b->kind);
    ck_assert_uint_eq(a->epoch, b->epoch);
    ck_assert_uint_eq(a->entries, b->entries);
    ck_assert_uint_eq(a->exits, b->exits);
    ck_assert_uint_eq(a->short_passes, b->short_passes);
    ck_assert_uint_eq(a->blocked_2s, b->blocked_2s);
    ck_assert_uint_eq(a->level_qmm, b->level_qmm);
    ck_assert_uint_eq(a->tick, b->tick);
    ck_assert_uint_eq(a->age_256, b->age_256);
    ck_assert_uint_eq(a->interval_min, b->interval_min);
    ck_assert_uint_eq(a->flags, b->flags);
    ck_assert_uint_eq(a->service_sequence, b->service_sequence);
    ck_assert_uint_eq(a->order_sequence, b->order_sequence);
    ck_assert_int_eq(a->order_answer, b->order_answer);
    ck_assert_int_eq(a->temperature_dc, b->temperature_dc);
    ck_assert_int_eq(a->humidity_pm, b->humidity_pm);
    ck_assert_int_eq(a->battery_mv, b->battery_mv);
    ck_assert_uint_eq(a->recent_count, b->recent_count);
    ck_assert_mem_eq(a->recent, b->recent, a->recent_count);
    ck_assert_uint_eq(a->full_mark_mm, b->full_mark_mm);
    ck_assert_uint_eq(a->low_mark_mm, b->low_mark_mm);
    ck_assert_uint_eq(a->firmware_major, b->firmware_major);
    ck_assert_uint_eq(a->firmware_minor, b->firmware_minor);
    ck_assert_uint_eq(a->restarts, b->restarts);
}

static void check_round_trip(const struct air_report *report, size_t want_len)
{
    uint8_t bytes[AIR_REPORT_MAX];
    size_t len = 0;
    struct air_report back;
    ck_assert_int_eq(air_report_encode(report, bytes, &len), 0);
    ck_assert_uint_eq(len, want_len);
    ck_assert_int_eq(air_report_decode(bytes, len, &back), 0);
    check_same(report, &back);
}

START_TEST(round_trips)
{
    struct air_report r = regular(), d = daily();
    check_round_trip(&d, 28);
    for (unsigned count = 0; count <= AIR_RECENT_MAX; count++) {
        r.recent_count = (uint8_t)count;
        check_round_trip(&r, 21u + count);
    }
    r.temperature_dc = AIR_TEMPERATURE_UNKNOWN;
    r.humidity_pm = AIR_HUMIDITY_UNKNOWN;
    r.battery_mv = AIR_BATTERY_UNKNOWN;
    r.level_qmm = AIR_LEVEL_UNKNOWN;
    check_round_trip(&r, 28);
}
END_TEST

/* The bytes themselves, counted from AIR.md's tables by hand. */
START_TEST(bytes_of_a_regular_report)
{
    struct air_report r = regular();
    uint8_t bytes[AIR_REPORT_MAX];
    size_t len = 0;
    static const uint8_t want[] = {0x11, 3,    0x04, 0x03, 0x02, 0x01, /* entries */
                                   0x22, 0x11,                         /* exits */
                                   0x44, 0x33,                         /* short passes */
                                   0x66, 0x55,                         /* blocked */
                                   0x41, 0xFD,                         /* 63 << 10 | 321 */
                                   127,                                /* (23.5 + 40) / 0.5 */
                                   131,                                /* 65.5 / 0.5 */
                                   115,                                /* (3300 - 1000) / 20 */
                                   15,   0x11, 128,  0x9A,             /* 9 << 4 | 2 << 2 | 2 */
                                   1,    254,  255};
    ck_assert_int_eq(air_report_encode(&r, bytes, &len), 0);
    ck_assert_uint_eq(len, sizeof want);
    ck_assert_mem_eq(bytes, want, len);
}
END_TEST

START_TEST(bytes_of_a_daily_report)
{
    struct air_report d = daily();
    uint8_t bytes[AIR_REPORT_MAX];
    size_t len = 0;
    static const uint8_t want[] = {0x12, 3,    0xFF, 0xFF, 0xFF, 0xFF, 0x44, 0x33, 0x22, 0x11,
                                   0x88, 0x77, 0x66, 0x55, 0xBB, 0xAA, 0x99, 0xFF, 0x03, 0x04,
                                   255,  60,   0xFD, 90,   30,   1,    7,    200};
    ck_assert_int_eq(air_report_encode(&d, bytes, &len), 0);
    ck_assert_uint_eq(len, sizeof want);
    ck_assert_mem_eq(bytes, want, len);
}
END_TEST

/* Both ends of each scale, and the nearest step for what lies between. */
START_TEST(scales)
{
    static const struct {
        int16_t temperature_dc, humidity_pm, battery_mv;
        uint8_t temperature, humidity, battery;
    } rows[] = {{-400, 0, 1000, 0, 0, 0},
                {870, 1000, 6080, 254, 200, 254},
                {-398, 2, 1009, 0, 0, 0},
                {-397, 3, 1010, 1, 1, 1},
                {0, 500, 3000, 80, 100, 100}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct air_report r = regular();
        r.temperature_dc = rows[i].temperature_dc;
        r.humidity_pm = rows[i].humidity_pm;
        r.battery_mv = rows[i].battery_mv;
        uint8_t bytes[AIR_REPORT_MAX];
        size_t len;
        ck_assert_int_eq(air_report_encode(&r, bytes, &len), 0);
        ck_assert_uint_eq(bytes[14], rows[i].temperature);
        ck_assert_uint_eq(bytes[15], rows[i].humidity);
        ck_assert_uint_eq(bytes[16], rows[i].battery);
    }
}
END_TEST

START_TEST(counters_are_cut_to_their_bits)
{
    struct air_report r = regular(), d = daily(), back;
    uint8_t bytes[AIR_REPORT_MAX];
    size_t len;
    r.exits = 0x12345, r.short_passes = 0x23456, r.blocked_2s = 0x34567;
    ck_assert_int_eq(air_report_encode(&r, bytes, &len), 0);
    ck_assert_int_eq(air_report_decode(bytes, len, &back), 0);
    ck_assert_uint_eq(back.exits, 0x2345);
    ck_assert_uint_eq(back.short_passes, 0x3456);
    ck_assert_uint_eq(back.blocked_2s, 0x4567);
    d.blocked_2s = 0x12345678;
    ck_assert_int_eq(air_report_encode(&d, bytes, &len), 0);
    ck_assert_int_eq(air_report_decode(bytes, len, &back), 0);
    ck_assert_uint_eq(back.blocked_2s, 0x345678);
}
END_TEST

START_TEST(encoding_refuses)
{
    struct air_report r;
    uint8_t bytes[AIR_REPORT_MAX];
    size_t len = 4711;
#define REFUSED(start, change, error)                                                              \
    r = start();                                                                                   \
    change;                                                                                        \
    ck_assert_int_eq(air_report_encode(&r, bytes, &len), error)
    REFUSED(regular, r.kind = (enum air_report_kind)3, AIR_KIND);
    REFUSED(regular, r.kind = (enum air_report_kind)0, AIR_KIND);
    REFUSED(regular, r.level_qmm = 1001, AIR_RANGE);
    REFUSED(regular, r.tick = 64, AIR_RANGE);
    REFUSED(regular, r.interval_min = 0, AIR_RANGE);
    REFUSED(regular, r.interval_min = 61, AIR_RANGE);
    REFUSED(regular, r.flags = 0x20, AIR_RANGE);
    REFUSED(regular, r.service_sequence = 16, AIR_RANGE);
    REFUSED(regular, r.order_sequence = 4, AIR_RANGE);
    REFUSED(regular, r.order_answer = (enum air_answer)4, AIR_RANGE);
    REFUSED(regular, r.recent_count = 8, AIR_RANGE);
    REFUSED(regular, r.temperature_dc = -401, AIR_RANGE);
    REFUSED(regular, r.temperature_dc = 871, AIR_RANGE);
    REFUSED(regular, r.humidity_pm = 1001, AIR_RANGE);
    REFUSED(regular, r.humidity_pm = -2, AIR_RANGE);
    REFUSED(regular, r.battery_mv = 999, AIR_RANGE);
    REFUSED(regular, r.battery_mv = 6081, AIR_RANGE);
    REFUSED(daily, r.full_mark_mm = 251, AIR_RANGE);
    REFUSED(daily, r.low_mark_mm = 251, AIR_RANGE);
#undef REFUSED
    ck_assert_uint_eq(len, 4711);
}
END_TEST

START_TEST(decoding_refuses)
{
    struct air_report r = regular(), d = daily(), untouched = {.entries = 42};
    uint8_t a[AIR_REPORT_MAX + 1] = {0}, b[AIR_REPORT_MAX + 1] = {0};
    size_t len;
    r.recent_count = AIR_RECENT_MAX;
    ck_assert_int_eq(air_report_encode(&r, a, &len), 0);
    ck_assert_int_eq(air_report_encode(&d, b, &len), 0);
    for (len = 0; len < 21; len++)
        ck_assert_int_eq(air_report_decode(a, len, &untouched), AIR_SHORT);
    for (len = 0; len < 28; len++)
        ck_assert_int_eq(air_report_decode(b, len, &untouched), AIR_SHORT);
    ck_assert_int_eq(air_report_decode(a, 29, &untouched), AIR_LONG);
    ck_assert_int_eq(air_report_decode(b, 29, &untouched), AIR_LONG);
    for (unsigned first = 0; first < 256; first++) {
        unsigned version = first >> 4, kind = first & 15;
        a[0] = (uint8_t)first;
        int want = version > 1              ? AIR_VERSION
                   : version == 0           ? AIR_RANGE
                   : kind == 1 || kind == 2 ? AIR_OK
                                            : AIR_KIND;
        struct air_report out;
        a[21] = 15; /* the interval, were it daily */
        ck_assert_int_eq(air_report_decode(a, 28, &out), want);
    }
    a[0] = 0x11;
    for (unsigned minutes = 0; minutes < 256; minutes++) {
        struct air_report out;
        a[17] = b[21] = (uint8_t)minutes;
        int want = minutes >= 1 && minutes <= 60 ? AIR_OK : AIR_RANGE;
        ck_assert_int_eq(air_report_decode(a, 28, &out), want);
        ck_assert_int_eq(air_report_decode(b, 28, &out), want);
    }
    ck_assert_uint_eq(untouched.entries, 42);
}
END_TEST

/* One bad sensor must not cost the counters: reserved codes read as unknown, reserved flags as 0.
 */
START_TEST(reserved_codes)
{
    struct air_report r = regular(), d = daily(), out;
    uint8_t a[AIR_REPORT_MAX], b[AIR_REPORT_MAX];
    size_t len_a, len_b;
    ck_assert_int_eq(air_report_encode(&r, a, &len_a), 0);
    ck_assert_int_eq(air_report_encode(&d, b, &len_b), 0);
    for (unsigned code = 0; code < 1024; code++) {
        a[12] = (uint8_t)code;
        a[13] = (uint8_t)(code >> 8);
        ck_assert_int_eq(air_report_decode(a, len_a, &out), 0);
        ck_assert_uint_eq(out.level_qmm, code > 1000 ? AIR_LEVEL_UNKNOWN : code);
        ck_assert_uint_eq(out.entries, r.entries);
    }
    for (unsigned code = 0; code < 256; code++) {
        a[15] = b[23] = b[24] = a[18] = (uint8_t)code;
        ck_assert_int_eq(air_report_decode(a, len_a, &out), 0);
        ck_assert_int_eq(out.humidity_pm, code > 200 ? AIR_HUMIDITY_UNKNOWN : (int)code * 5);
        ck_assert_uint_eq(out.flags, code & 0x1F);
        ck_assert_int_eq(air_report_decode(b, len_b, &out), 0);
        ck_assert_uint_eq(out.full_mark_mm, code > 250 ? AIR_MARK_UNKNOWN : code);
        ck_assert_uint_eq(out.low_mark_mm, code > 250 ? AIR_MARK_UNKNOWN : code);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("air report");
    TCase *tc = tcase_create("report");
    tcase_add_test(tc, round_trips);
    tcase_add_test(tc, bytes_of_a_regular_report);
    tcase_add_test(tc, bytes_of_a_daily_report);
    tcase_add_test(tc, scales);
    tcase_add_test(tc, counters_are_cut_to_their_bits);
    tcase_add_test(tc, encoding_refuses);
    tcase_add_test(tc, decoding_refuses);
    tcase_add_test(tc, reserved_codes);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
