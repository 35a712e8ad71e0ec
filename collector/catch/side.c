#include "collector/catch/side.h"

#include <math.h>

/* Half as much again as the whole ring, on the scale of the square roots. */
#define LEAST_SHARE 1.22

/* Rates of the traps, NAN where nothing was counted; the square root tames a single hot trap. */
static void fill(const struct catch_trap *traps, size_t count, double *rates)
{
    for (size_t i = 0; i < count; i++)
        rates[i] = traps[i].days > 0 ? sqrt(traps[i].passes / traps[i].days) : NAN;
}

/* The highest mean of a side over the mean of all, when the ring is turned by so many places, and from count
 * on also turned over. */
static double highest(const double *rates, const int *side, size_t count, size_t turn, int *which)
{
    double sums[CATCH_SIDES] = {0}, counts[CATCH_SIDES] = {0}, sum = 0, n = 0, best = -INFINITY;
    for (size_t i = 0; i < count; i++) {
        double rate = rates[turn < count ? (i + turn) % count : (2 * count - 1 - i + turn) % count];
        if (isnan(rate))
            continue;
        sums[side[i]] += rate;
        counts[side[i]]++;
        sum += rate;
        n++;
    }
    *which = 0;
    for (int s = 0; s < CATCH_SIDES; s++)
        if (counts[s] >= 3 && sum > 0 && (sums[s] / counts[s]) / (sum / n) > best) {
            best = (sums[s] / counts[s]) / (sum / n);
            *which = s;
        }
    return best;
}

static double p_of(const double *rates, const int *side, size_t count, double found)
{
    size_t as_much = 0;
    for (size_t turn = 0; turn < 2 * count; turn++) {
        int which;
        as_much += highest(rates, side, count, turn, &which) >= found - 1e-12;
    }
    return (double)as_much / (double)(2 * count);
}

static size_t hottest(const double *rates, size_t count)
{
    size_t best = 0;
    for (size_t i = 1; i < count; i++)
        if (!isnan(rates[i]) && (isnan(rates[best]) || rates[i] > rates[best]))
            best = i;
    return best;
}

/* The run of neighbouring traps, an eighth to a third of the ring, that stands out most. */
static void fill_stretch(const struct catch_trap *traps, size_t count, struct catch_side *result)
{
    double passes = 0, days = 0, best = -INFINITY;
    for (size_t i = 0; i < count; i++) {
        passes += traps[i].days > 0 ? traps[i].passes : 0;
        days += fmax(0, traps[i].days);
    }
    for (size_t length = count / 8 + 1; length <= count / 3; length++)
        for (size_t from = 0; from < count; from++) {
            double in = 0, in_days = 0;
            for (size_t i = 0; i < length; i++) {
                const struct catch_trap *trap = &traps[(from + i) % count];
                in += trap->days > 0 ? trap->passes : 0;
                in_days += fmax(0, trap->days);
            }
            if (!(in_days > 0) || !(passes > 0))
                continue;
            double mean = passes / days, z = (in - mean * in_days) / sqrt(mean * in_days);
            if (z > best) {
                best = z;
                result->from = from;
                result->to = (from + length - 1) % count;
                result->stretch_share = in / in_days / mean;
            }
        }
}

bool catch_side_of(const struct catch_trap *traps, const int *side, size_t count, double level,
                   struct catch_side *result)
{
    double rates[CATCH_RING_MOST];
    if (count < CATCH_RING_LEAST || count > CATCH_RING_MOST)
        return false;
    fill(traps, count, rates);
    *result = (struct catch_side){.p = 1};
    fill_stretch(traps, count, result);
    result->share = highest(rates, side, count, 0, &result->side);
    if (!isfinite(result->share))
        return false;
    double p_all = p_of(rates, side, count, result->share);
    rates[hottest(rates, count)] = NAN;
    int without;
    double share = highest(rates, side, count, 0, &without);
    double p_without = p_of(rates, side, count, share);
    result->p = fmax(p_all, p_without);
    result->leads = result->p <= level && without == result->side && share >= LEAST_SHARE;
    return true;
}

bool catch_side_stands(const struct catch_side *last, const struct catch_side *now)
{
    return last->leads && now->leads && last->side == now->side;
}
