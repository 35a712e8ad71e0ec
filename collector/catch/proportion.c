#include "collector/catch/proportion.h"

#include <math.h>

#include "collector/catch/quantile.h"

void proportion_limits(double damaged, double looked_at, double *low, double *high)
{
    double z = quantile_normal(0.975), z2 = z * z;
    double share = damaged / looked_at;
    double centre = (share + z2 / (2 * looked_at)) / (1 + z2 / looked_at);
    double half = z / (1 + z2 / looked_at) *
                  sqrt(share * (1 - share) / looked_at + z2 / (4 * looked_at * looked_at));
    *low = damaged <= 0 ? 0 : fmax(0, centre - half);
    *high = damaged >= looked_at ? 1 : fmin(1, centre + half);
}

/* Variance of a ratio of totals over that of simple sampling. */
static double design_effect(const struct proportion_place *places, size_t count,
                            const struct proportion *all)
{
    double squares = 0, used = 0;
    for (size_t i = 0; i < count; i++) {
        if (!(places[i].looked_at > 0))
            continue;
        double off = places[i].damaged - all->share * places[i].looked_at;
        squares += off * off;
        used++;
    }
    if (used < 2)
        return NAN;
    double simple = all->share * (1 - all->share) / all->looked_at;
    double clustered = squares * used / (used - 1) / (all->looked_at * all->looked_at);
    return simple > 0 ? fmax(1, clustered / simple) : 1;
}

bool proportion_of(const struct proportion_place *places, size_t count, struct proportion *result)
{
    struct proportion all = {0};
    for (size_t i = 0; i < count; i++)
        if (places[i].looked_at > 0) {
            all.looked_at += places[i].looked_at;
            all.damaged += places[i].damaged;
        }
    if (!(all.looked_at > 0))
        return false;
    all.share = all.damaged / all.looked_at;
    all.design_effect = design_effect(places, count, &all);
    double effect = isnan(all.design_effect) ? 1 : all.design_effect;
    proportion_limits(all.damaged / effect, all.looked_at / effect, &all.low, &all.high);
    *result = all;
    return true;
}

void proportion_difference(const struct proportion *a, const struct proportion *b,
                           double *difference, double *low, double *high)
{
    *difference = a->share - b->share;
    *low = *difference - hypot(a->share - a->low, b->high - b->share);
    *high = *difference + hypot(a->high - a->share, b->share - b->low);
}
