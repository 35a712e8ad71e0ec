#include "pretend.h"

#include <math.h>
#include <string.h>

double pretend_uniform(struct pretend *p)
{
    p->seed = p->seed * 6364136223846793005u + 1442695040888963407u;
    return (double)(p->seed >> 11) / 9007199254740992.0;
}

double pretend_normal(struct pretend *p)
{
    double u = fmax(1e-12, pretend_uniform(p)), v = pretend_uniform(p);
    return sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

static double saturation_kpa(double c)
{
    return 0.6108 * exp(17.27 * c / (c + 237.3));
}

/* mm an hour of a trap with k = 1: about 2.5 a day in fair weather. */
static double loss_mm(const struct pretend_plan *plan, int hour, double c, double dew_c,
                      double wind)
{
    double sun = fmax(0, sin(M_PI * (hour - 6) / 12.0));
    if (plan->wind)
        return 0.065 * fmax(0, saturation_kpa(c) - saturation_kpa(dew_c)) * (1 + 0.5 * wind);
    return 0.018 * sun * fmax(0, c + 5) * 0.55 + 0.01;
}

static void weather(struct pretend *p, const struct pretend_plan *plan, double *loss)
{
    double anomaly = 0, wind = 1.5, cloud = 0.4;
    for (int h = 0; h < PRETEND_HOURS; h++) {
        int hour = (int)((p->first_hour + h) % 24);
        if (hour == 0) {
            anomaly = 0.7 * anomaly + 2.2 * pretend_normal(p);
            cloud = fmin(1, fmax(0, 0.6 * cloud + 0.2 + 0.2 * pretend_normal(p)));
            wind = fmax(0.3, 0.6 * wind + 0.6 + 0.5 * pretend_normal(p));
        }
        double range = 13 - 8 * cloud;
        double c = 19 + anomaly + range / 2 * cos(2 * M_PI * (hour - 15) / 24.0);
        p->temperature_c[h] = (float)c;
        loss[h] = loss_mm(plan, hour, c, 10 + 0.5 * anomaly, wind) * (1 - 0.4 * cloud);
        p->rain_mm[h] = 0;
        if (plan->showers && cloud > 0.6 && pretend_uniform(p) < 0.04)
            p->rain_mm[h] = 1 + 4 * pretend_uniform(p);
    }
}

static void visit(struct pretend *p, struct pretend_trap *t, const struct pretend_plan *plan, int h,
                  double *level, double *fresh_h)
{
    int64_t at_s = (p->first_hour + h) * 3600 + (int64_t)(3600 * pretend_uniform(p));
    double before = *level;
    *level = t->fill_mm + 1.5 * pretend_normal(p);
    if (pretend_uniform(p) < plan->unrecorded) {
        t->unrecorded_mm[t->unrecorded_count] = *level - before;
        t->unrecorded_s[t->unrecorded_count++] = at_s;
    } else {
        t->visits[t->visit_count++] = (struct level_visit){at_s, LEVEL_PRESSED};
    }
    t->fresh_s[t->fresh_count++] = at_s;
    *fresh_h = h;
}

static int16_t sensed(struct pretend *p, double level)
{
    double seen = level + 0.4 * pretend_normal(p);
    return (int16_t)(2 * lround(fmax(0, seen) * 4));
}

static void sense(struct pretend *p, struct level_hour *hour, double before, double after,
                  double foam)
{
    int16_t samples[4];
    for (int i = 0; i < 4; i++)
        samples[i] = sensed(p, (i < 2 ? before : after) + foam);
    for (int i = 1; i < 4; i++)
        for (int k = i; k > 0 && samples[k - 1] > samples[k]; k--) {
            int16_t swap = samples[k];
            samples[k] = samples[k - 1];
            samples[k - 1] = swap;
        }
    *hour = (struct level_hour){.level_8mm = (int16_t)((samples[1] + samples[2]) / 2),
                                .low_8mm = samples[0],
                                .high_8mm = samples[3],
                                .net = (int16_t)(pretend_uniform(p) < 0.2),
                                .flags = LEVEL_HOUR_HEARD};
}

static void live(struct pretend *p, struct pretend_trap *t, const struct pretend_plan *plan,
                 const double *loss)
{
    double level = t->fill_mm, fresh_h = -100, foam_mm = 0;
    int next = (int)(24 * (3 + 6 * pretend_uniform(p)));
    double share = 0.6 + 0.5 * pretend_uniform(p); /* how much rain finds its mouth */
    for (int h = 0; h < PRETEND_HOURS; h++) {
        double before = level;
        level -= t->k * loss[h] * (1 + 0.05 * pretend_normal(p));
        level += share * p->rain_mm[h];
        if (h == next) {
            before = level;
            visit(p, t, plan, h, &level, &fresh_h);
            foam_mm = 5 * pretend_uniform(p);
            next = h + 24 * 7 + (int)(36 * (pretend_uniform(p) - 0.5));
        }
        if (plan->spills && t->spill_s == 0 && h > 300 && pretend_uniform(p) < 0.001) {
            level -= 12;
            t->spill_s = (p->first_hour + h) * 3600;
        }
        level = fmax(0, level);
        double foam = h == (int)fresh_h ? 0 : foam_mm * exp(-(h - fresh_h) / 14.0);
        t->truth_mm[h] = level;
        sense(p, &t->hours[h], before, level, foam);
    }
}

void pretend_run(struct pretend *p, uint64_t seed, const struct pretend_plan *plan)
{
    static double loss[PRETEND_HOURS];
    memset(p, 0, sizeof(*p));
    p->seed = seed * 2654435761u + 12345;
    p->first_hour = (int64_t)20650 * 24; /* July 2026 */
    weather(p, plan, loss);
    for (int i = 0; i < PRETEND_TRAPS; i++) {
        p->traps[i].k = plan->least_k + (plan->most_k - plan->least_k) * pretend_uniform(p);
        p->traps[i].fill_mm = 90;
        live(p, &p->traps[i], plan, loss);
    }
}
