/* Hand counts against a ledger that knows every trap's true ratio. */
#include <check.h>
#include <math.h>
#include <stdio.h>

#include "collector/catch/calibrate.h"
#include "tests/suite.h"
#include "tests/unit/catch/chance.h"

enum { TRAPS = 30 };

/* Each trap's ratio of paper wasps to passes scatters by a gamma of shape k about 0.4. */
static void make(struct calibrate_sample *samples, size_t count, double *truth, double k)
{
    for (size_t i = 0; i < count; i++) {
        truth[i] = 0.4 * chance_gamma(k) / k;
        samples[i] = (struct calibrate_sample){
            .trap = i, .passes = 5 + floor(60 * chance_uniform()), .days_ago = 3};
        samples[i].counts[CALIBRATE_PAPER_WASPS] = chance_poisson(truth[i] * samples[i].passes);
        samples[i].counts[CALIBRATE_OTHERS] = chance_poisson(0.3 * samples[i].passes);
    }
}

START_TEST(drawing_towards_the_site_helps)
{
    double own_off = 0, site_off = 0, shrunk_off = 0;
    chance_seed(11);
    for (int round = 0; round < 400; round++) {
        struct calibrate_sample samples[TRAPS];
        struct calibration calibration;
        double truth[TRAPS];
        make(samples, TRAPS, truth, 6);
        calibrate_site(samples, TRAPS, &calibration);
        ck_assert(calibration.valid);
        for (size_t i = 0; i < TRAPS; i++) {
            double own = samples[i].counts[CALIBRATE_PAPER_WASPS] / samples[i].passes;
            double shrunk = calibrate_trap(samples, TRAPS, &calibration, i, CALIBRATE_PAPER_WASPS);
            own_off += pow(own - truth[i], 2);
            site_off += pow(calibration.ratio[CALIBRATE_PAPER_WASPS] - truth[i], 2);
            shrunk_off += pow(shrunk - truth[i], 2);
        }
    }
    double n = 400 * TRAPS;
    printf("calibration: off by (root mean square) own counts %.3f, site's ratio %.3f, both %.3f\n",
           sqrt(own_off / n), sqrt(site_off / n), sqrt(shrunk_off / n));
    ck_assert_double_lt(shrunk_off, 0.9 * own_off);
    ck_assert_double_lt(shrunk_off, 0.9 * site_off);
}
END_TEST

START_TEST(the_stated_error_of_the_site_holds)
{
    int inside = 0, rounds = 2000;
    chance_seed(12);
    for (int round = 0; round < rounds; round++) {
        struct calibrate_sample samples[TRAPS];
        struct calibration c;
        double truth[TRAPS];
        make(samples, TRAPS, truth, 4);
        calibrate_site(samples, TRAPS, &c);
        double ratio = c.ratio[CALIBRATE_PAPER_WASPS], error = c.error[CALIBRATE_PAPER_WASPS];
        inside += fabs(log(ratio / 0.4)) <= 1.96 * error;
    }
    printf("calibration: 1.96 standard errors hold the site's true ratio in %.1f %%\n",
           100.0 * inside / rounds);
    ck_assert_int_ge(inside, rounds * 92 / 100);
    ck_assert_int_le(inside, rounds * 98 / 100);
}
END_TEST

START_TEST(old_or_few_counts_do_not_calibrate)
{
    struct calibrate_sample samples[TRAPS];
    struct calibration calibration;
    double truth[TRAPS];
    chance_seed(13);
    make(samples, TRAPS, truth, 4);
    calibrate_site(samples, 5, &calibration);
    ck_assert(!calibration.valid);
    for (size_t i = 0; i < TRAPS; i++)
        samples[i].days_ago = CALIBRATE_DAYS + 1;
    calibrate_site(samples, TRAPS, &calibration);
    ck_assert(!calibration.valid);
    ck_assert_uint_eq(calibration.samples, 0);
    calibrate_site(samples, 0, &calibration);
    ck_assert(!calibration.valid);
}
END_TEST

START_TEST(bees_are_told)
{
    struct calibrate_sample samples[3] = {
        {.trap = 0, .passes = 40, .counts = {20, 2, 6, 10}, .days_ago = 1},
        {.trap = 1, .passes = 40, .counts = {20, 2, 5, 10}, .days_ago = 2},
        {.trap = 2, .passes = 40, .counts = {20, 0, 90, 0}, .days_ago = 99}};
    double share, bees;
    ck_assert(calibrate_bees(samples, 3, &share, &bees));
    ck_assert_double_eq(bees, 11);
    ck_assert_double_eq_tol(share, 11 / 75.0, 1e-12);
    samples[0].counts[CALIBRATE_HONEY_BEES] = 1;
    ck_assert(!calibrate_bees(samples, 3, &share, &bees));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("calibrate");
    TCase *tests = tcase_create("hand counts");
    tcase_set_timeout(tests, 60);
    tcase_add_test(tests, drawing_towards_the_site_helps);
    tcase_add_test(tests, the_stated_error_of_the_site_holds);
    tcase_add_test(tests, old_or_few_counts_do_not_calibrate);
    tcase_add_test(tests, bees_are_told);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
