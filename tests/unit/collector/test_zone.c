/* Published rules: Directive 2000/84/EC (last Sundays of March and October, 01:00 UTC); the Energy
 * Policy Act of 2005, section 110 (second Sunday of March, first Sunday of November, 02:00 local).
 * The other zones: the C library as reference, asked by another way (the process's own zone). */
#include <check.h>
#include <errno.h>
#include <stdbool.h>
#include <stdlib.h>
#include <time.h>

#include "collector/store/zone.h"
#include "tests/suite.h"

static int64_t utc(int year, int month, int day, int hour, int minute)
{
    struct tm tm = {.tm_year = year - 1900,
                    .tm_mon = month - 1,
                    .tm_mday = day,
                    .tm_hour = hour,
                    .tm_min = minute};
    return timegm(&tm);
}

static struct zone *open_zone(const char *name)
{
    struct zone *zone = NULL;
    ck_assert_int_eq(zone_open(name, &zone), 0);
    return zone;
}

START_TEST(european_days)
{
    struct zone *zone = open_zone("Europe/Rome");
    struct zone_span day = zone_day(zone, utc(2026, 3, 29, 12, 0));
    ck_assert_int_eq(day.begin_s, utc(2026, 3, 28, 23, 0));
    ck_assert_int_eq(day.end_s - day.begin_s, 23 * 3600);
    day = zone_day(zone, utc(2026, 10, 25, 0, 30));
    ck_assert_int_eq(day.begin_s, utc(2026, 10, 24, 22, 0));
    ck_assert_int_eq(day.end_s - day.begin_s, 25 * 3600);
    /* 02:30 comes twice on 25 October and never on 29 March. */
    ck_assert_int_eq(zone_instant(zone, 2026, 10, 25, 9000), utc(2026, 10, 25, 0, 30));
    ck_assert_int_eq(zone_instant(zone, 2026, 3, 29, 9000), utc(2026, 3, 29, 1, 0));
    ck_assert_int_eq(zone_hour(zone, utc(2026, 10, 25, 1, 30)).begin_s, utc(2026, 10, 25, 1, 0));
    zone_close(zone);
}
END_TEST

START_TEST(american_days)
{
    struct zone *zone = open_zone("America/Los_Angeles");
    struct zone_span day = zone_day(zone, utc(2026, 3, 8, 20, 0));
    ck_assert_int_eq(day.begin_s, utc(2026, 3, 8, 8, 0));
    ck_assert_int_eq(day.end_s - day.begin_s, 23 * 3600);
    day = zone_day(zone, utc(2026, 11, 1, 20, 0));
    ck_assert_int_eq(day.begin_s, utc(2026, 11, 1, 7, 0));
    ck_assert_int_eq(day.end_s - day.begin_s, 25 * 3600);
    zone_close(zone);
}
END_TEST

START_TEST(half_hours)
{
    struct zone *zone = open_zone("Asia/Kolkata");
    struct zone_span hour = zone_hour(zone, utc(2026, 5, 1, 6, 40));
    ck_assert_int_eq(hour.begin_s, utc(2026, 5, 1, 6, 30));
    ck_assert_int_eq(hour.end_s, utc(2026, 5, 1, 7, 30));
    zone_close(zone);
    /* Lord Howe Island moves its clocks by half an hour. */
    zone = open_zone("Australia/Lord_Howe");
    struct zone_span day = zone_day(zone, utc(2026, 4, 4, 20, 0));
    ck_assert_int_eq(day.end_s - day.begin_s, 24 * 3600 + 1800);
    zone_close(zone);
}
END_TEST

static void same_as_library(const struct zone *zone, int64_t at_s)
{
    time_t at = at_s;
    struct tm tm;
    localtime_r(&at, &tm);
    struct zone_local local = zone_local(zone, at_s);
    ck_assert_int_eq(local.year, tm.tm_year + 1900);
    ck_assert_int_eq(local.month, tm.tm_mon + 1);
    ck_assert_int_eq(local.day, tm.tm_mday);
    ck_assert_int_eq(local.hour, tm.tm_hour);
    ck_assert_int_eq(local.minute, tm.tm_min);
    ck_assert_int_eq(local.weekday, tm.tm_wday);
    ck_assert_int_eq(zone_offset_s(zone, at_s), tm.tm_gmtoff);
}

/* Days tile time, each shows one date, and hours tile days. */
static void days_tile(const struct zone *zone, int64_t from_s, int64_t to_s)
{
    struct zone_span day = zone_day(zone, from_s);
    while (day.begin_s < to_s) {
        struct zone_local first = zone_local(zone, day.begin_s);
        struct zone_local last = zone_local(zone, day.end_s - 1);
        if (first.hour == 0 && last.hour == 23) /* all but the oddest days */
            ck_assert_int_eq(first.day, last.day);
        same_as_library(zone, day.begin_s);
        same_as_library(zone, day.end_s - 1);
        ck_assert_int_ne(zone_local(zone, day.end_s).day, last.day);
        ck_assert_int_eq(zone_day(zone, day.end_s - 1).begin_s, day.begin_s);
        bool looked = day.end_s - day.begin_s != 86400 || day.begin_s / 86400 % 53 == 0;
        int64_t at_s = looked ? day.begin_s : day.end_s;
        while (at_s < day.end_s) {
            struct zone_span hour = zone_hour(zone, at_s);
            ck_assert_int_eq(hour.begin_s, at_s);
            ck_assert_int_gt(hour.end_s, at_s);
            ck_assert_int_eq(zone_hour(zone, hour.end_s - 1).begin_s, at_s);
            at_s = hour.end_s;
        }
        ck_assert_int_eq(at_s, day.end_s);
        struct zone_span next = zone_day(zone, day.end_s);
        ck_assert_int_eq(next.begin_s, day.end_s);
        day = next;
    }
}

/* Every zone, but under the sanitizers fewer years of each. */
#ifdef __SANITIZE_ADDRESS__
enum { LAST_YEAR = 2003 };
#else
enum { LAST_YEAR = 2040 };
#endif

START_TEST(tiles)
{
    static const char *const names[] = {"Europe/Rome",         "America/Havana",  "Asia/Beirut",
                                        "Africa/Casablanca",   "Asia/Kathmandu",  "Pacific/Chatham",
                                        "Australia/Lord_Howe", "Atlantic/Azores", "UTC",
                                        "America/St_Johns"};
    struct zone *zone = open_zone(names[_i]);
    setenv("TZ", names[_i], 1);
    tzset();
    days_tile(zone, utc(1998, 1, 1, 0, 0), utc(LAST_YEAR, 1, 1, 0, 0));
    zone_close(zone);
}
END_TEST

/* Newfoundland put its clocks back at one minute past midnight until 2011, so that 24 October 1998
 * came back after a minute of the 25th: one day of 25 hours. (From memory, and in the zone data.)
 */
START_TEST(date_comes_back)
{
    struct zone *zone = open_zone("America/St_Johns");
    struct zone_span day = zone_day(zone, utc(1998, 10, 25, 2, 30));
    ck_assert_int_eq(day.end_s - day.begin_s, 25 * 3600);
    ck_assert_int_eq(day.end_s, utc(1998, 10, 25, 3, 30));
    ck_assert_int_eq(zone_day(zone, utc(1998, 10, 25, 3, 0)).begin_s, day.begin_s);
    ck_assert_int_eq(zone_day(zone, utc(1998, 10, 25, 3, 30)).begin_s, day.end_s);
    zone_close(zone);
}
END_TEST

START_TEST(refuses_names)
{
    struct zone *zone = NULL;
    ck_assert_int_eq(zone_open("Europe/Nowhere", &zone), -ENOENT);
    ck_assert_int_eq(zone_open("../../etc/passwd", &zone), -EINVAL);
    ck_assert_int_eq(zone_open("", &zone), -EINVAL);
    ck_assert_int_eq(zone_open("/etc/localtime", &zone), -EINVAL);
    ck_assert_ptr_null(zone);
}
END_TEST

START_TEST(leaves_the_process_alone)
{
    setenv("TZ", "Asia/Tokyo", 1);
    tzset();
    struct zone *zone = open_zone("Europe/Rome");
    ck_assert_str_eq(getenv("TZ"), "Asia/Tokyo");
    time_t at = utc(2026, 1, 1, 0, 0);
    ck_assert_int_eq(localtime(&at)->tm_hour, 9);
    zone_close(zone);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("zone");
    TCase *tcase = tcase_create("zone");
    tcase_set_timeout(tcase, 60);
    tcase_add_test(tcase, european_days);
    tcase_add_test(tcase, american_days);
    tcase_add_test(tcase, half_hours);
    tcase_add_loop_test(tcase, tiles, 0, 10);
    tcase_add_test(tcase, date_comes_back);
    tcase_add_test(tcase, refuses_names);
    tcase_add_test(tcase, leaves_the_process_alone);
    suite_add_tcase(suite, tcase);
    return suite_run(suite);
}
