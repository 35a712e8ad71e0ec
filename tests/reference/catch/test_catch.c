/* Published values of the statistics behind blocks and damage. */
#include <check.h>
#include <math.h>
#include <stdio.h>

#include "collector/catch/interval.h"
#include "collector/catch/proportion.h"
#include "tests/suite.h"

/* Beall 1942, Biometrika 32:243-262: insects on plots after six sprays; the data set InsectSprays of R. */
static const double sprays[6][12] = {
    {10, 7, 20, 14, 14, 12, 10, 23, 17, 20, 14, 13},
    {11, 17, 21, 11, 16, 14, 17, 17, 19, 21, 7, 13},
    {0, 1, 7, 2, 3, 1, 2, 1, 3, 0, 1, 4},
    {3, 5, 12, 6, 4, 3, 5, 5, 5, 5, 2, 4},
    {3, 5, 3, 5, 3, 6, 1, 1, 3, 2, 6, 4},
    {11, 9, 15, 22, 15, 16, 13, 10, 26, 26, 24, 13},
};
static const double spray_sums[6] = {174, 184, 25, 59, 42, 200};
static const double spray_variances[6] = {22.2727, 18.2424, 3.9015, 6.2652, 3.0, 38.6061};
/* Moment k = m^2 / (s^2 - m), computed in R from the same data; E is less scattered than Poisson. */
static const double spray_k[6] = {27.05, 80.82, 2.387, 17.93, INFINITY, 12.66};

static void fill_traps(int spray, struct catch_trap traps[12])
{
    for (int i = 0; i < 12; i++)
        traps[i] = (struct catch_trap){sprays[spray][i], 1};
}

START_TEST(insect_sprays_sums_and_means)
{
    struct catch_trap traps[12];
    struct catch_summary summary;
    fill_traps(_i, traps);
    catch_summarise(traps, 12, 0.05, 0, &summary);
    ck_assert_double_eq(summary.passes, spray_sums[_i]);
    ck_assert_double_eq_tol(summary.per_trap_day, spray_sums[_i] / 12, 1e-12);
    ck_assert(summary.has_interval);
    ck_assert_double_lt(summary.low, summary.per_trap_day);
    ck_assert_double_gt(summary.high, summary.per_trap_day);
}
END_TEST

START_TEST(insect_sprays_dispersion)
{
    struct catch_trap traps[12];
    struct catch_pool pool = {0};
    fill_traps(_i, traps);
    catch_pool_add(&pool, traps, 12);
    double inverse = pool.weighted / pool.df, mean = spray_sums[_i] / 12;
    ck_assert_double_eq(pool.df, 11);
    ck_assert_double_eq_tol(mean + mean * mean * inverse, spray_variances[_i], 0.0001);
    if (isfinite(spray_k[_i]))
        ck_assert_double_eq_tol(1 / inverse / spray_k[_i], 1, 0.001);
    else
        ck_assert_double_lt(inverse, 0);
}
END_TEST

/* Garwood 1936, Biometrika 28:437-442; figures from R's qchisq. */
static const double garwood[][3] = {
    {0, 0, 3.6889},         {1, 0.0253, 5.5716},      {2, 0.2422, 7.2247},   {3, 0.6187, 8.7673},
    {4, 1.0899, 10.2416},   {5, 1.6235, 11.6683},     {6, 2.2019, 13.0595},  {7, 2.8144, 14.4227},
    {8, 3.4538, 15.7632},   {9, 4.1154, 17.0848},     {10, 4.7954, 18.3904}, {20, 12.2165, 30.8884},
    {30, 20.2409, 42.8269}, {100, 81.3640, 121.6268},
};

START_TEST(poisson_limits)
{
    double low, high;
    catch_poisson_limits(garwood[_i][0], &low, &high);
    ck_assert_double_eq_tol(low, garwood[_i][1], 0.00006);
    ck_assert_double_eq_tol(high, garwood[_i][2], 0.00006);
}
END_TEST

/* 137 events in 24.19893 units: the documented example of R's DescTools package, exact method. */
START_TEST(poisson_rate)
{
    double low, high;
    catch_poisson_limits(137, &low, &high);
    ck_assert_double_eq_tol(low / 24.19893, 4.753125, 0.000001);
    ck_assert_double_eq_tol(high / 24.19893, 6.692709, 0.000001);
}
END_TEST

/* Wilson's limits without continuity correction. The first four cases are those of Newcombe 1998, Statistics
 * in Medicine 17:857, table I (attribution from memory); all figures computed in R. */
static const double wilson[][4] = {
    {81, 263, .25529, .36621}, {15, 148, .06239, .16049}, {0, 20, 0, .16113},
    {1, 29, .00611, .17176},   {10, 10, .72247, 1},       {48, 50, .86540, .98896},
};

START_TEST(wilson_limits)
{
    double low, high;
    proportion_limits(wilson[_i][0], wilson[_i][1], &low, &high);
    ck_assert_double_eq_tol(low, wilson[_i][2], 0.00001);
    ck_assert_double_eq_tol(high, wilson[_i][3], 0.00001);
}
END_TEST

/* Newcombe 1998, Statistics in Medicine 17:873, table II: 56/70 against 48/80, method 10 gives 0.0524 to
 * 0.3339 (from memory; checked by computing the method by hand from Wilson's limits). */
START_TEST(newcombe_difference)
{
    struct proportion_place a = {70, 56}, b = {80, 48};
    struct proportion first, second;
    double difference, low, high;
    ck_assert(proportion_of(&a, 1, &first));
    ck_assert(proportion_of(&b, 1, &second));
    ck_assert(isnan(first.design_effect));
    proportion_difference(&first, &second, &difference, &low, &high);
    ck_assert_double_eq_tol(difference, 0.2, 1e-12);
    ck_assert_double_eq_tol(low, 0.0524, 0.0001);
    ck_assert_double_eq_tol(high, 0.3339, 0.0001);
}
END_TEST

START_TEST(clustered_damage_is_worth_less)
{
    struct proportion_place even[10], lumpy[10];
    struct proportion one, other;
    for (int i = 0; i < 10; i++) {
        even[i] = (struct proportion_place){20, 4};
        lumpy[i] = (struct proportion_place){20, i < 2 ? 20 : 0};
    }
    ck_assert(proportion_of(even, 10, &one));
    ck_assert(proportion_of(lumpy, 10, &other));
    ck_assert_double_eq(one.share, other.share);
    ck_assert_double_eq(one.design_effect, 1);
    /* Whole places alike: 200 clusters are worth about ten places. */
    ck_assert_double_eq_tol(other.design_effect, 20 * 10 / 9.0, 0.01);
    ck_assert_double_gt(other.high - other.low, 3 * (one.high - one.low));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("catch");
    TCase *tests = tcase_create("published values");
    tcase_add_loop_test(tests, insect_sprays_sums_and_means, 0, 6);
    tcase_add_loop_test(tests, insect_sprays_dispersion, 0, 6);
    tcase_add_loop_test(tests, poisson_limits, 0, 14);
    tcase_add_test(tests, poisson_rate);
    tcase_add_loop_test(tests, wilson_limits, 0, 6);
    tcase_add_test(tests, newcombe_difference);
    tcase_add_test(tests, clustered_damage_is_worth_less);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
