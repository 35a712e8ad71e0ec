/* Reads lines "function count values …", prints what the product makes of them: for comparison with another program. */
#include <stdio.h>
#include <string.h>

#include "collector/catch/interval.h"
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
static void degrees(const double *v)
{
    struct degree_thresholds thresholds = {v[2], v[3]};
    printf("%.15g 0\n", degree_days_sine(v[0], v[1], &thresholds));
}

/* Latitude, longitude, an instant near noon: rise and set. */
static void sun(const double *v)
{
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
static void demand(const double *v)
{
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

int main(void)
{
    char name[32];
    size_t count;
    while (scanf("%31s %zu", name, &count) == 2) {
        double v[MOST] = {0};
        for (size_t i = 0; i < count; i++)
            if (i >= MOST || scanf("%lf", &v[i]) != 1)
                return 1;
        if (strcmp(name, "theil") == 0)
            theil(v, count);
        else if (strcmp(name, "degrees") == 0)
            degrees(v);
        else if (strcmp(name, "sun") == 0)
            sun(v);
        else if (strcmp(name, "ring") == 0)
            ring(v, count);
        else if (strcmp(name, "demand") == 0)
            demand(v);
        else if (strcmp(name, "pool") == 0)
            pool(v, count);
        else
            return 1;
    }
    return 0;
}
