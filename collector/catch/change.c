#include "collector/catch/change.h"

#include <math.h>

#include "collector/catch/quantile.h"

#define UP   1.25
#define DOWN 0.8

static bool paired(const struct catch_trap *last, const struct catch_trap *now)
{
    return last->days > 0 && now->days > 0;
}

/* Each trap's last week is scaled to the days it was counted this week. */
static double last_scaled(const struct catch_trap *last, const struct catch_trap *now)
{
    return last->passes * now->days / last->days;
}

static double ratio_of(const struct catch_trap *last, const struct catch_trap *now, size_t count,
                       size_t *traps, double *before)
{
    double after = 0;
    *traps = 0;
    *before = 0;
    for (size_t i = 0; i < count; i++) {
        if (!paired(&last[i], &now[i]))
            continue;
        ++*traps;
        *before += last_scaled(&last[i], &now[i]);
        after += now[i].passes;
    }
    return *before > 0 && after > 0 ? after / *before : NAN;
}

/* Relative standard error of the ratio. */
static double error_of(const struct catch_trap *last, const struct catch_trap *now, size_t count,
                       double ratio, size_t traps, double before)
{
    double squares = 0;
    for (size_t i = 0; i < count; i++) {
        if (!paired(&last[i], &now[i]))
            continue;
        double off = now[i].passes - ratio * last_scaled(&last[i], &now[i]);
        squares += off * off;
    }
    double n = (double)traps;
    return sqrt(squares * n / (n - 1)) / (ratio * before);
}

static enum catch_direction direction_of(double low, double high)
{
    if (low > UP)
        return CATCH_UP;
    if (high < DOWN)
        return CATCH_DOWN;
    return low >= DOWN && high <= UP ? CATCH_SAME : CATCH_UNCLEAR;
}

void catch_compare(const struct catch_trap *last, const struct catch_trap *now, size_t count,
                   double flight_ratio, double day_spread, struct catch_change *change)
{
    double before;
    *change = (struct catch_change){.low = NAN, .high = NAN, .direction = CATCH_UNCLEAR};
    double ratio = ratio_of(last, now, count, &change->traps, &before);
    change->ratio = ratio / flight_ratio;
    if (isnan(ratio) || change->traps < CATCH_TRAPS_LEAST)
        return;
    double error = error_of(last, now, count, ratio, change->traps, before);
    double common = day_spread * M_SQRT2; /* one such deviation in each week */
    double reach = hypot(quantile_student(0.975, (double)change->traps - 1) * error,
                         quantile_normal(0.975) * common);
    change->low = change->ratio * exp(-reach);
    change->high = change->ratio * exp(reach);
    change->direction = direction_of(change->low, change->high);
}

/* Of a first-order autoregression with correlation a half, the mean of seven days has 0.348 of a day's variance;
 * deviations within the week show 0.761 of it (by summing 0.5^|i-j|). */
#define WEEK_OF_DAY (0.348 / 0.761)

double catch_week_spread(const double *days, size_t count)
{
    double squares = 0, df = 0;
    for (size_t week = 0; week + 7 <= count; week += 7) {
        double sum = 0, sum2 = 0, n = 0;
        for (size_t i = week; i < week + 7; i++)
            if (days[i] > 0) {
                double value = log(days[i]);
                sum += value;
                sum2 += value * value;
                n++;
            }
        if (n < 2)
            continue;
        squares += sum2 - sum * sum / n;
        df += n - 1;
    }
    return df >= 6 ? sqrt(fmax(0, squares) / df * WEEK_OF_DAY) : NAN;
}
