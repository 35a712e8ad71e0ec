#include "tests/unit/feed/random.h"

#include <math.h>
#include <string.h>

#define COUNT_MAX INT64_C(9007199254740991)
#define STAMP_MAX INT64_C(253402300799999)

/* splitmix64, as published by Vigna (from memory). */
uint64_t random_next(struct random *r)
{
    uint64_t z = r->state += UINT64_C(0x9E3779B97F4A7C15);
    z = (z ^ z >> 30) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ z >> 27) * UINT64_C(0x94D049BB133111EB);
    return z ^ z >> 31;
}

int64_t random_between(struct random *r, int64_t least, int64_t most)
{
    uint64_t span = (uint64_t)(most - least) + 1;
    return least + (int64_t)(random_next(r) % span);
}

static bool coin(struct random *r)
{
    return random_next(r) & 1;
}

/* Small numbers and the largest ones both turn up. */
static int64_t count(struct random *r)
{
    switch (random_between(r, 0, 3)) {
    case 0:
        return random_between(r, 0, 300);
    case 1:
        return COUNT_MAX - random_between(r, 0, 3);
    default:
        return random_between(r, 0, COUNT_MAX);
    }
}

static int64_t stamp(struct random *r)
{
    return random_between(r, 0, 3) == 0 ? STAMP_MAX : random_between(r, 1, STAMP_MAX);
}

static int64_t stamp_or_none(struct random *r)
{
    return random_between(r, 0, 4) == 0 ? 0 : stamp(r);
}

static int64_t count_or_none(struct random *r)
{
    return random_between(r, 0, 4) == 0 ? -1 : count(r);
}

static double real_or_none(struct random *r, int64_t least, int64_t most)
{
    if (random_between(r, 0, 4) == 0)
        return NAN;
    return (double)random_between(r, least * 1000000, most * 1000000) / 1e6;
}

static void letters(struct random *r, char *text, size_t len, const char *from)
{
    for (size_t i = 0; i < len; i++)
        text[i] = from[random_between(r, 0, (int64_t)strlen(from) - 1)];
    text[len] = '\0';
}

static void id(struct random *r, char *text, size_t size)
{
    letters(r, text, size - 1, "0123456789abcdef");
}

static void name(struct random *r, char *text)
{
    letters(r, text, (size_t)random_between(r, 1, FEED_NAME_MAX), "abcXYZ019._-");
}

/* Letters of one to four bytes, line ends, quotes and control characters. */
static void text_any(struct random *r, char *text, size_t size, size_t least)
{
    static const char *const parts[] = {
        "a",
        "Z",
        " ",
        "\n",
        "\t",
        "\r",
        "\"",
        "\\",
        "/",
        "\x01",
        "\x1f",
        "\x7f",
        "\xc3\xa4",
        "\xe2\x82\xac",
        "\xf0\x9f\x8d\x87",
    };
    size_t wanted = (size_t)random_between(r, (int64_t)least, (int64_t)size - 1), len = 0;
    if (wanted > 2000) /* control characters take six bytes each in JSON */
        wanted = 2000;
    for (;;) {
        const char *part = parts[random_between(r, 0, sizeof parts / sizeof parts[0] - 1)];
        if (len + strlen(part) > wanted)
            break;
        memcpy(text + len, part, strlen(part));
        len += strlen(part);
    }
    if (len < least)
        text[len++] = 'x';
    text[len] = '\0';
}

/* Any payload that the air accepts as a report: what a gateway can hear, the feed must carry. */
static void report(struct random *r, struct feed_frame *frame)
{
    do {
        frame->payload_len = (uint8_t)random_between(r, 21, AIR_REPORT_MAX);
        for (unsigned i = 0; i < frame->payload_len; i++)
            frame->payload[i] = (uint8_t)random_next(r);
        frame->payload[0] = (uint8_t)(0x10 | random_between(r, AIR_REGULAR, AIR_DAILY));
    } while (air_report_decode(frame->payload, frame->payload_len, &frame->report) != AIR_OK);
    frame->has_report = true;
    frame->fport = 10;
}

static void frame(struct random *r, struct feed_frame *f)
{
    f->devaddr = (uint32_t)random_between(r, 0, 0x03FFFFFF);
    f->key_check = (uint32_t)random_next(r);
    f->fcnt = coin(r) ? UINT32_MAX : (uint32_t)random_next(r);
    f->confirmed = coin(r);
    f->fport = (int)random_between(r, -1, 255);
    f->payload_len = (uint8_t)random_between(r, 0, FEED_PAYLOAD_MAX);
    for (unsigned i = 0; i < f->payload_len; i++)
        f->payload[i] = (uint8_t)random_next(r);
    f->heard_ms = stamp(r);
    f->synchronised = coin(r);
    id(r, f->boot, sizeof f->boot);
    f->boot_ms = count(r);
    f->radio = (uint8_t)random_next(r);
    f->frequency_hz = (uint32_t)random_next(r);
    f->bandwidth_hz = (uint32_t)random_next(r);
    f->spreading_factor = (uint8_t)random_between(r, 5, 12);
    f->rssi_cdbm = (int16_t)random_next(r);
    f->snr_cdb = (int16_t)random_next(r);
    if (coin(r))
        report(r, f);
}

void random_row(struct random *r, void *target)
{
    struct feed_row *row = target;
    *row = (struct feed_row){.kind = (enum feed_row_kind)random_between(r, 0, 2)};
    id(r, row->spool, sizeof row->spool);
    id(r, row->hash, sizeof row->hash);
    row->n = (uint64_t)count(r) + 1;
    row->n = row->n > COUNT_MAX ? COUNT_MAX : row->n;
    row->oldest = (uint64_t)random_between(r, 1, (int64_t)row->n);
    switch (row->kind) {
    case FEED_ROW_FRAME:
        frame(r, &row->frame);
        break;
    case FEED_ROW_CLOCK:
        id(r, row->clock.boot, sizeof row->clock.boot);
        row->clock.offset_ms = coin(r) ? count(r) : -count(r);
        break;
    case FEED_ROW_LOSS:
        row->loss.last = (uint64_t)random_between(r, 1, COUNT_MAX);
        row->loss.first = (uint64_t)random_between(r, 1, (int64_t)row->loss.last);
        row->loss.count =
            (uint64_t)random_between(r, 1, (int64_t)(row->loss.last - row->loss.first + 1));
        text_any(r, row->loss.why, sizeof row->loss.why, 0);
        break;
    }
}

void random_mark(struct random *r, void *target)
{
    struct feed_mark *mark = target;
    *mark = (struct feed_mark){.n = (uint64_t)count(r)};
    id(r, mark->store, sizeof mark->store);
    id(r, mark->spool, sizeof mark->spool);
    id(r, mark->hash, sizeof mark->hash);
}

void random_lease(struct random *r, void *target)
{
    struct feed_lease *lease = target;
    *lease = (struct feed_lease){.devaddr = (uint32_t)random_between(r, 0, 0x03FFFFFF),
                                 .key_check = (uint32_t)random_next(r),
                                 .term = (uint64_t)random_between(r, 1, COUNT_MAX),
                                 .first = (uint32_t)random_between(r, 0, UINT32_MAX - 70000),
                                 .count = (uint32_t)random_between(r, 0, 65535),
                                 .until_ms = stamp(r)};
    id(r, lease->run, sizeof lease->run);
    if (coin(r))
        name(r, lease->gateway);
}

void random_held(struct random *r, void *target)
{
    struct feed_held *held = target;
    *held = (struct feed_held){.devaddr = (uint32_t)random_between(r, 0, 0x03FFFFFF),
                               .key_check = (uint32_t)random_next(r),
                               .at_ms = stamp(r),
                               .term = (uint64_t)count(r),
                               .speaking = coin(r),
                               .next = (uint64_t)random_between(r, 0, INT64_C(4294967296)),
                               .left = (uint64_t)random_between(r, 0, 65535),
                               .order = (uint64_t)count(r),
                               .order_sent = (uint64_t)count(r)};
}

void random_order(struct random *r, void *target)
{
    static const uint32_t bandwidths_hz[] = {125000, 250000, 500000};
    struct feed_order *order = target;
    struct air_order *o = &order->order;
    *order = (struct feed_order){.devaddr = (uint32_t)random_between(r, 0, 0x03FFFFFF),
                                 .number = (uint64_t)random_between(r, 1, COUNT_MAX),
                                 .until_ms = stamp(r)};
    o->kind = (enum air_order_kind)random_between(r, AIR_ORDER_INTERVAL, AIR_ORDER_DIAGNOSTICS);
    o->sequence = (uint8_t)random_between(r, 0, 3);
    o->interval_min = (uint8_t)random_between(r, 1, 60);
    o->full_mark_mm = (uint8_t)random_between(r, 1, 250);
    o->low_mark_mm = (uint8_t)random_between(r, 0, o->full_mark_mm - 1);
    o->frequency_hz = 100 * (uint32_t)random_between(r, 1, 0xFFFFFF);
    o->bandwidth_hz = bandwidths_hz[random_between(r, 0, 2)];
    o->spreading_factor = (uint8_t)random_between(r, 7, 12);
    o->power_dbm = (int8_t)random_between(r, -9, 30);
}

void random_presence(struct random *r, void *target)
{
    struct feed_presence *p = target;
    *p = (struct feed_presence){.online = coin(r), .since_ms = stamp_or_none(r)};
    text_any(r, p->software, sizeof p->software, 0);
}

/* A structure's run of uint64_t counters, first to last. */
static void counters(struct random *r, uint64_t *first, uint64_t *last)
{
    for (uint64_t *at = first; at <= last; at++)
        *at = (uint64_t)count(r);
}

void random_gateway_health(struct random *r, void *target)
{
    struct feed_gateway_health *h = target;
    *h = (struct feed_gateway_health){.at_ms = stamp(r), .synchronised = coin(r)};
    counters(r, &h->accepted, &h->unusable);
    id(r, h->run, sizeof h->run);
    id(r, h->spool, sizeof h->spool);
    counters(r, &h->last_n, &h->marks_ignored);
    counters(r, &h->spool_bytes, &h->disk_free_bytes);
    h->stations = (uint64_t)count(r);
    text_any(r, h->trouble, sizeof h->trouble, 0);
    h->radio_count = (uint8_t)random_between(r, 0, FEED_RADIOS_MAX);
    for (unsigned i = 0; i < h->radio_count; i++) {
        h->radios[i].working = coin(r);
        counters(r, &h->radios[i].frames, &h->radios[i].deaf_ms);
        h->radios[i].answers = coin(r);
        counters(r, &h->radios[i].sent, &h->radios[i].duty_ms);
        h->radios[i].duty_most_ms = coin(r) ? count(r) : -1;
        counters(r, &h->radios[i].window_s, &h->radios[i].missed);
        h->radios[i].load_ppm = (int32_t)random_between(r, -1, 1000000);
        h->radios[i].loss_ppm = (int32_t)random_between(r, -1, 1000000);
        h->radios[i].expected_loss_ppm = (int32_t)random_between(r, -1, 1000000);
        text_any(r, h->radios[i].trouble, sizeof h->radios[i].trouble, 0);
    }
}

void random_collector_health(struct random *r, void *target)
{
    struct feed_collector_health *h = target;
    *h = (struct feed_collector_health){.at_ms = stamp(r)};
    id(r, h->store, sizeof h->store);
    counters(r, &h->rows, &h->disk_free_bytes);
}

void random_trap_state(struct random *r, void *target)
{
    struct feed_trap_state *s = target;
    *s = (struct feed_trap_state){
        .at_ms = stamp(r),
        .devaddr = coin(r) ? 0 : (uint32_t)random_between(r, 1, 0x03FFFFFF),
        .condition = (enum feed_trap_condition)random_between(r, 0, FEED_TRAP_SILENT),
        .reason = (enum feed_visit_reason)random_between(r, 0, FEED_REASON_BATTERY),
        .visit_by_ms = stamp_or_none(r),
        .visit_from_ms = stamp_or_none(r),
        .visit_until_ms = stamp_or_none(r),
        .last_heard_ms = stamp_or_none(r),
        .last_visit_ms = stamp_or_none(r),
        .level_mm = real_or_none(r, -1000, 10000),
        .bait_age_days = real_or_none(r, 0, 100000),
        .battery_v = real_or_none(r, 0, 100),
        .temperature_c = real_or_none(r, -100, 200),
        .passes_since_emptied = count_or_none(r),
        .passes_today = count_or_none(r),
        .passes_yesterday = count_or_none(r),
        .doubtful_hours = coin(r) ? -1 : (int64_t)random_between(r, 0, 168),
    };
    name(r, s->trap);
    name(r, s->block);
}

void random_block_state(struct random *r, void *target)
{
    struct feed_block_state *s = target;
    *s = (struct feed_block_state){
        .at_ms = stamp(r),
        .traps = (uint32_t)random_next(r),
        .traps_working = (uint32_t)random_next(r),
        .traps_due = (uint32_t)random_next(r),
        .traps_failed = (uint32_t)random_next(r),
        .traps_silent = (uint32_t)random_next(r),
        .passes_today = count_or_none(r),
        .passes_yesterday = count_or_none(r),
        .passes_week = count_or_none(r),
        .passes_per_trap_day = real_or_none(r, 0, 1000000000),
        .days_counted = real_or_none(r, 0, 1000000000),
        .days_guarding = real_or_none(r, 0, 1000000000),
        .week_calibrated = coin(r),
        .week_days_counted = real_or_none(r, 0, 1000000000),
        .week_per_trap_day = real_or_none(r, 0, 1000000000),
        .week_low = real_or_none(r, 0, 1000000000),
        .week_high = real_or_none(r, 0, 1000000000),
        .week_per_100m_day = real_or_none(r, 0, 1000000000),
        .week_change = (enum feed_change)random_between(r, 0, FEED_CHANGE_DOWN),
        .week_ratio = real_or_none(r, 0, 1000000000),
        .week_ratio_low = real_or_none(r, 0, 1000000000),
        .week_ratio_high = real_or_none(r, 0, 1000000000),
    };
    text_any(r, s->leading_side, sizeof s->leading_side, 0);
    text_any(r, s->hot_from, sizeof s->hot_from, 0);
    text_any(r, s->hot_to, sizeof s->hot_to, 0);
    name(r, s->block);
    text_any(r, s->title, sizeof s->title, 0);
}

void random_notice_state(struct random *r, void *target)
{
    struct feed_notice_state *s = target;
    *s = (struct feed_notice_state){
        .revision = (uint32_t)random_next(r),
        .kind = (enum feed_notice_kind)random_between(r, 0, FEED_NOTICE_BEES),
        .urgent = coin(r),
        .open = coin(r),
        .opened_ms = stamp(r),
        .changed_ms = stamp(r),
    };
    name(r, s->notice);
    name(r, s->subject);
    text_any(r, s->title, sizeof s->title, 0);
    text_any(r, s->text, sizeof s->text, 0);
}
