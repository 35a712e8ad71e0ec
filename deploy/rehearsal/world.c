#include "deploy/rehearsal/world.h"

#include <errno.h>
#include <stdlib.h>

#include "deploy/rehearsal/calendar.h"
#include "deploy/rehearsal/streams.h"
#include "deploy/rehearsal/world_parts.h"

static int allocate(struct world *w)
{
    size_t traps = w->place->trap_count, units = w->place->unit_count;
    w->traps = calloc(traps, sizeof *w->traps);
    w->others = calloc(traps, sizeof *w->others);
    w->unit_of_trap = calloc(traps, sizeof *w->unit_of_trap);
    w->attraction = calloc(traps, sizeof *w->attraction);
    w->per_hour = calloc(traps, sizeof *w->per_hour);
    w->inwards = calloc(traps, sizeof *w->inwards);
    w->asked = calloc(traps, sizeof *w->asked);
    w->stations = calloc(units, sizeof *w->stations);
    w->trap_of_unit = calloc(units, sizeof *w->trap_of_unit);
    w->unit_since_us = calloc(units, sizeof *w->unit_since_us);
    w->switch_on_us = calloc(units, sizeof *w->switch_on_us);
    bool all = w->traps && w->others && w->unit_of_trap && w->attraction && w->per_hour &&
               w->inwards && w->asked && w->stations && w->trap_of_unit && w->unit_since_us &&
               w->switch_on_us;
    return all ? 0 : -ENOMEM;
}

void world_assign(struct world *w, size_t unit, size_t trap, int64_t at_us)
{
    if (w->trap_of_unit[unit] != WORLD_NOWHERE)
        ledger_assignment(w->ledger, unit, w->trap_of_unit[unit], w->unit_since_us[unit], at_us);
    w->trap_of_unit[unit] = trap;
    w->unit_since_us[unit] = at_us;
    if (trap != WORLD_NOWHERE)
        w->unit_of_trap[trap] = unit;
}

/* Traps were hung over the last three days, stations switched on in the first two hours. */
static void hang(struct world *w, size_t t)
{
    const struct world_settings *s = &w->settings;
    enum trap_law law =
        s->mixed_laws ? (enum trap_law)dice_below(&w->dice, TRAP_LAW_KINDS) : s->law;
    struct trap_settings trap = {.full_mark_mm = w->place->traps[t].full_mark_mm,
                                 .low_mark_mm = w->place->traps[t].low_mark_mm,
                                 .law = law,
                                 .seed = s->seed,
                                 .item = t};
    trap_hang(&w->traps[t], &trap, w->now_us - (int64_t)dice_between(&w->dice, 0.0, 3 * 86400e6));
    others_begin(&w->others[t], s->seed, t);
    w->unit_of_trap[t] = WORLD_NOWHERE;
}

static int make_stations(struct world *w)
{
    struct station_settings settings = {
        .seed = w->settings.seed, .interval_min = w->settings.interval_min, .power_dbm = 14};
    for (size_t u = 0; u < w->place->unit_count; u++) {
        w->trap_of_unit[u] = WORLD_NOWHERE;
        if (station_make(&w->stations[u], &w->place->units[u], u, &settings) != 0)
            return -EINVAL;
        ledger_unit(w->ledger, w->place, u, w->stations[u].keys.key_check);
        if (w->place->units[u].trap == WORLD_NOWHERE)
            continue;
        world_assign(w, u, w->place->units[u].trap, w->now_us);
        w->switch_on_us[u] = w->now_us + (int64_t)dice_between(&w->dice, 0.0, 2 * 3600e6);
    }
    return 0;
}

static int open_parts(struct world *w, char why[WEATHER_WHY_MAX])
{
    const struct world_settings *s = &w->settings;
    struct weather_settings weather = {.folder = s->weather_folder,
                                       .climate = s->climate,
                                       .seed = s->seed,
                                       .start_s = s->start_s,
                                       .days = s->days + 1,
                                       .latitude = w->place->latitude,
                                       .longitude = w->place->longitude};
    struct waves_settings waves = {.seed = s->seed,
                                   .loss = s->loss,
                                   .wet = s->wet,
                                   .repeats = s->repeats,
                                   .capture = s->capture};
    struct faults_settings faults = {
        .groups = s->fault_groups, .seed = s->seed, .start_s = s->start_s, .days = s->days};
    int result = weather_open(&w->weather, &weather, why);
    if (result == 0)
        result = wasps_open(&w->wasps, w->place, s->seed);
    if (result == 0)
        result = waves_open(&w->waves, w->place, &waves);
    if (result == 0)
        result = crew_begin(&w->crew, s->crew, s->seed, w->place->trap_count);
    if (result == 0)
        result = faults_plan(&w->faults, w->place, &faults);
    return result == 0 ? allocate(w) : result;
}

int world_open(struct world **world, struct place *place, const struct world_settings *settings,
               struct ledger *ledger, char why[WEATHER_WHY_MAX])
{
    struct world *w = calloc(1, sizeof *w);
    if (w == NULL)
        return -ENOMEM;
    *w = (struct world){.settings = *settings,
                        .place = place,
                        .ledger = ledger,
                        .now_us = settings->start_s * 1000000};
    w->hour_s = calendar_hour_s(settings->start_s);
    w->day_s = INT64_MIN;
    dice_seed(&w->dice, settings->seed, STREAM_WASPS, 0);
    why[0] = '\0';
    int result = open_parts(w, why);
    for (size_t t = 0; result == 0 && t < place->trap_count; t++)
        hang(w, t);
    if (result == 0)
        result = make_stations(w);
    for (size_t f = 0; result == 0 && f < w->faults.count; f++)
        ledger_fault(ledger, place, &w->faults.list[f]);
    if (result != 0)
        world_close(w);
    else
        *world = w;
    return result;
}

static void close_assignments(struct world *w)
{
    for (size_t u = 0; w->trap_of_unit != NULL && w->stations != NULL && u < w->place->unit_count;
         u++) {
        if (w->unit_since_us != NULL && w->unit_since_us[u] != 0)
            world_assign(w, u, WORLD_NOWHERE, w->now_us);
        station_free(&w->stations[u]);
    }
}

void world_close(struct world *world)
{
    if (world == NULL)
        return;
    close_assignments(world);
    weather_close(world->weather);
    wasps_close(world->wasps);
    waves_close(world->waves);
    crew_end(&world->crew);
    faults_free(&world->faults);
    free(world->traps);
    free(world->others);
    free(world->stations);
    free(world->unit_of_trap);
    free(world->trap_of_unit);
    free(world->unit_since_us);
    free(world->switch_on_us);
    free(world->attraction);
    free(world->per_hour);
    free(world->inwards);
    free(world->asked);
    free(world);
}

const struct faults *world_faults(const struct world *world)
{
    return &world->faults;
}

void world_counts(const struct world *world, uint64_t *sent, uint64_t *collided)
{
    waves_counts(world->waves, sent, collided);
}

void world_ask_visit(struct world *world, size_t trap)
{
    world->asked[trap] = true;
}
