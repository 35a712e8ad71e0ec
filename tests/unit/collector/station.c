#include "tests/unit/collector/station.h"

#include <stdlib.h>
#include <string.h>

enum { AIR_MS = 60 };

uint64_t chance_next(struct chance *chance)
{
    uint64_t z = (chance->state += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

uint32_t chance_below(struct chance *chance, uint32_t bound)
{
    return (uint32_t)((chance_next(chance) >> 32) * bound >> 32);
}

bool chance_of(struct chance *chance, double probability)
{
    return (double)(chance_next(chance) >> 11) * 0x1p-53 < probability;
}

/* The station's registers. */
struct registers {
    struct air_report report;
    uint32_t exits, shorts, blocked_2s;
    uint32_t fcnt;
    int64_t tick_ms;
};

static void daily_or_regular(struct air_report *r, const struct registers *now, bool daily)
{
    *r = now->report;
    r->kind = daily ? AIR_DAILY : AIR_REGULAR;
    uint32_t mask = daily ? UINT32_MAX : 0xFFFF;
    r->exits = now->exits & mask;
    r->short_passes = now->shorts & mask;
    r->blocked_2s = now->blocked_2s & (daily ? 0xFFFFFF : 0xFFFF);
    if (daily)
        r->recent_count = 0;
}

static void send(struct station_life *life, struct registers *now, bool daily, uint8_t age,
                 unsigned recent)
{
    struct sent *sent = &life->sent[life->sent_count++];
    *sent = (struct sent){.fcnt = now->fcnt++, .tick_ms = now->tick_ms};
    daily_or_regular(&sent->report, now, daily);
    sent->report.age_256 = age;
    if (sent->report.recent_count > recent)
        sent->report.recent_count = (uint8_t)recent;
    sent->sent_ms = now->tick_ms + age * now->report.interval_min * INT64_C(60000) / 256 + AIR_MS;
}

static uint32_t passes(const struct station_habits *habits, struct chance *chance)
{
    if (chance_of(chance, habits->swarms))
        return 240 + chance_below(chance, 2000);
    uint32_t n = 0;
    for (unsigned i = 0; i < 8; i++)
        n += chance_of(chance, habits->busy / 8) +
             chance_below(chance, (uint32_t)(habits->busy / 4) + 1);
    return n;
}

static void push_recent(struct air_report *r, uint8_t entries)
{
    memmove(r->recent + 1, r->recent, AIR_RECENT_MAX - 1);
    r->recent[0] = entries;
    if (r->recent_count < AIR_RECENT_MAX)
        r->recent_count++;
}

static void count_interval(const struct station_habits *habits, struct chance *chance,
                           struct registers *now, struct station_life *life, bool partial)
{
    struct air_report *r = &now->report;
    uint32_t entries = passes(habits, chance);
    int64_t begin_ms = now->tick_ms;
    now->tick_ms += r->interval_min * INT64_C(60000);
    r->tick = (uint8_t)((r->tick + 1) % AIR_TICK_MODULUS);
    r->entries += entries;
    now->exits += chance_below(chance, entries + 1);
    now->shorts += chance_below(chance, 5);
    now->blocked_2s += chance_below(chance, 4);
    push_recent(r, partial          ? AIR_RECENT_UNKNOWN
                   : entries >= 254 ? AIR_RECENT_SATURATED
                                    : (uint8_t)entries);
    life->truth[life->truth_count++] = (struct truth){begin_ms, now->tick_ms, entries, r->epoch};
}

static void happen(const struct station_habits *habits, struct chance *chance,
                   struct registers *now, bool *partial)
{
    *partial = false;
    if (chance_of(chance, habits->restarts)) {
        *partial = true;
        now->fcnt += chance_below(chance, 100);
        if (chance_of(chance, habits->losses)) {
            now->report.epoch++;
            now->report.entries = now->exits = now->shorts = now->blocked_2s = 0;
            now->report.recent_count = 0;
        }
    }
    if (chance_of(chance, habits->interval_changes)) {
        now->report.interval_min = (uint8_t)(1 + chance_below(chance, 60));
        now->report.recent_count = 0;
    }
}

void station_live(const struct station_habits *habits, struct chance *chance,
                  struct station_life *life)
{
    *life = (struct station_life){.truth = calloc(habits->intervals, sizeof *life->truth),
                                  .sent = calloc(4 * habits->intervals, sizeof *life->sent)};
    struct registers now = {.fcnt = habits->first_fcnt, .tick_ms = habits->begin_ms};
    now.report = (struct air_report){.epoch = 3,
                                     .level_qmm = AIR_LEVEL_UNKNOWN,
                                     .temperature_dc = AIR_TEMPERATURE_UNKNOWN,
                                     .humidity_pm = AIR_HUMIDITY_UNKNOWN,
                                     .battery_mv = AIR_BATTERY_UNKNOWN,
                                     .full_mark_mm = AIR_MARK_UNKNOWN,
                                     .low_mark_mm = AIR_MARK_UNKNOWN,
                                     .entries = habits->first_entries,
                                     .interval_min = habits->interval_min,
                                     .tick = (uint8_t)chance_below(chance, AIR_TICK_MODULUS)};
    now.exits = chance_below(chance, 70000);
    for (unsigned i = 0; i < habits->intervals; i++) {
        bool partial;
        happen(habits, chance, &now, &partial);
        count_interval(habits, chance, &now, life, partial);
        unsigned recent = habits->fewer_recent ? chance_below(chance, 8) : AIR_RECENT_MAX;
        send(life, &now, chance_of(chance, habits->dailies), (uint8_t)chance_below(chance, 32),
             recent);
        if (chance_of(chance, habits->events))
            send(life, &now, chance_of(chance, 0.3), (uint8_t)(32 + chance_below(chance, 200)),
                 recent);
    }
}

void station_life_free(struct station_life *life)
{
    free(life->truth);
    free(life->sent);
}
