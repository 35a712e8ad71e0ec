#include "tests/simulation/station.h"

#include <stdlib.h>
#include <string.h>

#include "protocol/air/frame.h"
#include "tests/simulation/world.h"

enum { AIR_US = 60000, TRIES = 3 };

void station_secret(unsigned index, uint8_t nwk[16], uint8_t app[16])
{
    struct chance chance = chance_stream(4711, index);
    for (int i = 0; i < 16; i++) {
        nwk[i] = (uint8_t)chance_next(&chance);
        app[i] = (uint8_t)chance_next(&chance);
    }
}

static void fill(const struct station *s, struct air_report *r, bool daily, uint8_t age)
{
    *r = (struct air_report){.kind = daily ? AIR_DAILY : AIR_REGULAR,
                             .epoch = s->epoch,
                             .entries = (uint32_t)s->entries,
                             .exits = (uint32_t)s->exits & (daily ? UINT32_MAX : 0xFFFF),
                             .short_passes = (uint32_t)s->shorts & (daily ? UINT32_MAX : 0xFFFF),
                             .blocked_2s = (uint32_t)s->blocked_2s & (daily ? 0xFFFFFF : 0xFFFF),
                             .level_qmm = (uint16_t)(s->level_mm * 4),
                             .tick = s->tick,
                             .age_256 = age,
                             .interval_min = (uint8_t)s->interval_min,
                             .temperature_dc = daily ? AIR_TEMPERATURE_UNKNOWN : 220,
                             .humidity_pm = daily ? AIR_HUMIDITY_UNKNOWN : 550,
                             .battery_mv = daily ? AIR_BATTERY_UNKNOWN : 3000,
                             .full_mark_mm = daily ? 90 : AIR_MARK_UNKNOWN,
                             .low_mark_mm = daily ? 60 : AIR_MARK_UNKNOWN};
    if (daily)
        return;
    r->recent_count = s->recent_count;
    memcpy(r->recent, s->recent, sizeof r->recent);
}

static struct sent *add_sent(struct station *s)
{
    if (s->sent_count == s->sent_capacity) {
        s->sent_capacity = 2 * s->sent_capacity + 256;
        s->sent = realloc(s->sent, s->sent_capacity * sizeof *s->sent);
    }
    return &s->sent[s->sent_count++];
}

/* One frame, now: a snapshot at the last tick. */
static void transmit(struct world *world, struct station *s, bool confirmed)
{
    struct air_report report;
    size_t len;
    int64_t age = (world->now_us - AIR_US - s->tick_us) * 256 / (s->interval_min * MINUTE_US);
    bool daily = world->now_us >= s->daily_us;
    if (daily)
        s->daily_us += DAY_US;
    fill(s, &report, daily, (uint8_t)(age > 255 ? 255 : age < 0 ? 0 : age));
    struct sent *sent = add_sent(s);
    *sent = (struct sent){.fcnt = s->fcnt++,
                          .epoch = s->epoch,
                          .confirmed = confirmed,
                          .tick_us = s->tick_us,
                          .at_us = world->now_us,
                          .entries = s->entries};
    if (air_report_encode(&report, sent->payload, &len) != 0)
        abort();
    sent->payload_len = (uint8_t)len;
    struct air_frame frame = {.type = confirmed ? AIR_CONFIRMED_UPLINK : AIR_UPLINK,
                              .devaddr = s->devaddr,
                              .fport = AIR_PORT_REPORT,
                              .payload_len = sent->payload_len};
    memcpy(frame.payload, sent->payload, len);
    if (air_frame_build(&frame, &s->keys, sent->fcnt, sent->bytes, sizeof sent->bytes, &len) != 0)
        abort();
    sent->len = (uint8_t)len;
    world->frames_sent++;
    barns_hear(world, s->index, s->sent_count - 1);
}

static void send(struct world *world, const struct event *event)
{
    struct station *s = &world->stations[event->who];
    if (s->ended || world->now_us < s->off_until_us)
        return;
    transmit(world, s, event->tag != 0);
    /* Nobody acknowledges: the same again under a new number. */
    if (event->tag > 1)
        world_at(world, world->now_us + chance_between(&s->chance, 5, 20) * SECOND_US, send,
                 s->index, event->tag - 1, NULL);
}

static void push_recent(struct station *s, uint8_t entries)
{
    memmove(s->recent + 1, s->recent, AIR_RECENT_MAX - 1);
    s->recent[0] = entries;
    if (s->recent_count < AIR_RECENT_MAX)
        s->recent_count++;
}

static void count(struct station *s)
{
    uint32_t entries = 0;
    for (int i = 0; i < 4; i++)
        entries += chance_of(&s->chance, s->busy / 4);
    if (chance_of(&s->chance, 0.005)) /* a nest's worth at once */
        entries = 240 + chance_below(&s->chance, 2000);
    s->entries += entries;
    s->exits += chance_below(&s->chance, entries + 1);
    s->shorts += chance_below(&s->chance, 5);
    s->blocked_2s += chance_below(&s->chance, 4);
    s->level_mm -= s->level_loss_mm;
    if (s->level_mm < 40)
        s->level_mm = 40;
    push_recent(s, s->partial       ? AIR_RECENT_UNKNOWN
                   : entries >= 254 ? AIR_RECENT_SATURATED
                                    : (uint8_t)entries);
    s->partial = false;
}

/* Switched off and on again: the interval is not whole, numbers were reserved ahead, and perhaps the counters
 * are gone. */
static void stumble(struct world *world, struct station *s)
{
    world_count(world, FAULT_STATION);
    s->partial = true;
    s->fcnt += 1 + chance_below(&s->chance, 100);
    if (chance_of(&s->chance, 0.3)) {
        s->epoch++;
        s->entries = s->exits = s->shorts = s->blocked_2s = 0;
        s->recent_count = 0;
    }
    if (chance_of(&s->chance, 0.3))
        s->off_until_us = world->now_us + chance_between(&s->chance, 0, 6 * 3600) * SECOND_US;
}

static void tick(struct world *world, const struct event *event)
{
    struct station *s = &world->stations[event->who];
    if (s->ended)
        return;
    world_at(world, world->now_us + s->period_us, tick, s->index, 0, NULL);
    if (world->now_us < s->off_until_us) {
        s->partial = true;
        return;
    }
    s->tick_us = world->now_us;
    s->tick = (uint8_t)((s->tick + 1) % AIR_TICK_MODULUS);
    count(s);
    int64_t eighth = s->period_us / 8 < 120 * SECOND_US ? s->period_us / 8 : 120 * SECOND_US;
    bool wanted = chance_of(&s->chance, 0.04);
    world_at(world, world->now_us + AIR_US + chance_between(&s->chance, 0, eighth), send, s->index,
             wanted ? TRIES : 0, NULL);
    if (world_is_rough(world, FAULT_STATION) && chance_of(&s->chance, 0.004))
        stumble(world, s);
}

void station_open(struct world *world, struct station *s, unsigned index)
{
    uint8_t nwk[16], app[16];
    *s = (struct station){.index = index,
                          .devaddr = WORLD_FIRST_UNIT + index,
                          .chance = chance_stream(world->plan.seed, 100 + index),
                          .interval_min = world->plan.interval_min,
                          .level_mm = 90};
    station_secret(index, nwk, app);
    if (air_keys_init(&s->keys, nwk, app) != 0)
        abort();
    s->fcnt = 0xFFFF - chance_below(&s->chance, 300);
    s->entries = chance_of(&s->chance, 0.6) ? UINT32_MAX - chance_below(&s->chance, 200)
                                            : chance_below(&s->chance, 5000);
    s->exits = chance_below(&s->chance, 70000);
    s->epoch = (uint8_t)chance_below(&s->chance, 256);
    s->tick = (uint8_t)chance_below(&s->chance, AIR_TICK_MODULUS);
    s->busy = 0.2 + chance_below(&s->chance, 30) * 0.1;
    s->level_loss_mm = (1 + chance_below(&s->chance, 12)) * s->interval_min / 1440.0;
    int64_t ppm = chance_between(&s->chance, -40, 40);
    s->period_us = s->interval_min * MINUTE_US + s->interval_min * 60 * ppm;
    s->daily_us = BEGIN_US + chance_between(&s->chance, 0, 86400) * SECOND_US;
    world_at(world, BEGIN_US + chance_between(&s->chance, 1, s->interval_min * 60) * SECOND_US,
             tick, index, 0, NULL);
}

void station_close(struct station *s)
{
    air_keys_free(&s->keys);
    free(s->sent);
    s->sent = NULL;
}

struct sent *station_sent(struct station *s, uint32_t fcnt)
{
    size_t low = 0, high = s->sent_count;
    while (low < high) {
        size_t middle = (low + high) / 2;
        if (s->sent[middle].fcnt < fcnt)
            low = middle + 1;
        else
            high = middle;
    }
    return low < s->sent_count && s->sent[low].fcnt == fcnt ? &s->sent[low] : NULL;
}
