/* Five minutes of the vineyard. */
#include <math.h>
#include <string.h>

#include "deploy/rehearsal/calendar.h"
#include "deploy/rehearsal/world_parts.h"

enum { SLICE_US = WORLD_SLICE_S * 1000000, REPLACE_INSECTS = 40, WEAK_MV = 2400 };

static const double replace_age_days = 5.5;

/* ---- what stations do ---- */

static void on_interval(void *user, size_t unit, const struct station_interval *interval)
{
    struct world *w = user;
    ledger_interval(w->ledger, unit, interval);
}

static int on_frame(void *user, size_t unit, const struct station_frame *frame)
{
    struct world *w = user;
    uint64_t number = ledger_frame(w->ledger, unit, frame);
    size_t trap = w->trap_of_unit[unit];
    if (trap == WORLD_NOWHERE)
        return 0;
    struct waves_origin origin = {.unit = unit, .report = number};
    return waves_send(w->waves, origin, w->place->traps[trap].at, w->stations[unit].power_dbm,
                      frame->from_us, frame->bytes, frame->len);
}

struct station_sink world_sink(struct world *w)
{
    return (struct station_sink){.user = w, .interval = on_interval, .frame = on_frame};
}

static void switch_on(struct world *w, size_t unit, int64_t from_us)
{
    struct station_sink sink = world_sink(w);
    station_power(&w->stations[unit], from_us + (int64_t)(dice_unit(&w->dice) * SLICE_US), &sink);
}

static void switch_on_due(struct world *w, int64_t from_us)
{
    for (size_t u = 0; u < w->place->unit_count; u++) {
        if (w->switch_on_us[u] != 0 && w->switch_on_us[u] <= from_us) {
            w->switch_on_us[u] = 0;
            switch_on(w, u, from_us);
        }
    }
}

/* ---- what goes wrong ---- */

static void swap_units(struct world *w, size_t a, size_t b, int64_t at_us)
{
    size_t trap_a = w->trap_of_unit[a], trap_b = w->trap_of_unit[b];
    if (trap_a == WORLD_NOWHERE || trap_b == WORLD_NOWHERE)
        return;
    world_assign(w, a, trap_b, at_us);
    world_assign(w, b, trap_a, at_us);
}

static void renew_unit(struct world *w, size_t old, size_t spare, int64_t at_us)
{
    size_t trap = w->trap_of_unit[old];
    if (trap == WORLD_NOWHERE)
        return;
    station_cut(&w->stations[old]);
    world_assign(w, old, WORLD_NOWHERE, at_us);
    world_assign(w, spare, trap, at_us);
    switch_on(w, spare, at_us);
}

static void move_trap(struct world *w, size_t trap)
{
    w->place->traps[trap].at = place_moved(w->place, trap);
    wasps_moved(w->wasps, trap, w->place->traps[trap].at);
}

static void stick_level(struct world *w, struct station *station, bool stuck, int64_t at_us)
{
    size_t trap = w->trap_of_unit[station->unit];
    station->level_stuck = stuck && trap != WORLD_NOWHERE;
    if (station->level_stuck)
        station->stuck_level_mm = trap_sensed_mm(&w->traps[trap], at_us);
}

static void restart(struct world *w, size_t unit, int64_t at_us)
{
    if (!w->stations[unit].powered)
        return;
    station_cut(&w->stations[unit]);
    switch_on(w, unit, at_us);
}

static void lose_counters(struct world *w, size_t unit, int64_t at_us)
{
    struct station_sink sink = world_sink(w);
    if (w->stations[unit].powered)
        station_lose_counters(&w->stations[unit], at_us + (int64_t)(dice_unit(&w->dice) * SLICE_US),
                              &sink);
}

/* What lasts: begins and ends alike. */
static void lasting_fault(struct world *w, const struct fault *fault, bool begins, int64_t at_us)
{
    struct station *station = &w->stations[fault->item];
    if (fault->kind == FAULT_MUTE)
        station->mute = begins;
    else if (fault->kind == FAULT_COUNTER_STUCK)
        station->counter_stuck = begins;
    else if (fault->kind == FAULT_LEVEL_STUCK)
        stick_level(w, station, begins, at_us);
    else if (fault->kind == FAULT_LEVEL_SENSOR)
        station->level_fault = begins;
    else if (fault->kind == FAULT_GATEWAY_POWER || fault->kind == FAULT_RADIO_DEAF)
        waves_deafen(w->waves, fault->item, begins);
}

static void sudden_fault(struct world *w, const struct fault *fault, int64_t at_us)
{
    if (fault->kind == FAULT_DEAD)
        station_cut(&w->stations[fault->item]);
    else if (fault->kind == FAULT_BATTERY)
        station_fade(&w->stations[fault->item], at_us);
    else if (fault->kind == FAULT_RESTART)
        restart(w, fault->item, at_us);
    else if (fault->kind == FAULT_TILT)
        w->traps[fault->item].tilted = true;
    else if (fault->kind == FAULT_COUNTER_LOST)
        lose_counters(w, fault->item, at_us);
    else if (fault->kind == FAULT_SWAP)
        swap_units(w, fault->item, fault->other, at_us);
    else if (fault->kind == FAULT_RENEW)
        renew_unit(w, fault->item, fault->other, at_us);
    else if (fault->kind == FAULT_MOVE)
        move_trap(w, fault->item);
}

static void do_faults(struct world *w, int64_t from_us)
{
    for (size_t i = 0; i < w->next_fault; i++) {
        if (w->faults.list[i].until_us == from_us)
            lasting_fault(w, &w->faults.list[i], false, from_us);
    }
    while (w->next_fault < w->faults.count && w->faults.list[w->next_fault].from_us <= from_us) {
        const struct fault *fault = &w->faults.list[w->next_fault++];
        sudden_fault(w, fault, from_us);
        lasting_fault(w, fault, true, from_us);
    }
}

/* ---- visits ---- */

/* Somebody counts into a bowl: a tenth off, now and then an insect taken for another. */
static void count_by_hand(struct world *w, struct ledger_visit *visit)
{
    visit->counted = dice_chance(&w->crew.dice, 0.3);
    for (int kind = 0; visit->counted && kind < INSECT_KINDS; kind++) {
        double error = 1.0 + 0.1 * dice_normal(&w->crew.dice);
        visit->counted_kinds[kind] = (unsigned)lround(fmax(0.0, visit->dead[kind] * error));
    }
    if (visit->counted && visit->counted_kinds[INSECT_WASP] > 4 &&
        dice_chance(&w->crew.dice, 0.3)) {
        visit->counted_kinds[INSECT_WASP]--;
        visit->counted_kinds[INSECT_YELLOW]++;
    }
}

/* Whoever is there changes cells that are weak. */
static void look_at_cells(struct world *w, size_t unit, int64_t at_us)
{
    struct station *station = &w->stations[unit];
    bool flat = station->flat;
    if (station_battery_mv(station, at_us) > WEAK_MV)
        return;
    station_change_cells(station, at_us);
    struct station_sink sink = world_sink(w);
    if (flat)
        station_power(station, at_us, &sink);
}

static void serve(struct world *w, const struct crew_visit *planned)
{
    struct trap *trap = &w->traps[planned->trap];
    struct ledger_visit visit = {.at_us = planned->at_us,
                                 .trap = planned->trap,
                                 .unit = w->unit_of_trap[planned->trap],
                                 .pressed = planned->pressed,
                                 .level_before_mm = trap_level_mm(trap)};
    memcpy(visit.dead, trap->dead, sizeof visit.dead);
    visit.replaced = trap_age_days(trap, planned->at_us) >= replace_age_days ||
                     trap->dead_count >= REPLACE_INSECTS ||
                     visit.level_before_mm > trap->full_mark_mm + 3.0;
    if (visit.replaced) {
        count_by_hand(w, &visit);
        trap_replace(trap, planned->at_us);
    } else {
        trap_top_up(trap);
    }
    others_cleaned(&w->others[planned->trap]);
    visit.level_after_mm = trap_level_mm(trap);
    if (visit.unit != WORLD_NOWHERE)
        look_at_cells(w, visit.unit, planned->at_us);
    if (planned->pressed && visit.unit != WORLD_NOWHERE)
        station_press(&w->stations[visit.unit], planned->at_us);
    w->asked[planned->trap] = false;
    ledger_visit(w->ledger, &visit);
}

static void do_visits(struct world *w, int64_t from_us)
{
    int64_t day_s = calendar_day_s(from_us / 1000000);
    if (day_s != w->day_s) {
        w->day_s = day_s;
        crew_plan(&w->crew, w->place, day_s, w->day_number++, w->asked);
    }
    const struct crew_visit *visit;
    while ((visit = crew_next(&w->crew, from_us + SLICE_US - 1)) != NULL)
        serve(w, visit);
}

/* ---- what crosses the beam ---- */

static void arrive(struct world *w, size_t t, double per_hour)
{
    struct trap *trap = &w->traps[t];
    unsigned count = dice_poisson(&w->dice, per_hour * WORLD_SLICE_S / 3600.0);
    for (unsigned i = 0; i < count; i++) {
        passes_add(&w->passes, &w->dice, PASS_ENTRY, INSECT_WASP);
        if (dice_chance(&w->dice, 0.12))
            passes_add(&w->passes, &w->dice, PASS_EXIT, INSECT_WASP);
        else
            trap->inside[INSECT_WASP]++;
    }
}

static void note_inwards(struct world *w, size_t t)
{
    for (size_t i = 0; i < w->passes.count; i++) {
        if (w->passes.items[i].kind != PASS_EXIT)
            w->inwards[t][w->passes.items[i].insect]++;
    }
}

static int one_trap(struct world *w, size_t t, const struct weather_hour *hour, double flight,
                    int64_t from_us)
{
    struct trap *trap = &w->traps[t];
    passes_begin(&w->passes, from_us, SLICE_US);
    arrive(w, t, w->per_hour[t]);
    others_slice(&w->others[t], trap, hour, flight, &w->passes);
    trap_inside(trap, &w->passes, from_us);
    trap_weather(trap, hour, WORLD_SLICE_S);
    note_inwards(w, t);
    passes_hide(&w->passes);
    passes_sort(&w->passes);
    if (w->unit_of_trap[t] == WORLD_NOWHERE)
        return 0;
    struct station_senses senses = {.level_mm = trap_sensed_mm(trap, from_us),
                                    .temperature_c = hour->temperature_c,
                                    .humidity = hour->humidity,
                                    .tilted = trap->tilted};
    struct station_sink sink = world_sink(w);
    return station_slice(&w->stations[w->unit_of_trap[t]], &senses, &w->passes, &sink);
}

/* ---- the hour's truth ---- */

static void write_hour(struct world *w, int64_t at_us)
{
    for (size_t t = 0; t < w->place->trap_count; t++) {
        const struct trap *trap = &w->traps[t];
        struct ledger_level level = {.at_s = at_us / 1000000,
                                     .trap = t,
                                     .level_mm = trap_level_mm(trap),
                                     .age_days = trap_age_days(trap, at_us),
                                     .dead = trap->dead_count,
                                     .guarding = trap_guarding(trap, at_us)};
        ledger_level(w->ledger, &level);
        ledger_insects(w->ledger, t, w->hour_s, w->inwards[t]);
        memset(w->inwards[t], 0, sizeof w->inwards[t]);
    }
    w->hour_s = calendar_hour_s(at_us / 1000000);
}

static int slice(struct world *w, waves_heard heard, void *user)
{
    int64_t from_us = w->now_us;
    if (calendar_hour_s(from_us / 1000000) != w->hour_s)
        write_hour(w, from_us);
    const struct weather_hour *hour = weather_at(w->weather, from_us / 1000000);
    switch_on_due(w, from_us);
    do_faults(w, from_us);
    do_visits(w, from_us);
    waves_weather(w->waves, hour, from_us, SLICE_US);
    for (size_t t = 0; t < w->place->trap_count; t++)
        w->attraction[t] = trap_attraction(&w->traps[t], from_us);
    wasps_rates(w->wasps, hour, from_us / 1000000, w->attraction, w->per_hour);
    double flight = wasps_flight(hour);
    int result = 0;
    for (size_t t = 0; t < w->place->trap_count && result == 0; t++)
        result = one_trap(w, t, hour, flight, from_us);
    w->now_us = from_us + SLICE_US;
    return result != 0 ? result : waves_settle(w->waves, w->now_us, heard, user);
}

int world_advance(struct world *world, int64_t until_us, waves_heard heard, void *user)
{
    int result = 0;
    while (result == 0 && world->now_us < until_us)
        result = slice(world, heard, user);
    return result != 0 ? result : ledger_error(world->ledger);
}
