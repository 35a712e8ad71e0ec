/*
 * The distribution functions that the intervals need, by the usual series and continued fractions (Abramowitz
 * and Stegun 1964, 6.5.31, 26.5.8) and bisection. Compared with R in the tests to nine digits. No library of
 * Debian under a license that suits an MIT program has them for C. Pure.
 */
#ifndef EDGEROW_CATCH_QUANTILE_H
#define EDGEROW_CATCH_QUANTILE_H

/* Regularised incomplete beta function I_x(a, b); a, b > 0, x in 0 to 1. */
double quantile_beta_below(double x, double a, double b);
/* Regularised lower incomplete gamma function P(a, x); a > 0, x >= 0. */
double quantile_gamma_below(double a, double x);

/* Student's t: the value that a share p (0 to 1) lies below; df > 0. */
double quantile_student(double p, double df);
/* Gamma with this shape and scale 1. */
double quantile_gamma(double p, double shape);
/* Standard normal. */
double quantile_normal(double p);

#endif
