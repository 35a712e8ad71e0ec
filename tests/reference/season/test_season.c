#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "collector/season/degree_days.h"
#include "collector/season/sun.h"
#include "tests/suite.h"

/* Zalom, Goodell, Wilson, Barnett and Bentley 1983, "Degree-Days: The Calculation and Use of Heat
 * Units in Pest Management", University of California leaflet 21373, table 7: thresholds 55 and 90
 * F, single sine. */
static const struct {
    double least, most, degree_days;
} zalom[] = {
    {96, 110, 35.00}, {91, 105, 35.00}, {45, 54, 0},    {38, 50, 0},      {60, 80, 15.00},
    {75, 88, 26.50},  {50, 82, 11.85},  {45, 70, 5.31}, {60, 100, 22.82}, {50, 101, 18.95},
};

START_TEST(single_sine_agrees_with_zalom_table_7)
{
    struct degree_thresholds fahrenheit = {55, 90};
    double sum = degree_days_sine(zalom[_i].least, zalom[_i].most, &fahrenheit);
    ck_assert_double_eq_tol(sum, zalom[_i].degree_days, 0.00501);
}
END_TEST

/* Test values of the R package TrenchR (Buckley et al.), single sine, 12 and 33 C. Its row 35/40 is
 * left out: a day wholly above the upper threshold gives the difference of the thresholds, 21, and
 * that package's own double sine says so too. */
static const struct {
    double least, most, degree_days;
} trench[] = {{7, 14, 0.47},  {13, 14, 1.5}, {13, 40, 12.94},
              {7, 40, 10.94}, {7, 10, 0},    {35, 40, 21}};

START_TEST(single_sine_agrees_with_trenchr)
{
    struct degree_thresholds celsius = {12, 33};
    double sum = degree_days_sine(trench[_i].least, trench[_i].most, &celsius);
    ck_assert_double_eq_tol(sum, trench[_i].degree_days, 0.00501);
}
END_TEST

START_TEST(units_convert)
{
    struct degree_thresholds celsius = {10, NAN}, fahrenheit = {50, NAN};
    double c = degree_days_sine(7, 31, &celsius);
    double f = degree_days_sine(7 * 1.8 + 32, 31 * 1.8 + 32, &fahrenheit);
    ck_assert_double_eq_tol(degree_days_f_from_c(c), f, 1e-9);
}
END_TEST

START_TEST(unknown_days_stay_unknown)
{
    struct degree_thresholds celsius = {10, 30};
    ck_assert(isnan(degree_days_sine(NAN, 20, &celsius)));
    ck_assert(isnan(degree_days_sine(21, 20, &celsius)));
    ck_assert_double_eq(degree_days_sine(20, 20, &celsius), 10);
}
END_TEST

static int64_t utc(int year, int month, int day, int hour, int minute, int second)
{
    struct tm tm = {.tm_year = year - 1900,
                    .tm_mon = month - 1,
                    .tm_mday = day,
                    .tm_hour = hour,
                    .tm_min = minute,
                    .tm_sec = second};
    return timegm(&tm);
}

/* Golden, 17 October 2003: sunrise 06:12:43 is the reference value of NREL/TP-560-34302 (Reda and
 * Andreas, "Solar Position Algorithm"), whose sunset is that of the day of universal time; the
 * other times of the table were computed with the NOAA (Meeus) low-precision algorithm at
 * zenith 90.833 degrees. */
static const struct {
    double latitude, longitude;
    int hours_east, year, month, day;
    int dawn[3], rise[3], noon[3], set[3], dusk[3];
} sun_table[] = {
    {39.742476,
     -105.1786,
     -7,
     2003,
     10,
     17,
     {5, 45, 28},
     {6, 12, 43},
     {11, 46, 4},
     {17, 18, 51},
     {17, 46, 4}},
    {39.742,
     -105.179,
     -6,
     2024,
     6,
     21,
     {5, 0, 21},
     {5, 33, 2},
     {13, 2, 42},
     {20, 32, 21},
     {21, 5, 3}},
    {39.742,
     -105.179,
     -7,
     2024,
     12,
     21,
     {6, 48, 6},
     {7, 18, 34},
     {11, 59, 11},
     {16, 39, 49},
     {17, 10, 16}},
    {38.2975,
     -122.2869,
     -7,
     2026,
     9,
     1,
     {6, 11, 48},
     {6, 38, 53},
     {13, 9, 4},
     {19, 38, 36},
     {20, 5, 36}},
};

START_TEST(sun_times_agree_within_a_minute)
{
    struct sun_day day;
    int64_t midnight = utc(sun_table[_i].year, sun_table[_i].month, sun_table[_i].day, 0, 0, 0) -
                       sun_table[_i].hours_east * 3600;
    sun_of_day(sun_table[_i].latitude, sun_table[_i].longitude, midnight + 12 * 3600, &day);
    ck_assert(day.rises && day.twilight);
    const int *want[5] = {sun_table[_i].dawn, sun_table[_i].rise, sun_table[_i].noon,
                          sun_table[_i].set, sun_table[_i].dusk};
    int64_t got[5] = {day.dawn_s, day.rise_s, day.noon_s, day.set_s, day.dusk_s};
    for (int i = 0; i < 5; i++) {
        int64_t off = got[i] - midnight - (want[i][0] * 3600 + want[i][1] * 60 + want[i][2]);
        printf("sun case %d time %d: off by %lld s\n", _i, i, (long long)off);
        ck_assert_int_le(llabs(off), 60);
    }
}
END_TEST

START_TEST(the_far_north_has_days_without_sunrise)
{
    struct sun_day day;
    sun_of_day(69.65, 18.96, utc(2026, 6, 21, 11, 0, 0), &day);
    ck_assert(!day.rises);
    ck_assert_int_le(llabs(day.noon_s - utc(2026, 6, 21, 10, 46, 0)), 20 * 60);
}
END_TEST

START_TEST(every_day_of_a_year_is_in_order_at_any_longitude)
{
    for (int longitude = -180; longitude <= 180; longitude += 30)
        for (int i = 0; i < 365; i += 9) {
            struct sun_day day;
            int64_t noon = utc(2026, 1, 1, 12, 0, 0) + i * 86400LL - longitude * 240LL;
            sun_of_day(-33.0, longitude, noon, &day);
            ck_assert(day.rises && day.twilight);
            ck_assert_int_lt(day.dawn_s, day.rise_s);
            ck_assert_int_lt(day.rise_s, day.noon_s);
            ck_assert_int_lt(day.noon_s, day.set_s);
            ck_assert_int_lt(day.set_s, day.dusk_s);
            ck_assert_int_lt(day.dusk_s - day.dawn_s, 16 * 3600);
            ck_assert_int_lt(llabs(day.noon_s - noon), 20 * 60);
        }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("season");
    TCase *tests = tcase_create("published values");
    tcase_set_timeout(tests, 60);
    tcase_add_loop_test(tests, single_sine_agrees_with_zalom_table_7, 0, 10);
    tcase_add_loop_test(tests, single_sine_agrees_with_trenchr, 0, 6);
    tcase_add_test(tests, units_convert);
    tcase_add_test(tests, unknown_days_stay_unknown);
    tcase_add_loop_test(tests, sun_times_agree_within_a_minute, 0, 4);
    tcase_add_test(tests, the_far_north_has_days_without_sunrise);
    tcase_add_test(tests, every_day_of_a_year_is_in_order_at_any_longitude);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
