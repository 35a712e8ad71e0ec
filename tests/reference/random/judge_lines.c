/* Reads lines "function count values …", prints what the product makes of them: for comparison with another program. */
#include <stdio.h>
#include <string.h>

#include "collector/catch/calibrate.h"
#include "collector/catch/change.h"
#include "collector/catch/interval.h"
#include "collector/catch/proportion.h"
#include "collector/catch/side.h"
#include "collector/judge/demand.h"
#include "collector/judge/robust.h"
#include "collector/plan/outline.h"
#include "collector/season/degree_days.h"
#include "collector/season/sun.h"

enum { MOST = 200 };

/* x and y by turns. */
static void theil(const double *v, size_t count)
{
    double x[MOST], y[MOST], work[MOST * MOST / 2];
    for (size_t i = 0; i < count / 2; i++) {
        x[i] = v[2 * i];
        y[i] = v[2 * i + 1];
    }
    struct robust_line line = robust_theil_sen(x, y, count / 2, work);
    printf("%.15g %.15g\n", line.slope, line.intercept);
}

/* Least, most, lower, upper. */
static void degrees(const double *v, size_t count)
{
    (void)count;
    struct degree_thresholds thresholds = {v[2], v[3]};
    printf("%.15g 0\n", degree_days_sine(v[0], v[1], &thresholds));
}

/* Latitude, longitude, an instant near noon: rise and set. */
static void sun(const double *v, size_t count)
{
    (void)count;
    struct sun_day day;
    sun_of_day(v[0], v[1], (int64_t)v[2], &day);
    printf("%lld %lld\n", (long long)day.rise_s, (long long)day.set_s);
}

/* Longitude and latitude by turns, closed: perimeter and area. */
static void ring(const double *v, size_t count)
{
    double points[MOST][2], perimeter_m, area_m2;
    for (size_t i = 0; i < count / 2; i++) {
        points[i][0] = v[2 * i];
        points[i][1] = v[2 * i + 1];
    }
    outline_measure((const double(*)[2])points, count / 2, &perimeter_m, &area_m2);
    printf("%.15g %.15g\n", perimeter_m, area_m2);
}

/* Latitude, day of the year, most, least. */
static void demand(const double *v, size_t count)
{
    (void)count;
    double radiation_mj = demand_radiation_mj(v[0], (int)v[1]);
    double mm = demand_hargreaves_mm((v[2] + v[3]) / 2, v[2], v[3], radiation_mj);
    printf("%.15g %.15g\n", radiation_mj, mm);
}

/* Counts of one day's traps: their sum, and by how much they are less even than chance. */
static void pool(const double *v, size_t count)
{
    struct catch_trap traps[MOST];
    struct catch_pool sums = {0};
    double sum = 0;
    for (size_t i = 0; i < count; i++) {
        traps[i] = (struct catch_trap){v[i], 1};
        sum += v[i];
    }
    catch_pool_add(&sums, traps, count);
    printf("%.15g %.15g\n", sum, sums.weighted / sums.df);
}

/* A share, then values: their quantile, and the deviation about their median. */
static void spread(const double *v, size_t count)
{
    double work[MOST];
    memcpy(work, v, count * sizeof *v);
    double quantile = robust_quantile(work + 1, count - 1, v[0]);
    printf("%.15g %.15g\n", quantile, robust_deviation(work + 1, count - 1));
}

/* Unevenness and a common error, then passes and days by turns. */
static void interval(const double *v, size_t count)
{
    struct catch_trap traps[MOST];
    struct catch_summary summary;
    for (size_t i = 2; i + 1 < count; i += 2)
        traps[i / 2 - 1] = (struct catch_trap){v[i], v[i + 1]};
    catch_summarise(traps, count / 2 - 1, v[0], v[1], &summary);
    printf("%.15g %.15g\n", summary.low, summary.high);
}

/* Ratio of flight hours and spread of days, then passes and days of last week and of this one. */
static void change(const double *v, size_t count)
{
    struct catch_trap last[MOST], now[MOST];
    struct catch_change result;
    size_t traps = (count - 2) / 4;
    for (size_t i = 0; i < traps; i++) {
        last[i] = (struct catch_trap){v[2 + 4 * i], v[3 + 4 * i]};
        now[i] = (struct catch_trap){v[4 + 4 * i], v[5 + 4 * i]};
    }
    catch_compare(last, now, traps, v[0], v[1], &result);
    printf("%.15g %.15g %.15g\n", result.ratio, result.low, result.high);
}

/* Looked at and damaged by turns: design effect and limits. */
static void places(const double *v, size_t count)
{
    struct proportion_place of[MOST];
    struct proportion all = {0};
    for (size_t i = 0; i + 1 < count; i += 2)
        of[i / 2] = (struct proportion_place){v[i], v[i + 1]};
    proportion_of(of, count / 2, &all);
    printf("%.15g %.15g %.15g\n", all.design_effect, all.low, all.high);
}

/* Looked at and damaged, of each of two. */
static void difference(const double *v, size_t count)
{
    (void)count;
    struct proportion_place a = {v[0], v[1]}, b = {v[2], v[3]};
    struct proportion one = {0}, other = {0};
    double off, low, high;
    proportion_of(&a, 1, &one);
    proportion_of(&b, 1, &other);
    proportion_difference(&one, &other, &off, &low, &high);
    printf("%.15g %.15g\n", low, high);
}

/* Passes of a week and side by turns, round the ring: chance, side, and its share in the mean. */
static void leading(const double *v, size_t count)
{
    struct catch_trap traps[MOST];
    int side[MOST];
    struct catch_side result = {0};
    for (size_t i = 0; i + 1 < count; i += 2) {
        traps[i / 2] = (struct catch_trap){v[i], 7};
        side[i / 2] = (int)v[i + 1];
    }
    catch_side_of(traps, side, count / 2, 0.05, &result);
    printf("%.15g %d %.15g\n", result.p, result.side, result.share);
}

/* Passes and insects found by turns: the site's ratio, its error, and its weight against a trap's own. */
static void calibrate(const double *v, size_t count)
{
    struct calibrate_sample samples[MOST] = {0};
    struct calibration site;
    for (size_t i = 0; i + 1 < count; i += 2) {
        samples[i / 2].passes = v[i];
        samples[i / 2].counts[CALIBRATE_PAPER_WASPS] = v[i + 1];
    }
    calibrate_site(samples, count / 2, &site);
    printf("%.15g %.15g %.15g\n", site.ratio[CALIBRATE_PAPER_WASPS],
           site.error[CALIBRATE_PAPER_WASPS], 1 / site.weight[CALIBRATE_PAPER_WASPS]);
}

static const struct {
    const char *name;
    void (*print)(const double *v, size_t count);
} functions[] = {{"theil", theil},        {"degrees", degrees},       {"sun", sun},
                 {"ring", ring},          {"demand", demand},         {"pool", pool},
                 {"spread", spread},      {"interval", interval},     {"change", change},
                 {"places", places},      {"difference", difference}, {"leading", leading},
                 {"calibrate", calibrate}};

static bool print_one(const char *name, const double *v, size_t count)
{
    for (size_t i = 0; i < sizeof functions / sizeof *functions; i++)
        if (strcmp(name, functions[i].name) == 0) {
            functions[i].print(v, count);
            return true;
        }
    return false;
}

int main(void)
{
    char name[32];
    size_t count;
    while (scanf("%31s %zu", name, &count) == 2) {
        double v[MOST] = {0};
        for (size_t i = 0; i < count; i++)
            if (i >= MOST || scanf("%lf", &v[i]) != 1)
                return 1;
        if (!print_one(name, v, count))
            return 1;
    }
    return 0;
}
