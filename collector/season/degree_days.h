/*
 * Degree-days of one day by the single sine method with a lower and an upper threshold, horizontal
 * cut-off. Source: Baskerville and Emin 1969, Ecology 50:514-517; checked against Zalom et al.
 * 1983, table 7. Pure; least, most and the thresholds share one unit (Celsius or Fahrenheit), and
 * so does the result.
 */
#ifndef EDGEROW_SEASON_DEGREE_DAYS_H
#define EDGEROW_SEASON_DEGREE_DAYS_H

#include <math.h>

struct degree_thresholds {
    double lower;
    double upper; /* NAN: none */
};

/* least <= most; a day given the other way round, or with an unknown value, gives NAN. */
double degree_days_sine(double least, double most, const struct degree_thresholds *thresholds);

/* One degree-day Celsius is 1.8 degree-days Fahrenheit. */
double degree_days_f_from_c(double degree_days_c);

#endif
