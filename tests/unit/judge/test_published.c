/* Judging's arithmetic against published examples. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <time.h>

#include "collector/judge/demand.h"
#include "collector/judge/robust.h"
#include "collector/judge/weather.h"
#include "tests/suite.h"

/* FAO Irrigation and Drainage Paper 56 (Allen et al. 1998), example 8: 3 September (day 246) at 20 degrees south. */
START_TEST(radiation_example_8)
{
    ck_assert_double_eq_tol(demand_radiation_mj(-20, 246), 32.2, 0.05);
}
END_TEST

/* The same, example 10: Rio de Janeiro, 22 degrees 54 minutes south, 15 May (day 135): 25.1 MJ. The documentation of
 * NCL's radext_fao56 gives 25.111 for the same day. */
START_TEST(radiation_example_10)
{
    ck_assert_double_eq_tol(demand_radiation_mj(-22.9, 135), 25.1, 0.05);
    ck_assert_double_eq_tol(demand_radiation_mj(-22.9, 135), 25.111, 0.002);
}
END_TEST

/* The same, example 20: Lyon, 45 degrees 43 minutes north, mid July (day 196), 26.6 and 14.8 degrees: Ra 16.55 mm,
 * ET0 5.0 mm a day. */
START_TEST(hargreaves_example_20)
{
    double ra = demand_radiation_mj(45.72, 196);
    ck_assert_double_eq_tol(ra * 0.408, 16.55, 0.01);
    ck_assert_double_eq_tol(demand_hargreaves_mm((26.6 + 14.8) / 2, 26.6, 14.8, ra), 5.0, 0.05);
}
END_TEST

START_TEST(polar_night_has_no_radiation)
{
    ck_assert_double_eq_tol(demand_radiation_mj(80, 355), 0, 1e-9);
    ck_assert(demand_radiation_mj(80, 172) > 30);
    ck_assert_double_eq(demand_hargreaves_mm(-30, -20, -40, 10), 0);
}
END_TEST

/* Sen 1968's example, values from memory; slope and intercept computed with SciPy 1.10.1 (theilslopes). */
START_TEST(theil_sen_of_sen)
{
    const double x[] = {1, 2, 3, 4, 10, 12, 18}, y[] = {9, 15, 19, 20, 45, 55, 78};
    double work[21];
    struct robust_line line = robust_theil_sen(x, y, 7, work);
    ck_assert_double_eq_tol(line.slope, 4, 1e-12);
    ck_assert_double_eq_tol(line.intercept, 4, 1e-12);
}
END_TEST

/* Computed with SciPy 1.10.1 (theilslopes). */
START_TEST(theil_sen_of_five)
{
    const double x[] = {0, 1, 2, 3, 4}, y[] = {1, 2, 4, 7, 11};
    double work[10];
    struct robust_line line = robust_theil_sen(x, y, 5, work);
    ck_assert_double_eq_tol(line.slope, 2.5, 1e-12);
    ck_assert_double_eq_tol(line.intercept, -1, 1e-12);
    ck_assert(isnan(robust_theil_sen(x, y, 1, work).slope));
}
END_TEST

/* Medians of InsectSprays (Beall 1942, Biometrika 32: 243-262; R datasets), by R 4.2. */
START_TEST(medians_of_insect_sprays)
{
    double a[] = {10, 7, 20, 14, 14, 12, 10, 23, 17, 20, 14, 13};
    double b[] = {11, 17, 21, 11, 16, 14, 17, 17, 19, 21, 7, 13};
    double c[] = {0, 1, 7, 2, 3, 1, 2, 1, 3, 0, 1, 4};
    double f[] = {11, 9, 15, 22, 15, 16, 13, 10, 26, 26, 24, 13};
    ck_assert_double_eq(robust_median(a, 12), 14);
    ck_assert_double_eq(robust_median(b, 12), 16.5);
    ck_assert_double_eq(robust_median(c, 12), 1.5);
    ck_assert_double_eq(robust_median(f, 12), 15);
}
END_TEST

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Against sorting, with many equal values. */
START_TEST(quantiles_equal_sorting)
{
    unsigned seed = 7;
    for (int round = 0; round < 3000; round++) {
        double values[60], sorted[60];
        size_t n = 1 + (size_t)rand_r(&seed) % 60;
        int range = 1 + rand_r(&seed) % 100;
        for (size_t i = 0; i < n; i++)
            values[i] = sorted[i] = rand_r(&seed) % range;
        qsort(sorted, n, sizeof(double), compare);
        double p = rand_r(&seed) % 101 / 100.0, place = p * (double)(n - 1);
        size_t k = (size_t)place;
        double expected =
            k + 1 < n ? sorted[k] + (place - (double)k) * (sorted[k + 1] - sorted[k]) : sorted[k];
        ck_assert_double_eq_tol(robust_quantile(values, n, p), expected, 1e-9);
    }
    ck_assert(isnan(robust_median(NULL, 0)));
}
END_TEST

/* A day's demand must be Hargreaves of its extremes, spread over its hours, on days counted by the C library. */
START_TEST(demand_of_days_by_the_calendar)
{
    enum { DAYS = 5, HOURS = DAYS * 24 };
    struct weather_place greenwich = {45.72, 0};
    for (int64_t day = 18262; day < 18262 + 3 * 366; day += 61) {
        float temperature[HOURS], cumulative[HOURS];
        for (int i = 0; i < HOURS; i++)
            temperature[i] = (float)(20.7 + 5.9 * cos(2 * M_PI * (i - 15) / 24.0));
        struct weather_hours hours = {day * 24, HOURS, temperature, NULL};
        ck_assert_uint_eq(weather_demand(greenwich, LAW_HARGREAVES, &hours, cumulative), DAYS);
        double before = 0;
        for (int d = 0; d < DAYS; d++) {
            time_t noon = (day + d) * 86400 + 43200;
            struct tm utc;
            gmtime_r(&noon, &utc);
            double expected =
                demand_hargreaves_mm(20.7, 26.6, 14.8, demand_radiation_mj(45.72, utc.tm_yday + 1));
            double got = (double)cumulative[24 * d + 23] - before;
            ck_assert_msg(fabs(got - expected) < 0.01, "day %d of %lld: %f, not %f", d,
                          (long long)day, got, expected);
            before = (double)cumulative[24 * d + 23];
        }
    }
}
END_TEST

START_TEST(demand_without_temperatures_is_a_mild_day)
{
    float temperature[48], cumulative[48];
    for (int i = 0; i < 48; i++)
        temperature[i] = NAN;
    struct weather_place place = {46, -119};
    struct weather_hours hours = {24 * 20000, 48, temperature, NULL};
    for (int law = 0; law < LAW_KINDS; law++) {
        size_t known = weather_demand(place, (enum law_kind)law, &hours, cumulative);
        ck_assert_uint_eq(known, law == LAW_CONSTANT ? 2 : 0);
        ck_assert((double)cumulative[47] > 0.6 && (double)cumulative[47] < 16);
    }
}
END_TEST

/* FAO Irrigation and Drainage Paper 56, example 3: 24.5 and 15 degrees, 3.075 and 1.705 kPa (from memory; recomputed
 * from eq. 11). */
START_TEST(saturation_example_3)
{
    ck_assert_double_eq_tol(demand_saturation_kpa(24.5), 3.075, 0.001);
    ck_assert_double_eq_tol(demand_saturation_kpa(15), 1.705, 0.001);
}
END_TEST

/* Half as humid is half as dry; without the sensor, air holds what saturates it in the coolest hour (eq. 48). */
START_TEST(dryness_by_humidity_or_by_the_coolest_hour)
{
    float temperature[48], humidity[48], cumulative[48];
    struct weather_place place = {46, 0};
    for (int i = 0; i < 48; i++) {
        temperature[i] = (float)(20 + 8 * cos(2 * M_PI * (i - 15) / 24.0));
        humidity[i] = 0.5f;
    }
    struct weather_hours hours = {24 * 20000, 48, temperature, humidity};
    ck_assert_uint_eq(weather_demand(place, LAW_DEFICIT, &hours, cumulative), 2);
    double half = (double)cumulative[47];
    for (int i = 0; i < 48; i++)
        humidity[i] = 0.75f;
    weather_demand(place, LAW_DEFICIT, &hours, cumulative);
    ck_assert_double_eq_tol((double)cumulative[47], half / 2, 1e-3);
    hours.humidity = NULL;
    weather_demand(place, LAW_DEFICIT, &hours, cumulative);
    double expected = 0;
    for (int i = 0; i < 48; i++)
        expected += demand_saturation_kpa((double)temperature[i]) - demand_saturation_kpa(12);
    ck_assert_double_eq_tol((double)cumulative[47] / expected, 0.2, 0.002);
}
END_TEST

/* Losses made by one law are told from the others, and a law is left only for a clearly better one. */
START_TEST(the_law_of_losses_is_found)
{
    enum { TRAPS = 10, DAYS = 14 };
    float demand[LAW_KINDS * DAYS], lost[TRAPS * DAYS];
    unsigned seed = 11;
    for (int d = 0; d < DAYS; d++) {
        demand[d] = (float)(3 + rand_r(&seed) % 300 / 100.0);
        demand[DAYS + d] = (float)(2 + rand_r(&seed) % 500 / 100.0);
        demand[2 * DAYS + d] = 4;
    }
    for (int truth = 0; truth < LAW_KINDS; truth++) {
        for (int t = 0; t < TRAPS; t++)
            for (int d = 0; d < DAYS; d++)
                lost[t * DAYS + d] =
                    d % 7 == t % 7 ? NAN
                                   : (float)((0.4 + 0.05 * t) * (double)demand[truth * DAYS + d] +
                                             (rand_r(&seed) % 5 - 2) * 0.1);
        for (int from = 0; from < LAW_KINDS; from++) {
            struct law_choice choice = {.law = (enum law_kind)from};
            law_choose(lost, TRAPS, DAYS, demand, &choice);
            ck_assert_int_eq(choice.law, truth);
            ck_assert_double_lt(choice.error[truth], 0.1);
        }
    }
    /* Two laws that say the same: no reason to leave. */
    for (int d = 0; d < DAYS; d++)
        demand[DAYS + d] = demand[2 * DAYS + d] * 1.01f;
    struct law_choice same = {.law = LAW_DEFICIT};
    law_choose(lost, TRAPS, DAYS, demand, &same);
    ck_assert_int_eq(same.law, LAW_DEFICIT);
    /* Too little to tell. */
    struct law_choice young = {.law = LAW_HARGREAVES};
    law_choose(lost, 2, DAYS, demand, &young);
    ck_assert_int_eq(young.law, LAW_HARGREAVES);
    ck_assert(isnan(young.error[LAW_HARGREAVES]));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("judge_published");
    TCase *tests = tcase_create("all");
    tcase_add_test(tests, radiation_example_8);
    tcase_add_test(tests, radiation_example_10);
    tcase_add_test(tests, hargreaves_example_20);
    tcase_add_test(tests, polar_night_has_no_radiation);
    tcase_add_test(tests, theil_sen_of_sen);
    tcase_add_test(tests, theil_sen_of_five);
    tcase_add_test(tests, medians_of_insect_sprays);
    tcase_add_test(tests, quantiles_equal_sorting);
    tcase_add_test(tests, demand_of_days_by_the_calendar);
    tcase_add_test(tests, demand_without_temperatures_is_a_mild_day);
    tcase_add_test(tests, saturation_example_3);
    tcase_add_test(tests, dryness_by_humidity_or_by_the_coolest_hour);
    tcase_add_test(tests, the_law_of_losses_is_found);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
