#include "collector/catch/quantile.h"

#include <math.h>

#define TINY  1e-300
#define EPS   1e-15
#define STEPS 10000

/* Modified Lentz evaluation of the continued fraction of the incomplete beta function. */
static double beta_fraction(double x, double a, double b)
{
    double c = 1, d = 1 - (a + b) * x / (a + 1);
    d = 1 / (fabs(d) < TINY ? TINY : d);
    double value = d;
    for (int m = 1; m < STEPS; m++) {
        for (int odd = 0; odd < 2; odd++) {
            double term = odd ? -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
                              : m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m));
            d = 1 + term * d;
            d = 1 / (fabs(d) < TINY ? TINY : d);
            c = 1 + term / c;
            c = fabs(c) < TINY ? TINY : c;
            value *= d * c;
        }
        if (fabs(d * c - 1) < EPS)
            break;
    }
    return value;
}

double quantile_beta_below(double x, double a, double b)
{
    if (!(x > 0))
        return 0;
    if (x >= 1)
        return 1;
    double front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x));
    if (x < (a + 1) / (a + b + 2))
        return front * beta_fraction(x, a, b) / a;
    return 1 - front * beta_fraction(1 - x, b, a) / b;
}

static double gamma_series(double a, double x)
{
    double term = 1 / a, sum = term;
    for (int n = 1; n < STEPS && fabs(term) > fabs(sum) * EPS; n++) {
        term *= x / (a + n);
        sum += term;
    }
    return sum * exp(-x + a * log(x) - lgamma(a));
}

static double gamma_fraction(double a, double x)
{
    double b = x + 1 - a, c = 1 / TINY, d = 1 / b, value = d;
    for (int n = 1; n < STEPS; n++) {
        double term = -n * (n - a);
        b += 2;
        d = term * d + b;
        d = 1 / (fabs(d) < TINY ? TINY : d);
        c = b + term / c;
        c = fabs(c) < TINY ? TINY : c;
        value *= d * c;
        if (fabs(d * c - 1) < EPS)
            break;
    }
    return value * exp(-x + a * log(x) - lgamma(a));
}

double quantile_gamma_below(double a, double x)
{
    if (!(x > 0))
        return 0;
    return x < a + 1 ? gamma_series(a, x) : 1 - gamma_fraction(a, x);
}

typedef double (*below)(double x, double parameter);

static double student_below(double x, double df)
{
    double tail = quantile_beta_below(df / (df + x * x), df / 2, 0.5) / 2;
    return x > 0 ? 1 - tail : tail;
}

static double gamma_of_shape_below(double x, double shape)
{
    return quantile_gamma_below(shape, x);
}

static double normal_below(double x, double unused)
{
    (void)unused;
    return erfc(-x / M_SQRT2) / 2;
}

/* Widens until p is inside, then halves: slow, sure, and called a few times a day. */
static double invert(below function, double parameter, double p, double low, double high)
{
    while (function(high, parameter) < p && high < 1e12)
        high *= 2;
    while (low < 0 && function(low, parameter) > p && low > -1e12)
        low *= 2;
    for (int i = 0; i < 200 && high - low > 1e-13 * fmax(1e-3, fabs(high)); i++) {
        double middle = (low + high) / 2;
        if (function(middle, parameter) < p)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

double quantile_student(double p, double df)
{
    return p < 0.5 ? -quantile_student(1 - p, df) : invert(student_below, df, p, 0, 2);
}

double quantile_gamma(double p, double shape)
{
    return p <= 0 ? 0 : invert(gamma_of_shape_below, shape, p, 0, shape + 1);
}

double quantile_normal(double p)
{
    return invert(normal_below, 0, p, -2, 2);
}
