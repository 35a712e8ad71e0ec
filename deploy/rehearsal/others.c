#include "deploy/rehearsal/others.h"

#include <math.h>

#include "deploy/rehearsal/streams.h"

void others_begin(struct others *others, uint64_t seed, uint64_t item)
{
    *others = (struct others){.web = false};
    dice_seed(&others->dice, seed, STREAM_OTHERS, item);
}

void others_cleaned(struct others *others)
{
    others->web = false;
}

/* A visitor enters (or is too small and gives a short pass); some stay, some turn round at once. */
struct visitor {
    enum insect insect;
    double per_hour;
    double seen_short; /* share that is too small for an entry */
    double stays;      /* share of entries that stay */
};

static void one_visitor(struct others *others, struct trap *trap, struct passes *passes,
                        const struct visitor *visitor)
{
    struct dice *dice = &others->dice;
    if (dice_chance(dice, visitor->seen_short)) {
        passes_add(passes, dice, PASS_SHORT, visitor->insect);
        return;
    }
    passes_add(passes, dice, PASS_ENTRY, visitor->insect);
    if (dice_chance(dice, visitor->stays))
        trap->inside[visitor->insect]++;
    else if (visitor->insect != INSECT_DROP)
        passes_add(passes, dice, PASS_EXIT, visitor->insect);
}

static void visitors(struct others *others, struct trap *trap, struct passes *passes,
                     const struct visitor *visitor)
{
    double hours = (double)passes->length_us / 3600e6;
    unsigned count = dice_poisson(&others->dice, visitor->per_hour * hours);
    for (unsigned i = 0; i < count; i++)
        one_visitor(others, trap, passes, visitor);
}

/* Spells that begin at random and last for hours. */
static bool spell(struct others *others, int64_t *until_us, const struct passes *passes,
                  double per_day, double mean_hours)
{
    double days = (double)passes->length_us / 86400e6;
    if (passes->from_us >= *until_us && dice_chance(&others->dice, per_day * days))
        *until_us = passes->from_us + (int64_t)dice_exponential(&others->dice, mean_hours * 3600e6);
    return passes->from_us < *until_us;
}

static void web(struct others *others, const struct weather_hour *hour, struct passes *passes)
{
    double days = (double)passes->length_us / 86400e6;
    if (hour->elevation_deg < 0.0 && dice_chance(&others->dice, 0.02 * days))
        others->web = true;
    if (others->web && hour->rain_mm > 1.0 && dice_chance(&others->dice, 0.2))
        others->web = false;
    if (others->web)
        passes->blocked_us =
            (int64_t)(dice_between(&others->dice, 0.3, 0.95) * (double)passes->length_us);
}

static void day_visitors(struct others *others, struct trap *trap, double flight,
                         struct passes *passes)
{
    double age = fmax(0.0, fmin(trap_age_days(trap, passes->from_us), 14.0));
    double many = spell(others, &others->robbing_until_us, passes, 0.002, 2.0) ? 1200.0 : 0.0;
    const struct visitor day[] = {
        {INSECT_FLY, 0.8 * pow(age / 4.0, 1.5) * flight, 0.7, 0.6},
        {INSECT_YELLOW, 0.15 * flight, 0.0, 0.7},
        {INSECT_BEE, (0.05 + many) * flight, 0.0, 0.1},
    };
    for (size_t i = 0; i < sizeof day / sizeof day[0]; i++)
        visitors(others, trap, passes, &day[i]);
}

static void night_visitors(struct others *others, struct trap *trap,
                           const struct weather_hour *hour, struct passes *passes)
{
    double dark =
        hour->elevation_deg < -3.0 ? fmax(0.0, fmin(1.0, (hour->temperature_c - 6.0) / 10.0)) : 0.0;
    const struct visitor night[] = {
        {INSECT_MOTH, 0.15 * dark, 0.1, 0.6},
        {INSECT_EARWIG, 0.12 * dark, 0.3, 0.2},
    };
    for (size_t i = 0; i < sizeof night / sizeof night[0]; i++)
        visitors(others, trap, passes, &night[i]);
}

void others_slice(struct others *others, struct trap *trap, const struct weather_hour *hour,
                  double flight, struct passes *passes)
{
    day_visitors(others, trap, flight, passes);
    night_visitors(others, trap, hour, passes);
    bool ants = spell(others, &others->ants_until_us, passes, 0.03, 6.0);
    const struct visitor any[] = {
        {INSECT_ANT, ants ? 20.0 : 0.0, 0.95, 0.3},
        {INSECT_DROP, hour->rain_mm * 2.0 * trap->rain_share, 0.6, 0.0},
    };
    for (size_t i = 0; i < sizeof any / sizeof any[0]; i++)
        visitors(others, trap, passes, &any[i]);
    web(others, hour, passes);
}
