/* What the intervals, the changes and the sides promise, counted against a ledger of chance. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "collector/catch/change.h"
#include "collector/catch/interval.h"
#include "collector/catch/side.h"
#include "tests/suite.h"
#include "tests/unit/catch/chance.h"

enum { MOST = 80 };

static void week_of_places(struct catch_trap *traps, int count, double mean, double k)
{
    for (int i = 0; i < count; i++) {
        double days = 7 - (chance_uniform() < 0.1 ? 3 * chance_uniform() : 0);
        traps[i] = (struct catch_trap){chance_poisson(mean * chance_gamma(k) / k * days), days};
    }
}

/* The true mean of places lies in the interval; what is known of unevenness comes from five other block-weeks
 * of the site, as it would in the field. */
static double coverage(int count, double mean, double k, int rounds)
{
    int inside = 0;
    for (int r = 0; r < rounds; r++) {
        struct catch_trap traps[MOST], other[MOST];
        struct catch_pool pool = {0};
        struct catch_summary summary;
        week_of_places(traps, count, mean, k);
        catch_pool_add(&pool, traps, (size_t)count);
        for (int block = 0; block < 5; block++) {
            week_of_places(other, 12, mean * (0.5 + chance_uniform()), k);
            catch_pool_add(&pool, other, 12);
        }
        catch_summarise(traps, (size_t)count, catch_pool_unevenness(&pool), 0, &summary);
        ck_assert(summary.has_interval);
        inside += summary.low <= mean && mean <= summary.high;
    }
    return (double)inside / rounds;
}

static const int trap_counts[3] = {6, 12, 40};

START_TEST(the_interval_holds_what_it_promises)
{
    const double means[] = {0.4, 3}, ks[] = {1, 2, 5};
    double sum = 0;
    chance_seed(100 + (unsigned)_i);
    for (int m = 0; m < 2; m++)
        for (int k = 0; k < 3; k++) {
            double share = coverage(trap_counts[_i], means[m], ks[k], 1500);
            printf("interval: %2d traps, mean %.1f a day, k %.0f: holds %.1f %%\n", trap_counts[_i],
                   means[m], ks[k], 100 * share);
            sum += share;
        }
    printf("interval: %2d traps: holds %.1f %% in all\n", trap_counts[_i], 100 * sum / 6);
    ck_assert_double_ge(sum / 6, 0.93);
    ck_assert_double_le(sum / 6, 0.97);
}
END_TEST

START_TEST(no_interval_without_enough)
{
    struct catch_trap traps[12];
    struct catch_summary summary;
    struct catch_pool pool = {0};
    chance_seed(5);
    week_of_places(traps, 12, 2, 2);
    catch_summarise(traps, 5, 0.4, 0, &summary);
    ck_assert(!summary.has_interval);
    catch_pool_add(&pool, traps, 12);
    ck_assert(isnan(catch_pool_unevenness(&pool)));
    traps[0].days = 0;
    catch_summarise(traps, 6, 0.4, 0, &summary);
    ck_assert_uint_eq(summary.traps, 5);
    ck_assert(!summary.has_interval);
    catch_summarise(traps, 0, 0.4, 0, &summary);
    ck_assert(isnan(summary.per_trap_day));
}
END_TEST

START_TEST(an_unsure_calibration_widens_the_interval)
{
    struct catch_trap traps[20];
    struct catch_summary sure, unsure;
    chance_seed(6);
    week_of_places(traps, 20, 2, 2);
    catch_summarise(traps, 20, 0.5, 0, &sure);
    catch_summarise(traps, 20, 0.5, 0.3, &unsure);
    ck_assert_double_gt(unsure.high, sure.high);
    ck_assert_double_lt(unsure.low, sure.low);
    ck_assert_double_ge(unsure.high / unsure.per_trap_day, exp(1.95 * 0.3));
}
END_TEST

/* Two weeks of the same traps. Days of a trap hang together (first-order autoregression), and so do the days
 * of the whole block; true_ratio is what the ledger knows. */
static void two_weeks_and_days(struct catch_trap *last, struct catch_trap *now, int count,
                               double true_ratio, double day_spread, double days[14])
{
    double place[MOST], own[MOST], common = chance_normal();
    for (int i = 0; i < count; i++) {
        place[i] = 3 * chance_gamma(2) / 2;
        own[i] = chance_normal();
        last[i] = now[i] = (struct catch_trap){0, 7};
    }
    for (int day = 0; day < 14; day++) {
        days[day] = 0;
        common = 0.5 * common + sqrt(1 - 0.25) * chance_normal();
        for (int i = 0; i < count; i++) {
            own[i] = 0.6 * own[i] + 0.8 * chance_normal();
            double mean = place[i] * exp(0.4 * own[i] - 0.08 + day_spread * common) *
                          (day < 7 ? 1 : true_ratio);
            double passes = chance_poisson(mean);
            (day < 7 ? &last[i] : &now[i])->passes += passes;
            days[day] += passes / count;
        }
    }
}

static void two_weeks(struct catch_trap *last, struct catch_trap *now, int count, double true_ratio,
                      double day_spread)
{
    double days[14];
    two_weeks_and_days(last, now, count, true_ratio, day_spread, days);
}

static const double days_of_nothing[7];

/* Standard deviation of a week's mean of common days: seven days, correlation 0.5 a day. */
static double week_spread(double day_spread)
{
    double sum = 0;
    for (int i = 0; i < 7; i++)
        for (int j = 0; j < 7; j++)
            sum += pow(0.5, abs(i - j));
    return day_spread * sqrt(sum) / 7;
}

START_TEST(up_and_down_are_seldom_said_wrongly)
{
    const double day_spread = _i ? 0.3 : 0;
    const int rounds = 2000;
    int up = 0, down = 0, found = 0;
    chance_seed(200 + (unsigned)_i);
    for (int r = 0; r < rounds; r++) {
        struct catch_trap last[MOST], now[MOST];
        struct catch_change change;
        int count = trap_counts[r % 3];
        two_weeks(last, now, count, 1, day_spread);
        catch_compare(last, now, (size_t)count, 1, week_spread(day_spread), &change);
        up += change.direction == CATCH_UP;
        down += change.direction == CATCH_DOWN;
        two_weeks(last, now, count, 2.5, day_spread);
        catch_compare(last, now, (size_t)count, 1, week_spread(day_spread), &change);
        found += change.direction == CATCH_UP;
    }
    printf("change: day spread %.1f: false up %.2f %%, false down %.2f %%, a true 2.5-fold rise "
           "named in "
           "%.0f %%\n",
           day_spread, 100.0 * up / rounds, 100.0 * down / rounds, 100.0 * found / rounds);
    ck_assert_int_le(up + down, rounds / 20);
    ck_assert_int_ge(found, rounds / 2);
}
END_TEST

/* The same with the spread estimated from the daily figures of a site of three such blocks, as in the field. */
START_TEST(the_spread_is_found_in_the_record)
{
    const int rounds = 1500;
    int wrong = 0, found = 0;
    double sum = 0;
    chance_seed(250);
    for (int r = 0; r < rounds; r++) {
        struct catch_trap last[MOST], now[MOST];
        struct catch_change change;
        double days[14];
        two_weeks_and_days(last, now, 40, 1, 0.3, days);
        double spread = catch_week_spread(days, 14);
        sum += spread;
        catch_compare(last, now, 40, 1, spread, &change);
        wrong += change.direction == CATCH_UP || change.direction == CATCH_DOWN;
        two_weeks_and_days(last, now, 40, 3, 0.3, days);
        catch_compare(last, now, 40, 1, catch_week_spread(days, 14), &change);
        found += change.direction == CATCH_UP;
    }
    printf("change: spread %.3f on average where %.3f is true: false up or down %.2f %%, a true "
           "3-fold rise named in %.0f %%\n",
           sum / rounds, week_spread(0.3), 100.0 * wrong / rounds, 100.0 * found / rounds);
    ck_assert_int_le(wrong, rounds / 20);
    ck_assert_int_ge(found, rounds / 3);
    ck_assert_double_eq_tol(sum / rounds, week_spread(0.3), 0.05);
    ck_assert(isnan(catch_week_spread(days_of_nothing, 7)));
}
END_TEST

/* A rise of exactly 1.25 is the edge, the worst case. */
START_TEST(a_rise_at_the_edge_is_seldom_called_up)
{
    const int rounds = 3000;
    int up = 0;
    chance_seed(300);
    for (int r = 0; r < rounds; r++) {
        struct catch_trap last[MOST], now[MOST];
        struct catch_change change;
        two_weeks(last, now, 12, 1.25, 0);
        catch_compare(last, now, 12, 1, 0, &change);
        up += change.direction == CATCH_UP;
    }
    printf("change: a true 1.25-fold rise called up in %.2f %%\n", 100.0 * up / rounds);
    ck_assert_int_le(up, rounds / 20);
}
END_TEST

START_TEST(change_needs_pairs)
{
    struct catch_trap last[8], now[8];
    struct catch_change change;
    for (int i = 0; i < 8; i++) {
        last[i] = (struct catch_trap){10 + i, 7};
        now[i] = (struct catch_trap){2 * (10 + i), 7};
    }
    catch_compare(last, now, 8, 1, 0, &change);
    ck_assert_double_eq_tol(change.ratio, 2, 1e-12);
    ck_assert_int_eq(change.direction, CATCH_UP);
    catch_compare(last, now, 8, 2, 0, &change);
    ck_assert_double_eq_tol(change.ratio, 1, 1e-12);
    ck_assert_int_eq(change.direction, CATCH_SAME);
    last[0].days = last[1].days = now[2].days = 0;
    catch_compare(last, now, 8, 1, 0, &change);
    ck_assert_uint_eq(change.traps, 5);
    ck_assert(isnan(change.low));
    ck_assert_int_eq(change.direction, CATCH_UNCLEAR);
}
END_TEST

/* A ring whose neighbours hang together: smoothed noise; lift is what one true side has above the rest. */
static void ring_week(const double *place, struct catch_trap *traps, const int *side, int count,
                      double lift)
{
    for (int i = 0; i < count; i++)
        traps[i] =
            (struct catch_trap){chance_poisson(14 * place[i] * (side[i] == 1 ? lift : 1)), 7};
}

static void ring_places(double *place, int count)
{
    double noise[MOST];
    for (int i = 0; i < count; i++)
        noise[i] = chance_normal();
    for (int i = 0; i < count; i++) {
        double sum = 0;
        for (int j = -2; j <= 2; j++)
            sum += noise[(i + j + count) % count];
        place[i] = exp(0.6 * sum / sqrt(5));
    }
}

START_TEST(sides_are_seldom_named_wrongly)
{
    const int rounds = 2000, blocks = 3;
    int site_weeks_wrong = 0, weeks_wrong = 0, found = 0;
    int side[MOST];
    chance_seed(400 + (unsigned)_i);
    for (int i = 0; i < 40; i++)
        side[i] = i < 12 ? 0 : i < 20 ? 1 : i < 32 ? 2 : 3;
    for (int r = 0; r < rounds; r++) {
        bool wrong = false;
        for (int b = 0; b < blocks; b++) {
            double place[MOST], place_next[MOST];
            struct catch_trap first[MOST], second[MOST];
            struct catch_side one, two;
            ring_places(place, 40);
            ring_places(place_next, 40);
            /* Half of what makes a place hot lasts into the next week, or all of it. */
            for (int i = 0; i < 40; i++)
                place_next[i] = _i ? place[i] : sqrt(place[i] * place_next[i]);
            ring_week(place, first, side, 40, 1);
            ring_week(place_next, second, side, 40, 1);
            ck_assert(catch_side_of(first, side, 40, 0.05, &one));
            ck_assert(catch_side_of(second, side, 40, 0.05, &two));
            weeks_wrong += one.leads;
            wrong |= catch_side_stands(&one, &two);
        }
        site_weeks_wrong += wrong;
        double place[MOST];
        struct catch_trap first[MOST], second[MOST];
        struct catch_side one, two;
        ring_places(place, 40);
        ring_week(place, first, side, 40, 3.5);
        ring_week(place, second, side, 40, 3.5);
        catch_side_of(first, side, 40, 0.05, &one);
        catch_side_of(second, side, 40, 0.05, &two);
        found += catch_side_stands(&one, &two) && two.side == 1;
    }
    printf("side: places that last %s: false leading side in %.2f %% of site-weeks (one week "
           "alone: %.2f %% of "
           "block-weeks); a "
           "true side at 3.5 times the rest named in %.0f %%\n",
           _i ? "wholly" : "half", 100.0 * site_weeks_wrong / rounds,
           100.0 * weeks_wrong / (rounds * blocks), 100.0 * found / rounds);
    ck_assert_int_le(site_weeks_wrong, rounds / 20);
    ck_assert_int_gt(found, rounds / 10);
}
END_TEST

START_TEST(one_hot_trap_is_no_side)
{
    struct catch_trap traps[40];
    struct catch_side result;
    int side[40];
    for (int i = 0; i < 40; i++) {
        side[i] = i / 10;
        traps[i] = (struct catch_trap){10 + i % 3, 7};
    }
    traps[14].passes = 400;
    ck_assert(catch_side_of(traps, side, 40, 0.05, &result));
    ck_assert(!result.leads);
    ck_assert(!catch_side_of(traps, side, 19, 0.05, &result));
}
END_TEST

START_TEST(a_hot_stretch_is_found_across_the_seam)
{
    struct catch_trap traps[40];
    struct catch_side result;
    int side[40];
    for (int i = 0; i < 40; i++) {
        side[i] = i / 10;
        traps[i] = (struct catch_trap){i >= 37 || i < 4 ? 60 : 10, 7};
    }
    ck_assert(catch_side_of(traps, side, 40, 0.05, &result));
    ck_assert_uint_eq(result.from, 37);
    ck_assert_uint_eq(result.to, 3);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("catch");
    TCase *tests = tcase_create("promises");
    tcase_set_timeout(tests, 150);
    tcase_add_loop_test(tests, the_interval_holds_what_it_promises, 0, 3);
    tcase_add_test(tests, no_interval_without_enough);
    tcase_add_test(tests, an_unsure_calibration_widens_the_interval);
    tcase_add_loop_test(tests, up_and_down_are_seldom_said_wrongly, 0, 2);
    tcase_add_test(tests, the_spread_is_found_in_the_record);
    tcase_add_test(tests, a_rise_at_the_edge_is_seldom_called_up);
    tcase_add_test(tests, change_needs_pairs);
    tcase_add_loop_test(tests, sides_are_seldom_named_wrongly, 0, 2);
    tcase_add_test(tests, one_hot_trap_is_no_side);
    tcase_add_test(tests, a_hot_stretch_is_found_across_the_seam);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
