#include "collector/judge/drift.h"

#include <math.h>

#include "collector/judge/robust.h"

enum { DAY_HOURS = 24, TRAPS_LEAST = 3, AHEAD_DAYS = 3, DAYS_MOST = 32, TRIALS_LEAST = 4 };
static const double FADE = 0.75; /* weight of a day over the one after it */
static const double FACTOR_LEAST = 0.3, FACTOR_MOST = 3;
static const double TRIALS_USUAL = 4;
static const double Z80 = 1.2815516, SPREAD_TRIALS = 0.3;
static const double SPREAD_UNKNOWN = 0.25, SPREAD_LEAST = 0.01;

static double bounded(double value, double least, double most)
{
    return fmin(most, fmax(least, value));
}

void drift_learn(const float *ratios, size_t trap_count, size_t days, float *factors, double *work)
{
    double sum = 0;
    size_t known = 0;
    float latest = 1;
    for (size_t day = 0; day < days; day++) {
        size_t count = 0;
        for (size_t i = 0; i < trap_count; i++)
            if (!isnan(ratios[i * days + day]))
                work[count++] = (double)ratios[i * days + day];
        if (count < TRAPS_LEAST) {
            factors[day] = latest; /* wind and dryness last: as the day before */
            continue;
        }
        double moved = (double)factors[day] * robust_median(work, count);
        latest = factors[day] = (float)bounded(moved, FACTOR_LEAST, FACTOR_MOST);
        sum += (double)latest;
        known++;
    }
    if (known == 0)
        return;
    for (size_t day = 0; day < days; day++)
        factors[day] = (float)((double)factors[day] * (double)known / sum);
}

void drift_apply(const float *factors, size_t hour_count, float *cumulative_mm)
{
    double sum = 0, before = 0;
    for (size_t i = 0; i < hour_count; i++) {
        double now = (double)cumulative_mm[i];
        sum += (now - before) * (double)factors[i / DAY_HOURS];
        before = now;
        cumulative_mm[i] = (float)sum;
    }
}

/* Demand of the last whole days, oldest first. */
static size_t days_of(const float *cumulative_mm, size_t hour_count, double *days_mm)
{
    size_t count = hour_count > 0 ? (hour_count - 1) / DAY_HOURS : 0;
    count = count > DAYS_MOST ? DAYS_MOST : count;
    for (size_t d = 0; d < count; d++) {
        size_t end = hour_count - 1 - (count - 1 - d) * DAY_HOURS;
        days_mm[d] = (double)cumulative_mm[end] - (double)cumulative_mm[end - DAY_HOURS];
    }
    return count;
}

/* What past forecasts say, their sensor's part taken off. */
struct held_out {
    double square; /* the eighth tenth of how far they were off */
    double
        independent; /* forecasts that tell as much of a spread as these, which share their weather */
};

/* Of a spread the correlations count squared: those of overlapping spans of days, and that of a day's traps, whose
 * common part is the day's weather (design effect, Kish 1965, Survey Sampling). */
static double worth(int lead_days, double days, double count, double common_share)
{
    double overlap = 1, in_day = count / fmax(1, days);
    for (int apart = 1; apart < lead_days; apart++)
        overlap += 2 * pow((double)(lead_days - apart) / lead_days, 2);
    return days / overlap * in_day / (1 + (in_day - 1) * common_share * common_share);
}

static struct held_out held_out_of(int lead_days, const float *ratios, const float *noises,
                                   size_t trap_count, size_t days, double *work)
{
    size_t count = 0, tried = 0;
    double squares = 0, common = 0;
    for (size_t day = 0; day < days; day++) {
        size_t before = count;
        double sum = 0;
        for (size_t i = 0; i < trap_count; i++) {
            double off = ((double)ratios[i * days + day] - 1) / Z80;
            double noise = (double)noises[i * days + day];
            if (isnan(off))
                continue;
            work[count++] = off * off - noise * noise;
            squares += off * off;
            sum += off;
        }
        common += sum * sum / fmax(1, (double)(count - before));
        tried += count - before >= TRAPS_LEAST;
    }
    if (count == 0)
        return (struct held_out){SPREAD_UNKNOWN * SPREAD_UNKNOWN, 0};
    return (struct held_out){
        fmax(0, robust_quantile(work, count, 0.8)),
        worth(lead_days, (double)tried, (double)count, common / fmax(1e-9, squares))};
}

double drift_spread(int lead_days, const float *ratios, const float *noises, size_t trap_count,
                    size_t days, double *work)
{
    struct held_out seen = held_out_of(lead_days, ratios, noises, trap_count, days, work);
    /* Student's t over the normal distribution at a tenth in each tail, nearly: few trials. */
    double few = 1 + 0.75 / fmax(1, seen.independent);
    double spread = fmax(SPREAD_LEAST, sqrt(seen.square) * few);
    /* A scale is weighed by its logarithm. */
    return exp((seen.independent * log(spread) + SPREAD_TRIALS * log(SPREAD_UNKNOWN)) /
               (seen.independent + SPREAD_TRIALS));
}

static double expected(const double *days_mm, size_t count)
{
    double sum = 0, weight = 0;
    for (size_t d = 0; d < count; d++) {
        sum = sum * FADE + days_mm[d];
        weight = weight * FADE + 1;
    }
    return sum / weight;
}

void drift_expect(const float *cumulative_mm, size_t hour_count, struct drift_outlook *outlook)
{
    double days_mm[DAYS_MOST];
    size_t count = days_of(cumulative_mm, hour_count, days_mm);
    *outlook =
        (struct drift_outlook){.mm_day = hour_count > 0 ? (double)cumulative_mm[hour_count - 1] *
                                                              DAY_HOURS / (double)hour_count
                                                        : 0,
                               .spread = SPREAD_UNKNOWN};
    if (count == 0)
        return;
    outlook->mm_day = expected(days_mm, count);
    double squares = 0;
    size_t trials = 0;
    for (size_t at = 3; at + AHEAD_DAYS <= count; at++) {
        double came = 0;
        for (size_t d = 0; d < AHEAD_DAYS; d++)
            came += days_mm[at + d] / AHEAD_DAYS;
        double off = came / fmax(0.1, expected(days_mm, at)) - 1;
        squares += off * off;
        trials++;
    }
    if (trials >= TRIALS_LEAST) {
        /* Few trials, and overlapping ones: lean on what is usual. */
        double usual = SPREAD_UNKNOWN * SPREAD_UNKNOWN * TRIALS_USUAL;
        outlook->spread =
            fmax(SPREAD_LEAST, sqrt((squares + usual) / ((double)trials + TRIALS_USUAL)));
    }
}
