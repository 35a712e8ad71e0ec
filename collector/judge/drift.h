/*
 * No law of demand knows wind, shade of clouds and dryness together. What it misses is common to a block's traps, and the
 * traps show it: each day their losses, over what rate and demand say, have a common factor. With it the demand becomes
 * the block's own, and its past says how well the days to come can be foreseen. Pure.
 */
#ifndef EDGEROW_JUDGE_DRIFT_H
#define EDGEROW_JUDGE_DRIFT_H

#include <stddef.h>

/* Moves each day's factor by the median of what its traps measured: ratios[trap * days + day], NAN where not
 * measured. Factors keep a mean of 1, so that demand keeps its scale. work holds trap_count values. */
void drift_learn(const float *ratios, size_t trap_count, size_t days, float *factors, double *work);
/* Cumulative demand with each day's factor; days are 24 hours from the first. */
void drift_apply(const float *factors, size_t hour_count, float *cumulative_mm);

struct drift_outlook {
    double mm_day; /* expected mean of the days to come: recent days weigh more */
    double spread; /* how far three coming days were off, in the past: deviation over the mean */
};
void drift_expect(const float *cumulative_mm, size_t hour_count, struct drift_outlook *outlook);

/* How far forecasts of so many days were off, from ratios of what came to what was foretold (as above), less what the sensor's noise
 * (noises: deviation of each ratio by it) explains: a deviation that holds eight in ten. Forecasts of one day share
 * its weather, and those of neighbouring days most of it, so that few days lean on what is usual. */
double drift_spread(int lead_days, const float *ratios, const float *noises, size_t trap_count,
                    size_t days, double *work);

#endif
