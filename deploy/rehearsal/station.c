#include "deploy/rehearsal/station.h"

#include <math.h>
#include <string.h>

#include "deploy/rehearsal/streams.h"

enum { MINUTE_US = 60000000, DELAY_MAX_US = 120000000, TILT_PAUSE_US = 60000000, EVENT_TRIES = 3 };

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

static void begin_interval(struct station *station, int64_t from_us, int64_t tick_us, bool whole)
{
    station->interval_from_us = from_us;
    station->next_tick_us = tick_us;
    station->interval_whole = whole;
    station->interval_entries = 0;
}

/* The first tick comes after up to a whole interval, so that stations switched on together do not
 * keep step. What was counted before a power cut in an interval that did not end belongs to the one
 * that ends now. */
void station_power(struct station *station, int64_t at_us)
{
    int64_t nominal = (int64_t)station->interval_min * MINUTE_US;
    station->interval_us = nominal + llround((double)nominal * station->drift);
    station->powered = true;
    station->restarts++;
    station->restart_flags_left = 3;
    station->recent_count = 0;
    station->has_snapshot = false;
    station->battery_us = at_us;
    station->ticks_to_daily = dice_below(&station->dice, 24 * 60 / station->interval_min);
    station->fcnt = station->fcnt_ceiling;
    int64_t wait = (int64_t)(dice_unit(&station->dice) * (double)station->interval_us);
    uint32_t before = station->interval_from_us != 0 ? station->interval_entries : 0;
    int64_t from_us = station->interval_from_us != 0 ? station->interval_from_us : at_us;
    begin_interval(station, from_us, at_us + wait + 1, false);
    station->interval_entries = before;
}

void station_cut(struct station *station)
{
    station->powered = false;
    station->queue_count = 0;
}

void station_lose_counters(struct station *station, int64_t at_us)
{
    station->epoch++;
    station->counts = (struct station_counts){0};
    station->interval_from_us = 0;
    station_cut(station);
    station_power(station, at_us);
}

void station_press(struct station *station, int64_t at_us)
{
    if (!station->powered)
        return;
    station->service_sequence = (station->service_sequence + 1) & 15;
    struct station_sending sending = {.at_us =
                                          at_us + (int64_t)dice_between(&station->dice, 0.0, 3e6),
                                      .flags = AIR_FLAG_SERVICE,
                                      .confirmed = true,
                                      .tries_left = EVENT_TRIES - 1};
    sending_queue(station, &sending);
}

static void note_tilt(struct station *station, bool tilted, int64_t at_us)
{
    bool news = tilted && !station->was_tilted && at_us - station->tilt_sent_us >= TILT_PAUSE_US;
    station->was_tilted = tilted;
    if (!news || !station->powered)
        return;
    station->tilt_sent_us = at_us;
    struct station_sending sending = {.at_us =
                                          at_us + (int64_t)dice_between(&station->dice, 0.0, 3e6),
                                      .confirmed = true,
                                      .tries_left = EVENT_TRIES - 1};
    sending_queue(station, &sending);
}

static uint8_t recent_code(const struct station *station)
{
    if (!station->interval_whole)
        return AIR_RECENT_UNKNOWN;
    uint32_t entries = station->interval_entries;
    return entries >= AIR_RECENT_SATURATED ? AIR_RECENT_SATURATED : (uint8_t)entries;
}

static void remember_interval(struct station *station)
{
    memmove(station->recent + 1, station->recent, sizeof station->recent - 1);
    station->recent[0] = recent_code(station);
    if (station->recent_count < AIR_RECENT_MAX)
        station->recent_count++;
    station->snapshot = station->counts;
    station->snapshot_us = station->next_tick_us;
    station->has_snapshot = true;
}

static void plan_report(struct station *station)
{
    int64_t most =
        station->interval_us / 8 < DELAY_MAX_US ? station->interval_us / 8 : DELAY_MAX_US;
    bool daily = station->ticks_to_daily == 0;
    station->ticks_to_daily =
        daily ? 24 * 60 / station->interval_min - 1 : station->ticks_to_daily - 1;
    struct station_sending sending = {.at_us = station->next_tick_us +
                                               (int64_t)(dice_unit(&station->dice) * (double)most),
                                      .daily = daily,
                                      .confirmed = daily,
                                      .tries_left = daily ? EVENT_TRIES - 1 : 0};
    sending_queue(station, &sending);
}

static void tick(struct station *station, const struct station_sink *sink)
{
    struct station_interval interval = {.number = station->interval_number++,
                                        .from_us = station->interval_from_us,
                                        .to_us = station->next_tick_us,
                                        .epoch = station->epoch,
                                        .whole = station->interval_whole,
                                        .entries = station->interval_entries,
                                        .total = station->counts};
    sink->interval(sink->user, station->unit, &interval);
    remember_interval(station);
    plan_report(station);
    begin_interval(station, station->next_tick_us, station->next_tick_us + station->interval_us,
                   true);
}

/* Ticks and sendings in the order of time. */
static int advance(struct station *station, const struct station_senses *senses, int64_t until_us,
                   const struct station_sink *sink)
{
    int result = 0;
    while (station->powered && station->next_tick_us <= until_us && result == 0) {
        result = sending_due(station, senses, station->next_tick_us - 1, sink);
        tick(station, sink);
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

int station_slice(struct station *station, const struct station_senses *senses,
                  const struct passes *passes, const struct station_sink *sink)
{
    int result = 0;
    note_tilt(station, senses->tilted, passes->from_us);
    for (size_t i = 0; i < passes->count && result == 0; i++) {
        result = advance(station, senses, passes->items[i].at_us - 1, sink);
        if (station->powered && !station->counter_stuck)
            count(station, passes->items[i].kind);
    }
    if (station->powered && !station->counter_stuck)
        station->counts.blocked_us += (uint64_t)passes->blocked_us;
    return result != 0 ? result
                       : advance(station, senses, passes->from_us + passes->length_us - 1, sink);
}
