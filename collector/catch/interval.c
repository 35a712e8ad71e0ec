#include "collector/catch/interval.h"

#include <math.h>

#include "collector/catch/quantile.h"

#define TAIL 0.025

static size_t count_sums(const struct catch_trap *traps, size_t count, double *passes, double *days)
{
    size_t used = 0;
    *passes = *days = 0;
    for (size_t i = 0; i < count; i++) {
        if (!(traps[i].days > 0))
            continue;
        used++;
        *passes += traps[i].passes;
        *days += traps[i].days;
    }
    return used;
}

/* Moment estimate of 1/k: with N_i ~ Poisson(G_i d_i), E sum (N_i - m d_i)^2 is sum (m d_i + m^2 d_i^2 / k),
 * less the degree of freedom that the mean takes. */
void catch_pool_add(struct catch_pool *pool, const struct catch_trap *traps, size_t count)
{
    double passes, days, squares = 0, expected = 0;
    size_t used = count_sums(traps, count, &passes, &days);
    if (used < 2 || !(passes > 0))
        return;
    double mean = passes / days;
    for (size_t i = 0; i < count; i++) {
        if (!(traps[i].days > 0))
            continue;
        double off = traps[i].passes - mean * traps[i].days;
        squares += off * off;
        expected += traps[i].days * traps[i].days;
    }
    double df = (double)used - 1;
    double scatter = squares * (double)used / df;
    pool->weighted += df * (scatter - passes) / (mean * mean * expected);
    pool->df += df;
}

double catch_pool_unevenness(const struct catch_pool *pool)
{
    if (pool->df < CATCH_POOL_DF_LEAST)
        return NAN;
    /* An estimate from few degrees of freedom is as often too small; the correction keeps the interval's
     * promise on average. */
    return fmax(0, pool->weighted / pool->df) * (1 + 3 / pool->df);
}

/* The share of negative binomial totals with this mean and shape that is at most count. */
static double total_at_most(double count, double mean, double shape)
{
    if (count < 0)
        return 0;
    if (!isfinite(shape))
        return 1 - quantile_gamma_below(count + 1, mean);
    return quantile_beta_below(shape / (shape + mean), shape, count + 1);
}

/* The mean for which the observed total is just as far out as the tail allows. */
static double limit(double total, double shape, bool upper)
{
    double low = 0, high = total + 10;
    if (!upper && total <= 0)
        return 0;
    while (upper && total_at_most(total, high, shape) > TAIL && high < 1e12)
        high *= 2;
    for (int i = 0; i < 100; i++) {
        double middle = (low + high) / 2;
        bool above = upper ? total_at_most(total, middle, shape) > TAIL
                           : 1 - total_at_most(total - 1, middle, shape) < TAIL;
        if (above)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

/* Traps counted for unequal times weigh as so many equal ones (Kish). */
static double equal_traps(const struct catch_trap *traps, size_t count)
{
    double sum = 0, squares = 0;
    for (size_t i = 0; i < count; i++)
        if (traps[i].days > 0) {
            sum += traps[i].days;
            squares += traps[i].days * traps[i].days;
        }
    return sum * sum / squares;
}

void catch_summarise(const struct catch_trap *traps, size_t count, double unevenness,
                     double calibration_error, struct catch_summary *summary)
{
    *summary = (struct catch_summary){.low = NAN, .high = NAN, .per_trap_day = NAN};
    summary->traps = count_sums(traps, count, &summary->passes, &summary->trap_days);
    if (summary->trap_days > 0)
        summary->per_trap_day = summary->passes / summary->trap_days;
    if (summary->traps < CATCH_TRAPS_LEAST || isnan(unevenness))
        return;
    double shape = unevenness > 0 ? equal_traps(traps, count) / unevenness : INFINITY;
    double common = exp(quantile_normal(1 - TAIL) * calibration_error);
    double low = limit(summary->passes, shape, false), high = limit(summary->passes, shape, true);
    if (calibration_error > 0 && summary->passes > 0) {
        /* Two independent errors on a ratio scale: their squares add. */
        double down = hypot(log(summary->passes / fmax(low, 1e-9)), log(common));
        double up = hypot(log(high / summary->passes), log(common));
        low = summary->passes * exp(-down);
        high = summary->passes * exp(up);
    }
    summary->low = low / summary->trap_days;
    summary->high = high / summary->trap_days;
    summary->has_interval = true;
}

void catch_poisson_limits(double count, double *low, double *high)
{
    *low = count > 0 ? quantile_gamma(TAIL, count) : 0;
    *high = quantile_gamma(1 - TAIL, count + 1);
}
