#include "collector/catch/calibrate.h"

#include <math.h>

#define BEES_SHARE 0.05
#define BEES_LEAST 10

static bool counts(const struct calibrate_sample *sample)
{
    return sample->days_ago <= CALIBRATE_DAYS && sample->passes > 0;
}

static void add_totals(const struct calibrate_sample *samples, size_t count, struct calibration *c)
{
    for (size_t i = 0; i < count; i++) {
        if (!counts(&samples[i]))
            continue;
        c->samples++;
        c->passes += samples[i].passes;
        for (int kind = 0; kind < CALIBRATE_KINDS; kind++) {
            c->ratio[kind] += samples[i].counts[kind];
            c->counted += samples[i].counts[kind];
        }
    }
    for (int kind = 0; kind < CALIBRATE_KINDS && c->passes > 0; kind++)
        c->ratio[kind] /= c->passes;
}

/* Linearised variance of a ratio of totals (Cochran 1977, section 6.4), over the ratio. */
static double error_of(const struct calibrate_sample *samples, size_t count,
                       const struct calibration *c, int kind)
{
    double squares = 0, n = (double)c->samples;
    for (size_t i = 0; i < count; i++)
        if (counts(&samples[i])) {
            double off = samples[i].counts[kind] - c->ratio[kind] * samples[i].passes;
            squares += off * off;
        }
    return c->ratio[kind] > 0 ? sqrt(squares * n / (n - 1)) / (c->ratio[kind] * c->passes) : NAN;
}

/* With counts ~ Poisson(ratio_i * passes) and ratios of mean R and variance V, the sum of squares about R is
 * sum (R p + V p^2). A trap's own ratio then weighs its passes against R / V. */
static double weight_of(const struct calibrate_sample *samples, size_t count,
                        const struct calibration *c, int kind)
{
    double excess = 0, squares = 0;
    for (size_t i = 0; i < count; i++)
        if (counts(&samples[i])) {
            double p = samples[i].passes, off = samples[i].counts[kind] - c->ratio[kind] * p;
            excess += off * off - c->ratio[kind] * p;
            squares += p * p;
        }
    double variance = excess / squares;
    return variance > 0 && c->ratio[kind] > 0 ? c->ratio[kind] / variance : INFINITY;
}

void calibrate_site(const struct calibrate_sample *samples, size_t count,
                    struct calibration *calibration)
{
    *calibration = (struct calibration){0};
    add_totals(samples, count, calibration);
    calibration->valid = calibration->samples >= CALIBRATE_SAMPLES_LEAST &&
                         calibration->counted >= CALIBRATE_COUNTED_LEAST;
    for (int kind = 0; kind < CALIBRATE_KINDS && calibration->valid; kind++) {
        calibration->error[kind] = error_of(samples, count, calibration, kind);
        calibration->weight[kind] = weight_of(samples, count, calibration, kind);
    }
}

double calibrate_trap(const struct calibrate_sample *samples, size_t count,
                      const struct calibration *calibration, size_t trap, enum calibrate_kind kind)
{
    double passes = 0, found = 0;
    for (size_t i = 0; i < count; i++)
        if (counts(&samples[i]) && samples[i].trap == trap) {
            passes += samples[i].passes;
            found += samples[i].counts[kind];
        }
    double weight = calibration->weight[kind];
    if (!isfinite(weight))
        return calibration->ratio[kind];
    return (found + weight * calibration->ratio[kind]) / (passes + weight);
}

bool calibrate_bees(const struct calibrate_sample *samples, size_t count, double *share,
                    double *bees)
{
    double all = 0;
    *bees = 0;
    for (size_t i = 0; i < count; i++) {
        if (samples[i].days_ago > CALIBRATE_DAYS)
            continue;
        *bees += samples[i].counts[CALIBRATE_HONEY_BEES];
        for (int kind = 0; kind < CALIBRATE_KINDS; kind++)
            all += samples[i].counts[kind];
    }
    *share = all > 0 ? *bees / all : 0;
    return *bees >= BEES_LEAST && *share >= BEES_SHARE;
}
