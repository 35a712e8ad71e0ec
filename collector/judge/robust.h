/* Robust statistics over small arrays. All reorder their input. */
#ifndef EDGEROW_JUDGE_ROBUST_H
#define EDGEROW_JUDGE_ROBUST_H

#include <stddef.h>

/* The p-quantile, 0 to 1, between order statistics linearly; NAN for an empty array. */
double robust_quantile(double *values, size_t count, double p);
double robust_median(double *values, size_t count);
/* Median absolute deviation from the median times 1.4826: the standard deviation of a normal
 * sample. */
double robust_deviation(double *values, size_t count);

/* Theil-Sen: the median of the slopes between all pairs with different x, and the intercept
 * median(y) - slope * median(x) (Sen 1968). work holds count * (count - 1) / 2 values. NAN below
 * two points. */
struct robust_line {
    double slope, intercept;
};
struct robust_line robust_theil_sen(const double *x, const double *y, size_t count, double *work);

#endif
