/* Worked examples of placing, by hand. Hours are those of UTC+05:30, so that an hour begins at half
 * past. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "collector/store/series.h"
#include "tests/suite.h"

#define HOUR_MS INT64_C(3600000)
#define NOON_MS (INT64_C(1785565800000)) /* 2026-08-01T06:30:00Z, noon in India */

static struct zone *zone;

static struct series_report at(int64_t minutes, uint32_t entries, const char *recent)
{
    struct series_report report = {.tick_ms = NOON_MS + minutes * 60000,
                                   .entries = entries,
                                   .tick = (uint8_t)((minutes + 6000) / 15 % 64),
                                   .interval_min = 15,
                                   .fcnt = (uint32_t)(minutes + 6000)};
    for (; *recent; recent++) /* '~' saturated, '?' unknown */
        report.recent[report.recent_count++] = (uint8_t)(*recent == '~'   ? 254
                                                         : *recent == '?' ? 255
                                                                          : *recent - '0');
    return report;
}

static struct series_placing place(const struct series_report *older,
                                   const struct series_report *newer)
{
    struct series_placing placing = {0};
    ck_assert_int_eq(series_place(older, newer, 1, zone, &placing), 0);
    return placing;
}

static void expect(const struct series_placing *placing, size_t index, int64_t hour,
                   int64_t entries, int64_t spread, int64_t covered_s, int64_t counted_s)
{
    ck_assert_uint_lt(index, placing->count);
    const struct series_change *change = &placing->changes[index];
    ck_assert_int_eq(change->hour_s, (NOON_MS + hour * HOUR_MS) / 1000);
    ck_assert_int_eq(change->entries, entries);
    ck_assert_int_eq(change->spread, spread);
    ck_assert_int_eq(change->covered_s, covered_s);
    ck_assert_int_eq(change->counted_s, counted_s);
}

START_TEST(neighbours)
{
    struct series_report a = at(0, 100, "1234567"), b = at(15, 103, "3123456");
    struct series_placing p = place(&a, &b);
    ck_assert_uint_eq(p.count, 1);
    expect(&p, 0, 0, 3, 0, 900, 900);
    series_placing_free(&p);
}
END_TEST

START_TEST(three_lost)
{
    /* Intervals end 15, 30, 45, 60 minutes after A: all in the hour that begins at A. */
    struct series_report a = at(-30, 100, "1"), b = at(30, 110, "1234567");
    struct series_placing p = place(&a, &b);
    ck_assert_uint_eq(p.count, 2);
    expect(&p, 0, -1, 3 + 4, 0, 1800, 1800);
    expect(&p, 1, 0, 1 + 2, 0, 1800, 1800);
    series_placing_free(&p);
}
END_TEST

START_TEST(long_gap)
{
    /* Twelve intervals, of which B carries seven (21); 39 are left for 75 minutes: 60 + 15. */
    struct series_report a = at(0, 100, ""), b = at(180, 160, "3333333");
    struct series_placing p = place(&a, &b);
    ck_assert_uint_eq(p.count, 3);
    expect(&p, 0, 0, 31, 31, 0, 3600);
    expect(&p, 1, 1, 8 + 9, 8, 2700, 3600);
    expect(&p, 2, 2, 12, 0, 3600, 3600);
    series_placing_free(&p);
}
END_TEST

START_TEST(wraps)
{
    struct series_report a = at(0, UINT32_MAX - 1, ""), b = at(15, 2, "4");
    struct series_placing p = place(&a, &b);
    expect(&p, 0, 0, 4, 0, 900, 900);
    series_placing_free(&p);
    /* 64 intervals and one: the tick alone would say one. */
    struct series_report c = at(65 * 15, 60, "5");
    ck_assert_int_eq(series_intervals(&a, &c), 65);
    p = place(&a, &c);
    ck_assert_uint_eq(p.count, 17);
    int64_t sum = 0;
    for (size_t i = 0; i < p.count; i++)
        sum += p.changes[i].entries;
    ck_assert_int_eq(sum, 62);
    ck_assert_int_eq(p.changes[16].entries - p.changes[16].spread, 5);
    series_placing_free(&p);
}
END_TEST

START_TEST(saturated_and_unknown)
{
    struct series_report a = at(0, 0, ""), b = at(60, 300, "2~5?");
    struct series_placing p = place(&a, &b);
    ck_assert_uint_eq(p.count, 1);
    /* 254 + 2 + 5 known; 39 spread over the saturated and the unknown quarter. */
    expect(&p, 0, 0, 300, 39, 1800, 2700);
    series_placing_free(&p);
}
END_TEST

START_TEST(too_many_in_intervals)
{
    struct series_report a = at(-30, 0, ""), b = at(30, 10, "9999");
    struct series_placing p = place(&a, &b);
    expect(&p, 0, -1, 5, 5, 0, 1800);
    expect(&p, 1, 0, 5, 5, 0, 1800);
    series_placing_free(&p);
}
END_TEST

START_TEST(too_few_in_intervals)
{
    struct series_report a = at(-15, 0, ""), b = at(15, 10, "11");
    struct series_placing p = place(&a, &b);
    expect(&p, 0, -1, 1 + 4, 4, 0, 900);
    expect(&p, 1, 0, 1 + 4, 4, 0, 900);
    series_placing_free(&p);
}
END_TEST

START_TEST(same_tick)
{
    struct series_report a = at(0, 7, "7"), b = at(0, 7, "7");
    struct series_placing p = place(&a, &b);
    ck_assert_uint_eq(p.count, 0);
    b.entries = 9; /* against the rules of a station, and not lost */
    p = place(&a, &b);
    ck_assert_uint_eq(p.count, 1);
    expect(&p, 0, 0, 2, 2, 0, 0);
    series_placing_free(&p);
}
END_TEST

START_TEST(switched_off)
{
    /* Off for 40 days: an unknown interval, then one of 5; what is carried beyond lies before A. */
    struct series_report a = at(0, 100, "89"), b = at(40 * 24 * 60, 105, "5?89");
    b.tick = (uint8_t)((a.tick + 2) % 64);
    struct series_placing p = place(&a, &b);
    int64_t entries = 0, covered_s = 0, counted_s = 0;
    for (size_t i = 0; i < p.count; i++) {
        entries += p.changes[i].entries - p.changes[i].spread;
        covered_s += p.changes[i].covered_s;
        counted_s += p.changes[i].counted_s;
    }
    ck_assert_int_eq(entries, 5);
    ck_assert_int_eq(covered_s, 900);
    ck_assert_int_eq(counted_s, 900);
    series_placing_free(&p);
}
END_TEST

START_TEST(first_report)
{
    struct series_report a = at(30, 100, "12~?");
    struct series_placing p = place(NULL, &a);
    ck_assert_int_eq(p.unplaced, 100 - 3 - 254 + (INT64_C(1) << 32));
    series_placing_free(&p);
    a.entries = 400;
    p = place(NULL, &a);
    ck_assert_int_eq(p.unplaced, 143);
    expect(&p, 0, -1, 254, 0, 0, 900);
    expect(&p, 1, 0, 3, 0, 1800, 1800);
    series_placing_free(&p);
}
END_TEST

START_TEST(others)
{
    struct series_report a = at(-30, 0, ""), b = at(30, 30, "9993");
    a.exits = 65530, b.exits = 14; /* 20, past 16 bits */
    a.short_passes = 3, b.short_passes = 10;
    a.blocked_2s = 65535, b.blocked_2s = 29; /* 60 s */
    struct series_placing p = place(&a, &b);
    ck_assert_int_eq(p.changes[0].entries, 12);
    ck_assert_int_eq(p.changes[0].exits, 8);
    ck_assert_int_eq(p.changes[1].exits, 12);
    ck_assert_int_eq(p.changes[0].shorts + p.changes[1].shorts, 7);
    ck_assert_int_eq(p.changes[0].blocked_s, 30);
    ck_assert_int_eq(p.changes[1].blocked_s, 30);
    series_placing_free(&p);
}
END_TEST

START_TEST(extremes)
{
    /* Exits and entries near 2^32 at once, a clock that jumps by 56 years, and back. */
    struct series_report a = at(0, 1, ""), b = at(15, 0, "1");
    a.full_totals = b.full_totals = true;
    a.exits = 1, b.exits = 0;
    b.tick_ms = 0;
    struct series_placing p = place(&a, &b);
    ck_assert_uint_eq(p.count, 1);
    ck_assert_int_eq(p.changes[0].entries, UINT32_MAX);
    ck_assert_int_eq(p.changes[0].exits, UINT32_MAX);
    series_placing_free(&p);
    p = place(&b, &a);
    ck_assert_uint_le(p.count, 400 * 24 + 1);
    int64_t entries = 0, exits = 0;
    for (size_t i = 0; i < p.count; i++)
        entries += p.changes[i].entries, exits += p.changes[i].exits;
    ck_assert_int_eq(entries, 1);
    ck_assert_int_eq(exits, 1);
    series_placing_free(&p);
    b = at(60 * 24 * 30, 0, "");
    b.full_totals = true;
    p = place(&a, &b);
    entries = exits = 0;
    for (size_t i = 0; i < p.count; i++) {
        ck_assert_int_ge(p.changes[i].entries, 0);
        ck_assert_int_ge(p.changes[i].exits, 0);
        entries += p.changes[i].entries, exits += p.changes[i].exits;
    }
    ck_assert_int_eq(entries, UINT32_MAX);
    ck_assert_int_eq(exits, UINT32_MAX);
    series_placing_free(&p);
}
END_TEST

START_TEST(taken_back)
{
    struct series_report a = at(0, 100, ""), b = at(180, 160, "3333333");
    struct series_placing p = place(&a, &b);
    ck_assert_int_eq(series_place(&a, &b, -1, zone, &p), 0);
    static const struct series_change nothing;
    for (size_t i = 0; i < p.count; i++) {
        p.changes[i].hour_s = 0;
        ck_assert_int_eq(memcmp(&p.changes[i], &nothing, sizeof nothing), 0);
    }
    series_placing_free(&p);
}
END_TEST

int main(void)
{
    if (zone_open("Asia/Kolkata", &zone))
        return EXIT_FAILURE;
    Suite *suite = suite_create("series");
    TCase *tcase = tcase_create("placing");
    tcase_add_test(tcase, neighbours);
    tcase_add_test(tcase, three_lost);
    tcase_add_test(tcase, long_gap);
    tcase_add_test(tcase, wraps);
    tcase_add_test(tcase, saturated_and_unknown);
    tcase_add_test(tcase, too_many_in_intervals);
    tcase_add_test(tcase, too_few_in_intervals);
    tcase_add_test(tcase, same_tick);
    tcase_add_test(tcase, switched_off);
    tcase_add_test(tcase, first_report);
    tcase_add_test(tcase, others);
    tcase_add_test(tcase, extremes);
    tcase_add_test(tcase, taken_back);
    suite_add_tcase(suite, tcase);
    int failed = suite_run(suite);
    zone_close(zone);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
