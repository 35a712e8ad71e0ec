/*
 * Damaged fruit: proportions from counted clusters, and what may be said from comparing two. Pure.
 *
 * Berries of one cluster and clusters of one place are damaged together, so a count of clusters is worth
 * fewer independent ones: the design effect (Kish 1965, Survey Sampling). Limits are Wilson's (1927, Journal
 * of the American Statistical Association 22:209) on the effective number; the difference of two is
 * Newcombe's method 10 (1998, Statistics in Medicine 17:873).
 */
#ifndef EDGEROW_CATCH_PROPORTION_H
#define EDGEROW_CATCH_PROPORTION_H

#include <stdbool.h>
#include <stddef.h>

/* One place: so many clusters looked at, so many of them damaged. */
struct proportion_place {
    double looked_at, damaged;
};

struct proportion {
    double looked_at, damaged, share;
    double
        design_effect; /* at least 1, from the places' disagreement; NAN with fewer than two places */
    double low, high; /* 95 % */
};

/* places without a cluster are left out. False when nothing was looked at. */
bool proportion_of(const struct proportion_place *places, size_t count, struct proportion *result);
/* Wilson's limits of damaged out of looked_at, both possibly divided by a design effect. */
void proportion_limits(double damaged, double looked_at, double *low, double *high);
/* Difference a - b with its 95 % limits. */
void proportion_difference(const struct proportion *a, const struct proportion *b,
                           double *difference, double *low, double *high);

#endif
