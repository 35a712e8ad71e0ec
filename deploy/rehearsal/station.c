#include "deploy/rehearsal/station.h"

#include <math.h>
#include <string.h>

#include "deploy/rehearsal/streams.h"

#define DAY_US INT64_C(86400000000)

enum { MINUTE_US = 60000000, DELAY_MAX_US = 120000000, CONFIRMED_TRIES = 3, RESTART_FLAGS = 24 };
enum { FLAT_MV = 2000, FADING_MV_PER_DAY = 250 };

int station_make(struct station *station, const struct place_unit *unit, size_t index,
                 const struct station_settings *settings)
{
    *station = (struct station){.unit = index,
                                .devaddr = unit->devaddr,
                                .interval_min = settings->interval_min,
                                .power_dbm = settings->power_dbm};
    dice_seed(&station->dice, settings->seed, STREAM_STATION, index);
    station->drift = dice_between(&station->dice, -40e-6, 40e-6);
    station->battery_mv = dice_between(&station->dice, 2900.0, 3100.0);
    station->battery_mv_per_day = dice_between(&station->dice, 0.5, 3.0);
    /* Most come new; some have counted on the bench, some are about to wrap. */
    double past = dice_unit(&station->dice);
    if (past < 0.1)
        station->counts.entries = UINT32_MAX - dice_below(&station->dice, 60);
    else if (past < 0.4)
        station->counts.entries = dice_below(&station->dice, 500);
    if (past > 0.9)
        station->fcnt = 0xFFFF - dice_below(&station->dice, 400);
    station->fcnt_ceiling = station->fcnt;
    return air_keys_init(&station->keys, unit->nwk_skey, unit->app_skey);
}

void station_free(struct station *station)
{
    air_keys_free(&station->keys);
}

double station_battery_mv(const struct station *station, int64_t at_us)
{
    double days = (double)(at_us - station->battery_us) / 86400e6;
    return station->battery_mv - days * station->battery_mv_per_day;
}

static void set_cells(struct station *station, int64_t at_us, double mv, double mv_per_day)
{
    station->battery_mv = mv;
    station->battery_mv_per_day = mv_per_day;
    station->battery_us = at_us;
}

void station_fade(struct station *station, int64_t at_us)
{
    set_cells(station, at_us, station_battery_mv(station, at_us), FADING_MV_PER_DAY);
}

void station_change_cells(struct station *station, int64_t at_us)
{
    set_cells(station, at_us, 3100.0, 2.0);
    station->flat = false;
}

static uint8_t recent_code(const struct station *station)
{
    if (!station->interval_whole || station->counter_fault)
        return AIR_RECENT_UNKNOWN;
    uint32_t entries = station->interval_entries;
    return entries >= AIR_RECENT_SATURATED ? AIR_RECENT_SATURATED : (uint8_t)entries;
}

static void remember_interval(struct station *station, int64_t at_us)
{
    memmove(station->recent + 1, station->recent, sizeof station->recent - 1);
    station->recent[0] = recent_code(station);
    if (station->recent_count < AIR_RECENT_MAX)
        station->recent_count++;
    station->snapshot = station->counts;
    station->snapshot_us = at_us;
}

/* The end of an interval: the ledger hears of it, the next one begins. */
static void tick(struct station *station, int64_t at_us, const struct station_sink *sink)
{
    struct station_interval interval = {.number = station->interval_number++,
                                        .from_us = station->interval_from_us,
                                        .to_us = at_us,
                                        .epoch = station->epoch,
                                        .whole = station->interval_whole,
                                        .entries = station->interval_entries,
                                        .total = station->counts};
    sink->interval(sink->user, station->unit, &interval);
    remember_interval(station, at_us);
    station->interval_from_us = at_us;
    station->next_tick_us = at_us + station->interval_us;
    station->interval_whole = true;
    station->interval_entries = 0;
}

static void plan(struct station *station, int64_t at_us, uint8_t flags, bool confirmed)
{
    struct station_sending sending = {.at_us = at_us,
                                      .flags = flags,
                                      .confirmed = confirmed,
                                      .tries_left = confirmed ? CONFIRMED_TRIES - 1 : 0};
    sending_queue(station, &sending);
}

/* Uniform up to an eighth of the interval, 120 s at most; after switching on up to a whole one. */
static void plan_report(struct station *station)
{
    int64_t eighth = station->interval_us / 8;
    double most = (double)(eighth < DELAY_MAX_US ? eighth : DELAY_MAX_US);
    plan(station, station->snapshot_us + (int64_t)(dice_unit(&station->dice) * most), 0, false);
}

static void plan_daily(struct station *station, int64_t from_us)
{
    station->daily_us = from_us + (int64_t)(dice_unit(&station->dice) * (double)DAY_US);
    if (station->daily_us < station->snapshot_us)
        station->daily_us = station->snapshot_us;
    struct station_sending sending = {.at_us = station->daily_us,
                                      .daily = true,
                                      .confirmed = true,
                                      .tries_left = CONFIRMED_TRIES - 1};
    sending_queue(station, &sending);
}

/* Switching on counts as a tick: what was counted before the cut, in an interval that did not end,
 * belongs to the one that ends now, which is unknown. */
void station_power(struct station *station, int64_t at_us, const struct station_sink *sink)
{
    int64_t nominal = (int64_t)station->interval_min * MINUTE_US;
    station->interval_us = nominal + llround((double)nominal * station->drift);
    station->powered = true;
    station->powered_us = at_us;
    station->restarts++;
    station->restart_flags_left = RESTART_FLAGS;
    station->recent_count = 0;
    station->interval_whole = false;
    station->queue_count = 0;
    station->was_tilted = false;
    station->event_us = 0;
    station->fcnt = station->fcnt_ceiling;
    if (station->interval_from_us == 0) {
        station->interval_from_us = at_us;
        station->battery_us = at_us;
    }
    tick(station, at_us, sink);
    plan(station, at_us + (int64_t)(dice_unit(&station->dice) * (double)station->interval_us), 0,
         true);
    plan_daily(station, at_us);
}

void station_cut(struct station *station)
{
    station->powered = false;
    station->queue_count = 0;
}

void station_lose_counters(struct station *station, int64_t at_us, const struct station_sink *sink)
{
    station->epoch++;
    station->counts = (struct station_counts){0};
    station->interval_from_us = at_us;
    station->interval_entries = 0;
    station_cut(station);
    station_power(station, at_us, sink);
}

/* Button and tilt: at once, 0 to 3 s, at least 60 s apart. */
static void report_event(struct station *station, int64_t at_us, uint8_t flags)
{
    int64_t when = at_us + (int64_t)dice_between(&station->dice, 0.0, 3e6);
    if (when < station->event_us + MINUTE_US)
        when = station->event_us + MINUTE_US;
    station->event_us = when;
    plan(station, when, flags, true);
}

void station_press(struct station *station, int64_t at_us)
{
    if (!station->powered)
        return;
    station->service_sequence = (station->service_sequence + 1) & 15;
    report_event(station, at_us, AIR_FLAG_SERVICE);
}

static void note_tilt(struct station *station, bool tilted, int64_t at_us)
{
    if (station->powered && tilted != station->was_tilted) {
        station->was_tilted = tilted;
        report_event(station, at_us, 0);
    }
}

static void plan_next_daily(struct station *station)
{
    if (station->snapshot_us > station->daily_us)
        plan_daily(station, station->daily_us / DAY_US * DAY_US + DAY_US);
}

/* Ticks and sendings in the order of time. */
static int advance(struct station *station, const struct station_senses *senses, int64_t until_us,
                   const struct station_sink *sink)
{
    int result = 0;
    while (station->powered && station->next_tick_us <= until_us && result == 0) {
        result = sending_due(station, senses, station->next_tick_us - 1, sink);
        tick(station, station->next_tick_us, sink);
        plan_report(station);
        plan_next_daily(station);
        if (station_battery_mv(station, station->snapshot_us) < FLAT_MV) {
            station_cut(station);
            station->flat = true;
        }
    }
    return result != 0 ? result : sending_due(station, senses, until_us, sink);
}

static void count(struct station *station, enum pass_kind kind)
{
    if (kind == PASS_ENTRY) {
        station->counts.entries++;
        station->interval_entries++;
    } else if (kind == PASS_EXIT) {
        station->counts.exits++;
    } else {
        station->counts.shorts++;
    }
}

static bool counting(const struct station *station, int64_t at_us)
{
    return station->powered && at_us >= station->powered_us && !station->counter_stuck;
}

int station_slice(struct station *station, const struct station_senses *senses,
                  const struct passes *passes, const struct station_sink *sink)
{
    int result = 0;
    note_tilt(station, senses->tilted, passes->from_us);
    for (size_t i = 0; i < passes->count && result == 0; i++) {
        result = advance(station, senses, passes->items[i].at_us - 1, sink);
        if (counting(station, passes->items[i].at_us))
            count(station, passes->items[i].kind);
    }
    if (counting(station, passes->from_us))
        station->counts.blocked_us += (uint64_t)passes->blocked_us;
    return result != 0 ? result
                       : advance(station, senses, passes->from_us + passes->length_us - 1, sink);
}
