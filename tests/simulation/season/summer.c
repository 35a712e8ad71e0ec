#include "summer.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    HOUR_S = 3600,
    DAY_S = 86400,
    STREAM_SUMMER = 100,
    FIRST_DAY = 20614, /* 10 June 2026 */
    SPREAD_DAYS = 45
};
static const double burst = 8; /* mean length of a spell of losses, reports */

/* The roster by hand: every trap has served from the beginning. */
static void make_roster(struct summer *s)
{
    const struct place *place = s->place;
    s->roster.block_count = place->block_count;
    s->roster.blocks = calloc(place->block_count, sizeof *s->roster.blocks);
    s->roster.assignment_count = place->trap_count;
    s->roster.assignments = calloc(place->trap_count, sizeof *s->roster.assignments);
    s->roster.by_trap = calloc(place->trap_count, sizeof *s->roster.by_trap);
    for (size_t b = 0; b < place->block_count; b++)
        snprintf(s->roster.blocks[b].name, sizeof s->roster.blocks[b].name, "%.32s",
                 place->blocks[b].name);
    for (size_t t = 0; t < place->trap_count; t++) {
        struct roster_assignment *a = &s->roster.assignments[t];
        *a = (struct roster_assignment){.devaddr = (uint32_t)t + 1,
                                        .block = place->traps[t].block,
                                        .from_s = INT64_MIN,
                                        .to_s = INT64_MAX,
                                        .latitude = NAN,
                                        .longitude = NAN};
        snprintf(a->trap, sizeof a->trap, "%.32s", place->traps[t].name);
        s->roster.by_trap[t] = t; /* names grow with the index */
    }
}

/* Of a hundred stations in sixty days: three counters stick and two beams are blocked for days, and
 * two traps fall. */
static void plan_faults(struct summer *s, struct summer_trap *trap)
{
    double share = s->settings.days / 60.0, throw = dice_unit(&trap->dice);
    if (!s->settings.faults)
        return;
    if (throw < 0.03 * share)
        trap->fault = SUMMER_STUCK;
    else if (throw < 0.05 * share)
        trap->fault = SUMMER_BLOCKED;
    trap->fault_from_s =
        s->start_s + (int64_t)(dice_between(&trap->dice, 0.25, 0.75) * s->settings.days) * DAY_S +
        (int64_t)dice_between(&trap->dice, 0, DAY_S) / HOUR_S * HOUR_S;
    trap->fault_until_s =
        trap->fault_from_s + (int64_t)(dice_between(&trap->dice, 2.5, 6) * 24) * HOUR_S;
    if (dice_chance(&trap->dice, 0.02 * share))
        trap->fell_s =
            s->start_s + (int64_t)(dice_between(&trap->dice, 0.25, 0.9) * s->settings.days * DAY_S);
}

static void hang(struct summer *s, size_t t)
{
    struct summer_trap *trap = &s->traps[t];
    struct trap_settings settings = {.full_mark_mm = s->settings.full_mm,
                                     .low_mark_mm = s->settings.low_mm,
                                     .good_days = s->settings.good_days,
                                     .law = s->settings.law,
                                     .seed = s->settings.seed,
                                     .item = t};
    trap_hang(&trap->trap, &settings, s->now_s * 1000000);
    others_begin(&trap->others, s->settings.seed, t);
    dice_seed(&trap->dice, s->settings.seed, STREAM_SUMMER, t);
    trap->warm_c = dice_chance(&trap->dice, 0.3) ? dice_between(&trap->dice, 2, 8) : 0;
    trap->pressed = true; /* whoever hangs it presses */
    trap->service_sequence = 1;
    plan_faults(s, trap);
}

void summer_open(struct summer *s, const struct summer_settings *settings)
{
    char folder[512], why[WEATHER_WHY_MAX];
    *s = (struct summer){.settings = *settings};
    dice_seed(&s->dice, settings->seed, STREAM_SUMMER, SIZE_MAX);
    s->start_s = (int64_t)(FIRST_DAY + dice_below(&s->dice, SPREAD_DAYS)) * DAY_S - SUMMER_OFFSET_S;
    s->now_s = s->start_s;
    ck_assert_int_eq(place_invent(&s->place, settings->seed, settings->traps, 1), 0);
    snprintf(folder, sizeof folder, "%s/rehearsal/weather", getenv("EDGEROW_BUILD"));
    struct weather_settings weather = {.folder = folder,
                                       .climate = settings->climate,
                                       .seed = settings->seed,
                                       .start_s = s->start_s,
                                       .days = settings->days + 5,
                                       .latitude = s->place->latitude,
                                       .longitude = s->place->longitude};
    int result = weather_open(&s->weather, &weather, why);
    ck_assert_msg(result == 0, "%s", why);
    ck_assert_int_eq(wasps_open(&s->wasps, s->place, settings->seed), 0);
    s->traps = calloc(settings->traps, sizeof *s->traps);
    s->attraction = calloc(settings->traps, sizeof(double));
    s->per_hour = calloc(settings->traps, sizeof(double));
    ck_assert(s->traps != NULL && s->attraction != NULL && s->per_hour != NULL);
    make_roster(s);
    for (size_t t = 0; t < settings->traps; t++)
        hang(s, t);
}

void summer_close(struct summer *s)
{
    weather_close(s->weather);
    wasps_close(s->wasps);
    free(s->roster.blocks);
    free(s->roster.assignments);
    free(s->roster.by_trap);
    free(s->traps);
    free(s->attraction);
    free(s->per_hour);
    place_close(s->place);
}

size_t summer_hour(const struct summer *s)
{
    return (size_t)((s->now_s - s->start_s) / HOUR_S);
}

void summer_serve(struct summer *s, size_t t, bool pressed)
{
    struct summer_trap *trap = &s->traps[t];
    trap_replace(&trap->trap, s->now_s * 1000000);
    others_cleaned(&trap->others);
    size_t hour = summer_hour(s);
    trap->served_hours[hour / 24] |= UINT64_C(1) << hour % 24;
    s->visits++;
    if (!pressed)
        return;
    trap->pressed = true;
    trap->service_sequence = (trap->service_sequence + 1) & 15;
}

static bool is_faulty(const struct summer *s, const struct summer_trap *trap,
                      enum summer_fault fault)
{
    return trap->fault == fault && s->now_s >= trap->fault_from_s && s->now_s < trap->fault_until_s;
}

static void arrive(struct summer *s, size_t t)
{
    struct summer_trap *trap = &s->traps[t];
    unsigned count =
        dice_poisson(&trap->dice, s->settings.wasps * s->per_hour[t] * SUMMER_SLICE_S / HOUR_S);
    for (unsigned i = 0; i < count; i++) {
        passes_add(&s->passes, &trap->dice, PASS_ENTRY, INSECT_WASP);
        if (dice_chance(&trap->dice, 0.12))
            passes_add(&s->passes, &trap->dice, PASS_EXIT, INSECT_WASP);
        else
            trap->trap.inside[INSECT_WASP]++;
    }
}

static void note_truth(struct summer *s, struct summer_trap *trap)
{
    size_t hour = summer_hour(s);
    for (size_t i = 0; i < s->passes.count; i++) {
        const struct pass *pass = &s->passes.items[i];
        uint16_t *of_kind = pass->insect == INSECT_DROP ? trap->drops
                            : pass->insect == INSECT_MOTH || pass->insect == INSECT_EARWIG
                                ? trap->night
                            : pass->insect == INSECT_FLY ? trap->flies
                            : pass->insect == INSECT_BEE ? trap->bees
                            : pass->insect == INSECT_ANT ? trap->ants
                                                         : trap->wasps;
        if (pass->kind == PASS_ENTRY)
            of_kind[hour]++;
    }
    trap->blocked_s[hour] = (uint16_t)(trap->blocked_s[hour] + s->passes.blocked_us / 1000000);
    trap->tilted[hour] |= trap->trap.tilted;
}

static void count(struct summer *s, struct summer_trap *trap)
{
    unsigned entries = 0;
    if (is_faulty(s, trap, SUMMER_BLOCKED))
        s->passes.blocked_us = (int64_t)(dice_between(&trap->dice, 0.6, 1) * SUMMER_SLICE_S * 1e6);
    note_truth(s, trap);
    passes_hide(&s->passes);
    for (size_t i = 0; i < s->passes.count && !is_faulty(s, trap, SUMMER_STUCK); i++) {
        entries += s->passes.items[i].kind == PASS_ENTRY;
        trap->exits += s->passes.items[i].kind == PASS_EXIT;
        trap->shorts += s->passes.items[i].kind == PASS_SHORT;
    }
    trap->entries += entries;
    trap->blocked_2s += (uint32_t)(s->passes.blocked_us / 2000000);
    trap->tick = (uint8_t)((trap->tick + 1) % AIR_TICK_MODULUS);
    memmove(trap->recent + 1, trap->recent, AIR_RECENT_MAX - 1);
    trap->recent[0] = (uint8_t)(entries > AIR_RECENT_SATURATED ? AIR_RECENT_SATURATED : entries);
    trap->recent_count = (uint8_t)(trap->recent_count + (trap->recent_count < AIR_RECENT_MAX));
}

/* A station in a good or a bad spell. */
static bool arrives(struct summer *s, struct summer_trap *trap)
{
    double leave = 1 / burst, loss = s->settings.loss, enter = leave * loss / (1 - loss);
    trap->bad_spell =
        trap->bad_spell ? !dice_chance(&trap->dice, leave) : dice_chance(&trap->dice, enter);
    return !trap->bad_spell;
}

static void speak(struct summer *s, size_t t, const struct weather_hour *hour, summer_heard heard,
                  void *user)
{
    struct summer_trap *trap = &s->traps[t];
    double sun = fmax(0, fmin(1, hour->elevation_deg / 40));
    double celsius = hour->temperature_c + trap->warm_c * sun + 0.3 * dice_normal(&trap->dice);
    double level = trap_sensed_mm(&trap->trap, s->now_s * 1000000);
    struct air_report report = {.kind = AIR_REGULAR,
                                .entries = trap->entries,
                                .exits = trap->exits & 0xFFFF,
                                .short_passes = trap->shorts & 0xFFFF,
                                .blocked_2s = trap->blocked_2s & 0xFFFF,
                                .level_qmm = (uint16_t)lround(fmax(0, level) * 4),
                                .tick = trap->tick,
                                .interval_min = SUMMER_SLICE_S / 60,
                                .flags = (uint8_t)((trap->trap.tilted ? AIR_FLAG_TILT : 0) |
                                                   (trap->pressed ? AIR_FLAG_SERVICE : 0)),
                                .service_sequence = trap->service_sequence,
                                .temperature_dc = (int16_t)(5 * lround(celsius * 2)),
                                .humidity_pm = t % 2 == 0
                                                   ? (int16_t)(5 * lround(hour->humidity * 200))
                                                   : AIR_HUMIDITY_UNKNOWN,
                                .battery_mv = 3000,
                                .recent_count = trap->recent_count};
    memcpy(report.recent, trap->recent, sizeof report.recent);
    trap->fcnt++;
    trap->pressed = false;
    if (arrives(s, trap) && heard != NULL)
        heard(user, &(struct summer_word){t, (uint32_t)t + 1, trap->fcnt, s->now_s + 5, &report});
}

/* What evaporates in this quarter of an hour, whatever else happens to the level. */
static double evaporates_mm(const struct trap *trap, const struct weather_hour *hour)
{
    struct trap dry = *trap;
    struct weather_hour without_rain = *hour;
    without_rain.rain_mm = 0;
    dry.tilted = false;
    trap_weather(&dry, &without_rain, SUMMER_SLICE_S);
    return trap_level_mm(trap) - trap_level_mm(&dry);
}

static void one_trap(struct summer *s, size_t t, const struct weather_hour *hour, double flight)
{
    struct summer_trap *trap = &s->traps[t];
    int64_t at_us = s->now_s * 1000000;
    if (trap->fell_s != 0 && s->now_s >= trap->fell_s && s->now_s < trap->fell_s + SUMMER_SLICE_S)
        trap->trap.tilted = true;
    passes_begin(&s->passes, at_us, (int64_t)SUMMER_SLICE_S * 1000000);
    if (!trap->trap.tilted)
        arrive(s, t);
    others_slice(&trap->others, &trap->trap, hour, flight, &s->passes);
    trap_inside(&trap->trap, &s->passes, at_us);
    trap->lost_sum_mm += evaporates_mm(&trap->trap, hour);
    trap_weather(&trap->trap, hour, SUMMER_SLICE_S);
    count(s, trap);
    s->slices++;
    s->guarded += trap_guarding(&trap->trap, at_us);
    trap->level_mm[summer_hour(s)] = (float)trap_level_mm(&trap->trap);
    trap->lost_mm[summer_hour(s)] = (float)trap->lost_sum_mm;
}

void summer_slice(struct summer *s, summer_heard heard, void *user)
{
    const struct weather_hour *hour = weather_at(s->weather, s->now_s);
    for (size_t t = 0; t < s->settings.traps; t++)
        s->attraction[t] = trap_attraction(&s->traps[t].trap, s->now_s * 1000000);
    wasps_rates(s->wasps, hour, s->now_s, s->attraction, s->per_hour);
    double flight = wasps_flight(hour);
    for (size_t t = 0; t < s->settings.traps; t++)
        one_trap(s, t, hour, flight);
    s->now_s += SUMMER_SLICE_S;
    for (size_t t = 0; t < s->settings.traps; t++)
        speak(s, t, hour, heard, user);
}
