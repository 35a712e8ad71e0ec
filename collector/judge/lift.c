#include "collector/judge/lift.h"

#include <math.h>

#include "collector/judge/robust.h"

enum { BESIDE = 6, WITHIN_HOURS = 16 };
static const double LIFT_LEAST_MM =
    0.9; /* five deviations of the difference of two medians of six */
static const double RISE_LEAST_MM = 0.4; /* the level itself: evaporation alone never raises it */

static double median_of(const struct step_series *series, size_t from, const float *demand_mm,
                        double rate)
{
    double values[BESIDE];
    for (size_t i = 0; i < BESIDE; i++)
        values[i] =
            (double)series->level_mm[from + i] + rate * (double)demand_mm[series->hour[from + i]];
    return robust_median(values, BESIDE);
}

/* By how much the level rose at a position, loss set aside; 0 when it did not. */
static double rise_at(const struct step_series *series, const int16_t *stretch,
                      const float *demand_mm, double rate, size_t at)
{
    if (at < BESIDE || at + BESIDE > series->count)
        return 0;
    size_t from = at - BESIDE, last = at + BESIDE - 1;
    if (stretch[from] < 0 || stretch[from] != stretch[last] ||
        series->hour[last] - series->hour[from] > WITHIN_HOURS)
        return 0;
    double raw = median_of(series, at, demand_mm, 0) - median_of(series, from, demand_mm, 0);
    double rise = median_of(series, at, demand_mm, rate) - median_of(series, from, demand_mm, rate);
    return raw >= RISE_LEAST_MM && rise >= LIFT_LEAST_MM ? rise : 0;
}

size_t lift_find(const struct step_series *series, const int16_t *stretch, const float *demand_mm,
                 double rate, struct step *lifts, size_t most)
{
    size_t count = 0;
    for (size_t at = BESIDE; at + BESIDE <= series->count && count < most; at++) {
        double best = rise_at(series, stretch, demand_mm, rate, at);
        if (best <= 0)
            continue;
        size_t place = at;
        for (size_t i = at + 1; i < at + BESIDE; i++) {
            double rise = rise_at(series, stretch, demand_mm, rate, i);
            if (rise > best) {
                best = rise;
                place = i;
            }
        }
        lifts[count++] = (struct step){.at = place, .change_mm = (float)best, .sure = true};
        at = place + BESIDE - 1;
    }
    return count;
}
