#include "collector/season/degree_days.h"

/* Area between a sine wave through least and most, and a threshold under it, over one day. */
static double area_above(double least, double most, double threshold)
{
    double middle = (least + most) / 2;
    double swing = (most - least) / 2;
    if (most <= threshold)
        return 0;
    if (least >= threshold)
        return middle - threshold;
    double crossing = asin((threshold - middle) / swing);
    return ((middle - threshold) * (M_PI_2 - crossing) + swing * cos(crossing)) / M_PI;
}

double degree_days_sine(double least, double most, const struct degree_thresholds *thresholds)
{
    if (isnan(least) || isnan(most) || least > most)
        return NAN;
    double sum = area_above(least, most, thresholds->lower);
    if (!isnan(thresholds->upper))
        sum -= area_above(least, most, thresholds->upper);
    return sum;
}

double degree_days_f_from_c(double degree_days_c)
{
    return degree_days_c * 1.8;
}
