#include "collector/judge/robust.h"

#include <math.h>

/* Orders values so that the k-th smallest stands at k, no larger one before it and no smaller one
 * after. */
static double select_kth(double *values, size_t count, size_t k)
{
    size_t low = 0, high = count - 1;
    while (low < high) {
        double pivot = values[low + (high - low) / 2];
        size_t i = low, j = high;
        for (;;) {
            while (values[i] < pivot)
                i++;
            while (values[j] > pivot)
                j--;
            if (i >= j)
                break;
            double swap = values[i];
            values[i++] = values[j];
            values[j--] = swap;
        }
        /* Everything up to j is at most the pivot, everything from j + 1 at least. */
        if (k <= j)
            high = j;
        else
            low = j + 1;
    }
    return values[k];
}

double robust_quantile(double *values, size_t count, double p)
{
    if (count == 0)
        return NAN;
    double place = p * (double)(count - 1);
    size_t k = (size_t)place;
    double below = select_kth(values, count, k);
    if (k + 1 >= count || place <= (double)k)
        return below;
    double above = values[k + 1];
    for (size_t i = k + 2; i < count; i++)
        above = fmin(above, values[i]);
    return below + (place - (double)k) * (above - below);
}

double robust_median(double *values, size_t count)
{
    return robust_quantile(values, count, 0.5);
}

double robust_deviation(double *values, size_t count)
{
    double middle = robust_median(values, count);
    for (size_t i = 0; i < count; i++)
        values[i] = fabs(values[i] - middle);
    return 1.4826 * robust_median(values, count);
}

struct robust_line robust_theil_sen(const double *x, const double *y, size_t count, double *work)
{
    size_t slopes = 0;
    for (size_t i = 0; i < count; i++)
        for (size_t j = i + 1; j < count; j++)
            if (x[j] < x[i] || x[j] > x[i])
                work[slopes++] = (y[j] - y[i]) / (x[j] - x[i]);
    if (slopes == 0)
        return (struct robust_line){NAN, NAN};
    struct robust_line line = {.slope = robust_median(work, slopes)};
    for (size_t i = 0; i < count; i++)
        work[i] = y[i];
    double middle_y = robust_median(work, count);
    for (size_t i = 0; i < count; i++)
        work[i] = x[i];
    line.intercept = middle_y - line.slope * robust_median(work, count);
    return line;
}
