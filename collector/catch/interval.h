/*
 * What a block's passes say, and how surely. Pure.
 *
 * Meaning of the interval: had as many traps hung at other places along this perimeter in this week, their
 * mean would lie within it 95 times in 100. It speaks of these traps and this week, not of damage and not of
 * next week. Trap totals are taken as negative binomial (gamma-distributed places, Poisson arrivals), the
 * usual law of such counts (Taylor 1961, Nature 189:732; Bliss and Fisher 1953, Biometrics 9:176); how
 * unevenly wasps spread over places is pooled over the site's blocks and weeks, because six traps alone
 * cannot tell.
 *
 * That takes for granted that what one trap catches the others hardly miss. Where they take the same wasps from each
 * other, their mean varies less from placement to placement than their differences say, and the interval holds more
 * than 95 times in 100. By how much nothing in one placement's totals tells: of traps at random places with variance v
 * and covariance c, the differences show v - c whatever c is, while the mean of n has (v + (n - 1) c) / n. So it stays
 * on the safe side: at least 95.
 */
#ifndef EDGEROW_CATCH_INTERVAL_H
#define EDGEROW_CATCH_INTERVAL_H

#include <stdbool.h>
#include <stddef.h>

enum { CATCH_TRAPS_LEAST = 6, CATCH_POOL_DF_LEAST = 30 };

/* One trap in one week. */
struct catch_trap {
    double passes;
    double days; /* counted; 0: the trap is left out */
};

/* Unevenness of places, 1/k of the negative binomial, gathered over blocks and weeks. */
struct catch_pool {
    double weighted; /* sum of df times the moment estimate of 1/k */
    double df;
};

void catch_pool_add(struct catch_pool *pool, const struct catch_trap *traps, size_t count);
/* Pooled 1/k, at least 0; NAN below CATCH_POOL_DF_LEAST degrees of freedom. */
double catch_pool_unevenness(const struct catch_pool *pool);

struct catch_summary {
    size_t traps; /* with at least some time counted */
    double passes, trap_days;
    double per_trap_day; /* NAN without a counted day */
    bool has_interval;   /* false: under six traps, or too little history */
    double low, high;    /* 95 %, per trap and day */
};

/* unevenness: from the pool; NAN gives no interval. calibration_error: relative standard error of a factor
 * common to all traps (hand counts); 0: none, passes are what they are. */
void catch_summarise(const struct catch_trap *traps, size_t count, double unevenness,
                     double calibration_error, struct catch_summary *summary);

/* Exact 95 % limits of a Poisson mean from one count (Garwood 1936, Biometrika 28:437). */
void catch_poisson_limits(double count, double *low, double *high);

#endif
