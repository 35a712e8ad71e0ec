#include "deploy/rehearsal/trap.h"

#include <math.h>

#include "deploy/rehearsal/streams.h"

static const double bore_cm2 = 56.7;       /* a bottle of 85 mm: half a litre stands 88 mm deep */
static const double insect_ml = 0.2;       /* a soaked wasp, judgement */
static const unsigned raft_insects = 75;   /* judgement */
static const double usual_good_days = 7.0; /* common practice, no source: a week */
static const double overfull_mm = 4.0;     /* above the mark */

double trap_level_mm(const struct trap *trap)
{
    return (trap->liquid_ml + insect_ml * trap->dead_count) * 10.0 / bore_cm2;
}

double trap_age_days(const struct trap *trap, int64_t at_us)
{
    return (double)(at_us - trap->bait_from_us) / 86400e6;
}

static double full_ml(const struct trap *trap)
{
    return trap->full_mark_mm * bore_cm2 / 10.0;
}

/* Foam rises within hours of filling and is gone in two days. */
static double foam_at(const struct trap *trap, int64_t at_us)
{
    double age = trap_age_days(trap, at_us);
    return age < 0.0 || age > 3.0 ? 0.0 : trap->foam_mm * exp(-age / 0.6);
}

double trap_sensed_mm(struct trap *trap, int64_t at_us)
{
    double raft = trap->dead_count > raft_insects / 2 ? 1.5 : 0.0;
    return trap_level_mm(trap) + foam_at(trap, at_us) + raft + 0.4 * dice_normal(&trap->dice);
}

/* Juice ferments for one or two days before it calls, calls while alcohol lasts, then turns to
 * vinegar. */
static double pull_of_age(const struct trap *trap, double days)
{
    double lasts = trap->good_days - 2.0;
    double rise = 1.0 / (1.0 + exp(-(days - 1.0) / 0.25));
    double turn = days < lasts ? 1.0 : exp(-(days - lasts) / 4.0);
    return (0.1 + 0.9 * rise) * turn;
}

double trap_attraction(const struct trap *trap, int64_t at_us)
{
    double strength = trap->liquid_ml > 1.0 ? trap->sugar * full_ml(trap) / trap->liquid_ml : 0.0;
    double level = fmin(1.0, trap_level_mm(trap) / fmax(trap->low_mark_mm, 1.0));
    return pull_of_age(trap, trap_age_days(trap, at_us)) * fmin(1.2, sqrt(fmax(strength, 0.0))) *
           level;
}

bool trap_guarding(const struct trap *trap, int64_t at_us)
{
    double level = trap_level_mm(trap);
    return !trap->tilted && level >= trap->low_mark_mm &&
           level <= trap->full_mark_mm + overfull_mm && trap->dead_count < raft_insects &&
           trap_age_days(trap, at_us) <= trap->good_days + 1.0;
}

static void forget_insects(struct trap *trap)
{
    for (int kind = 0; kind < INSECT_KINDS; kind++) {
        trap->dead[kind] = 0;
        trap->inside[kind] = 0;
    }
    trap->dead_count = 0;
}

void trap_replace(struct trap *trap, int64_t at_us)
{
    forget_insects(trap);
    trap->liquid_ml = full_ml(trap) + dice_normal(&trap->dice) * 1.2 * bore_cm2 / 10.0;
    trap->sugar = trap->liquid_ml / full_ml(trap);
    trap->bait_from_us = at_us;
    trap->foam_mm = dice_between(&trap->dice, 0.0, 6.0);
    trap->tilted = false;
}

void trap_top_up(struct trap *trap)
{
    double missing = full_ml(trap) - trap->liquid_ml - insect_ml * trap->dead_count;
    missing += dice_normal(&trap->dice) * 1.0 * bore_cm2 / 10.0;
    trap->tilted = false;
    if (missing <= 0.0)
        return;
    trap->liquid_ml += missing;
    trap->sugar += missing / full_ml(trap);
}

void trap_hang(struct trap *trap, const struct trap_settings *settings, int64_t at_us)
{
    *trap = (struct trap){.full_mark_mm = settings->full_mark_mm,
                          .low_mark_mm = settings->low_mark_mm,
                          .good_days =
                              settings->good_days > 0.0 ? settings->good_days : usual_good_days,
                          .law = settings->law};
    dice_seed(&trap->dice, settings->seed, STREAM_TRAP, settings->item);
    trap->coefficient = exp(0.25 * dice_normal(&trap->dice));
    trap->shelter = dice_between(&trap->dice, 0.15, 0.5);
    trap->rain_share = dice_between(&trap->dice, 0.1, 0.6);
    trap_replace(trap, at_us);
}

static double loss_mm(const struct trap *trap, const struct weather_hour *hour, double hours)
{
    double mm = 0.10 * hours;
    if (trap->law == TRAP_LAW_WIND)
        mm = (0.06 + 0.06 * hour->wind_ms * trap->shelter) * hour->deficit_kpa * hours;
    else if (trap->law == TRAP_LAW_DEMAND)
        mm = 0.6 * hour->demand_mm * hours;
    else if (trap->law == TRAP_LAW_DEFICIT)
        mm = 0.13 * hour->deficit_kpa * hours;
    return mm * trap->coefficient;
}

void trap_weather(struct trap *trap, const struct weather_hour *hour, double seconds)
{
    double hours = seconds / 3600.0;
    trap->liquid_ml -= loss_mm(trap, hour, hours) * bore_cm2 / 10.0;
    trap->liquid_ml += hour->rain_mm * hours * trap->rain_share * bore_cm2 / 10.0;
    if (trap->tilted)
        trap->liquid_ml -= trap->liquid_ml * 0.5 * hours;
    trap->liquid_ml = fmax(trap->liquid_ml, 0.0);
}

static void one_inside(struct trap *trap, struct passes *passes, enum insect insect, bool guarding)
{
    double drown = guarding ? 0.30 : 0.04, leave = guarding ? 0.03 : 0.25,
           throw = dice_unit(&trap->dice);
    if (throw < drown) {
        trap->dead[insect]++;
        trap->dead_count++;
        trap->inside[insect]--;
    } else if (throw < drown + leave) {
        passes_add(passes, &trap->dice, PASS_EXIT, insect);
        trap->inside[insect]--;
    }
}

void trap_inside(struct trap *trap, struct passes *passes, int64_t at_us)
{
    bool guarding = trap_guarding(trap, at_us);
    for (int kind = 0; kind < INSECT_KINDS; kind++) {
        for (unsigned n = trap->inside[kind]; n > 0; n--)
            one_inside(trap, passes, (enum insect)kind, guarding);
    }
}
