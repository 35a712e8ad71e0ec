#include "collector/store/series.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define MINUTE_MS INT64_C(60000)
#define GAP_MAX_S (INT64_C(400) * 86400)
#define LOW_16    UINT32_C(0xFFFF)
#define LOW_24    UINT32_C(0xFFFFFF)

/* A piece of the time between two reports; the oldest first. */
struct stretch {
    int64_t begin_s, end_s, middle_s;
    int64_t entries;
    bool open;    /* takes its share of what no interval tells */
    bool exact;   /* its entries are known */
    bool counted; /* the station was counting */
};

struct segment {
    struct stretch stretches[AIR_RECENT_MAX + 1];
    size_t count;
    int64_t last_s; /* newer's tick */
};

static int64_t floor_div(int64_t value, int64_t by)
{
    int64_t quotient = value / by;
    return quotient - (value % by < 0);
}

static int64_t max_of(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static int64_t min_of(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

int64_t series_tick_ms(const struct air_report *report, int64_t heard_ms, int64_t air_ms)
{
    return heard_ms - air_ms - report->age_256 * (report->interval_min * MINUTE_MS) / 256;
}

void series_report_from(const struct air_report *report, uint32_t fcnt, int64_t tick_ms,
                        struct series_report *out)
{
    *out = (struct series_report){
        .tick_ms = tick_ms,
        .fcnt = fcnt,
        .entries = report->entries,
        .exits = report->exits,
        .short_passes = report->short_passes,
        .blocked_2s = report->blocked_2s,
        .full_totals = report->kind == AIR_DAILY,
        .epoch = report->epoch,
        .tick = report->tick,
        .interval_min = report->interval_min,
        .recent_count = report->kind == AIR_DAILY ? 0 : report->recent_count,
    };
    memcpy(out->recent, report->recent, sizeof out->recent);
}

int64_t series_intervals(const struct series_report *older, const struct series_report *newer)
{
    int64_t low = (newer->tick - older->tick) & (AIR_TICK_MODULUS - 1);
    int64_t elapsed_ms = newer->tick_ms - older->tick_ms;
    /* Where the interval was changed in between, the longer one gives the fewest. */
    int64_t longer_min = max_of(older->interval_min, newer->interval_min);
    int64_t wraps = floor_div(elapsed_ms - low * longer_min * MINUTE_MS +
                                  AIR_TICK_MODULUS / 2 * longer_min * MINUTE_MS,
                              AIR_TICK_MODULUS * longer_min * MINUTE_MS);
    return low + max_of(wraps, 0) * AIR_TICK_MODULUS;
}

/* How many of the intervals that newer carries lie after older. */
static int64_t intervals_carried(const struct series_report *older,
                                 const struct series_report *newer)
{
    if (!older)
        return newer->recent_count;
    int64_t interval_ms = newer->interval_min * MINUTE_MS;
    int64_t fitting = floor_div(newer->tick_ms - older->tick_ms + interval_ms / 2, interval_ms);
    int64_t carried = min_of(series_intervals(older, newer), newer->recent_count);
    return max_of(min_of(carried, fitting), 0);
}

static int64_t carried_entries(const struct series_report *newer, int64_t carried)
{
    int64_t sum = 0;
    for (int64_t back = 0; back < carried; back++)
        sum += newer->recent[back] == AIR_RECENT_UNKNOWN ? 0 : newer->recent[back];
    return sum;
}

/* Being switched off counts as one unknown interval, however long it was, so that the number of intervals
 * may be taken for too large by a multiple of 64; the counter then shows that the older ones lie before. */
static int64_t intervals_believed(const struct series_report *older,
                                  const struct series_report *newer, int64_t carried)
{
    uint32_t total = newer->entries - (older ? older->entries : 0);
    if (!older || carried_entries(newer, carried) <= total)
        return carried;
    for (int64_t back = carried - 2; back >= 0; back--)
        if (newer->recent[back] == AIR_RECENT_UNKNOWN && carried_entries(newer, back) <= total)
            return back + 1;
    return carried;
}

static struct stretch interval_stretch(const struct series_report *newer, int64_t back)
{
    int64_t interval_ms = newer->interval_min * MINUTE_MS;
    int64_t end_ms = newer->tick_ms - back * interval_ms;
    uint8_t entries = newer->recent[back];
    struct stretch stretch = {
        .begin_s = floor_div(end_ms - interval_ms, 1000),
        .end_s = floor_div(end_ms, 1000),
        .middle_s = floor_div(end_ms - interval_ms / 2, 1000),
        .entries = entries == AIR_RECENT_UNKNOWN ? 0 : entries,
        .open = entries >= AIR_RECENT_SATURATED,
        .exact = entries < AIR_RECENT_SATURATED,
        .counted = entries != AIR_RECENT_UNKNOWN,
    };
    return stretch;
}

/* The oldest stretch meets older's tick: the station's clock drifts a little against ours. What
 * remains between them is a gap. */
static void segment_begin(struct segment *segment, const struct series_report *older,
                          const struct series_report *newer, bool complete)
{
    int64_t older_s = floor_div(older->tick_ms, 1000);
    int64_t near_s = newer->interval_min * 60 / 4;
    struct stretch *first = segment->count > 1 ? &segment->stretches[1] : NULL;
    int64_t end_s = first ? first->begin_s : segment->last_s;
    if (first && complete && llabs(end_s - older_s) <= near_s)
        first->begin_s = end_s = older_s;
    for (size_t i = 1; i < segment->count; i++) {
        segment->stretches[i].begin_s = max_of(segment->stretches[i].begin_s, older_s);
        segment->stretches[i].end_s = max_of(segment->stretches[i].end_s, older_s);
    }
    segment->stretches[0] = (struct stretch){.begin_s = max_of(older_s, end_s - GAP_MAX_S),
                                             .end_s = max_of(end_s, older_s),
                                             .open = true,
                                             .counted = !(complete && first && !first->counted)};
}

/* Stretch 0 is the gap, empty before the first report. */
static void segment_build(struct segment *segment, const struct series_report *older,
                          const struct series_report *newer)
{
    int64_t told = intervals_carried(older, newer);
    int64_t carried = intervals_believed(older, newer, told);
    *segment = (struct segment){.count = 1, .last_s = floor_div(newer->tick_ms, 1000)};
    for (int64_t back = carried - 1; back >= 0; back--)
        segment->stretches[segment->count++] = interval_stretch(newer, back);
    if (older)
        segment_begin(segment, older, newer,
                      carried < told || carried == series_intervals(older, newer));
}

static int64_t segment_entries(const struct segment *segment)
{
    int64_t sum = 0;
    for (size_t i = 0; i < segment->count; i++)
        sum += segment->stretches[i].entries;
    return sum;
}

static int64_t segment_open_s(const struct segment *segment)
{
    int64_t sum = 0;
    for (size_t i = 0; i < segment->count; i++)
        if (segment->stretches[i].open)
            sum += segment->stretches[i].end_s - segment->stretches[i].begin_s;
    return sum;
}

/* The intervals contradict the counter: none of them is exact. */
static void segment_doubt(struct segment *segment)
{
    for (size_t i = 0; i < segment->count; i++) {
        segment->stretches[i].exact = false;
        segment->stretches[i].open = true;
    }
}

static int make_room(struct series_placing *placing)
{
    if (placing->count < placing->capacity)
        return 0;
    size_t capacity = placing->capacity ? 2 * placing->capacity : 8;
    struct series_change *changes = realloc(placing->changes, capacity * sizeof *changes);
    if (!changes)
        return -ENOMEM;
    placing->changes = changes;
    placing->capacity = capacity;
    return 0;
}

/* The change of an hour, made when there is none yet; NULL: no memory. */
static struct series_change *change_of(struct series_placing *placing, int64_t hour_s)
{
    size_t low = 0, high = placing->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (placing->changes[middle].hour_s < hour_s)
            low = middle + 1;
        else
            high = middle;
    }
    if (low < placing->count && placing->changes[low].hour_s == hour_s)
        return &placing->changes[low];
    if (make_room(placing))
        return NULL;
    struct series_change *change = &placing->changes[low];
    memmove(change + 1, change, (placing->count - low) * sizeof *change);
    *change = (struct series_change){.hour_s = hour_s};
    placing->count++;
    return change;
}

static int add(struct series_placing *placing, const struct series_change *change, int sign)
{
    struct series_change *to = change_of(placing, change->hour_s);
    if (!to)
        return -ENOMEM;
    to->entries += sign * change->entries;
    to->spread += sign * change->spread;
    to->exits += sign * change->exits;
    to->shorts += sign * change->shorts;
    to->blocked_s += sign * change->blocked_s;
    to->covered_s += sign * change->covered_s;
    to->counted_s += sign * change->counted_s;
    return 0;
}

static int place_known(struct series_placing *placing, const struct stretch *stretch,
                       int64_t entries, bool spread, const struct zone *zone)
{
    if (entries == 0)
        return 0;
    struct series_change change = {.hour_s = zone_hour(zone, stretch->middle_s).begin_s,
                                   .entries = entries,
                                   .spread = spread ? entries : 0};
    return add(placing, &change, 1);
}

/* A share of a whole number, so that the shares of consecutive parts add up to it. */
struct sharing {
    int64_t amount, of; /* amount over of parts */
    int64_t parts, given;
};

static int64_t share_next(struct sharing *sharing, int64_t parts)
{
    sharing->parts += parts;
    int shift = 0; /* amount is below 2^32: the product must stay below 2^63 */
    while (sharing->of >> shift > INT32_MAX)
        shift++;
    int64_t of = sharing->of >> shift;
    int64_t upto = of ? sharing->amount * (sharing->parts >> shift) / of : 0;
    int64_t share = upto - sharing->given;
    sharing->given = upto;
    return share;
}

/* Walks the hours of a stretch: its seconds, and its share of what is spread. */
static int place_time(struct series_placing *placing, const struct stretch *stretch,
                      struct sharing *rest, const struct zone *zone)
{
    int error = 0;
    for (int64_t at_s = stretch->begin_s; at_s < stretch->end_s && !error;) {
        struct zone_span hour = zone_hour(zone, at_s);
        int64_t end_s = min_of(hour.end_s, stretch->end_s);
        int64_t share = stretch->open ? share_next(rest, end_s - at_s) : 0;
        struct series_change change = {.hour_s = hour.begin_s,
                                       .entries = share,
                                       .spread = share,
                                       .covered_s = stretch->exact ? end_s - at_s : 0,
                                       .counted_s = stretch->counted ? end_s - at_s : 0};
        error = add(placing, &change, 1);
        at_s = end_s;
    }
    return error;
}

static int place_at_end(struct series_placing *placing, const struct segment *segment,
                        const struct series_change *amounts, const struct zone *zone)
{
    struct series_change change = *amounts;
    change.hour_s = zone_hour(zone, segment->last_s).begin_s;
    return add(placing, &change, 1);
}

/* The known intervals as they are, scaled when they exceed the total; the rest over the open time.
 */
static int place_entries(struct series_placing *placing, struct segment *segment, int64_t total,
                         const struct zone *zone)
{
    int64_t known = segment_entries(segment);
    bool scaled = known > total;
    if (scaled || (total > known && segment_open_s(segment) == 0))
        segment_doubt(segment);
    struct sharing scale = {.amount = scaled ? total : known, .of = known};
    struct sharing rest = {.amount = scaled ? 0 : total - known, .of = segment_open_s(segment)};
    int error = 0;
    for (size_t i = 0; i < segment->count && !error; i++) {
        const struct stretch *stretch = &segment->stretches[i];
        error = place_known(placing, stretch, share_next(&scale, stretch->entries), scaled, zone);
        if (!error)
            error = place_time(placing, stretch, &rest, zone);
    }
    if (error || rest.given == rest.amount)
        return error;
    int64_t left = rest.amount - rest.given;
    return place_at_end(placing, segment, &(struct series_change){.entries = left, .spread = left},
                        zone);
}

static int64_t sum_entries(const struct series_placing *placing)
{
    int64_t sum = 0;
    for (size_t i = 0; i < placing->count; i++)
        sum += placing->changes[i].entries;
    return sum;
}

static int64_t sum_counted_s(const struct series_placing *placing)
{
    int64_t sum = 0;
    for (size_t i = 0; i < placing->count; i++)
        sum += placing->changes[i].counted_s;
    return sum;
}

static uint32_t low_bits(bool full, uint32_t mask)
{
    return full ? UINT32_MAX : mask;
}

/* Exits, short passes and blocked time, in proportion to what is placed already. */
static int place_others(struct series_placing *placing, const struct segment *segment,
                        const struct series_report *older, const struct series_report *newer,
                        const struct zone *zone)
{
    bool full = older->full_totals && newer->full_totals;
    int64_t exits = (newer->exits - older->exits) & low_bits(full, LOW_16);
    int64_t shorts = (newer->short_passes - older->short_passes) & low_bits(full, LOW_16);
    int64_t blocked_s =
        2 * (int64_t)((newer->blocked_2s - older->blocked_2s) & (full ? LOW_24 : LOW_16));
    int64_t entries = sum_entries(placing), counted_s = sum_counted_s(placing);
    int64_t of = entries ? entries : counted_s;
    struct sharing exit = {.amount = exits, .of = of}, small = {.amount = shorts, .of = of};
    struct sharing blocked = {.amount = blocked_s, .of = counted_s};
    for (size_t i = 0; i < placing->count; i++) {
        struct series_change *change = &placing->changes[i];
        int64_t parts = entries ? change->entries : change->counted_s;
        change->exits = share_next(&exit, parts);
        change->shorts = share_next(&small, parts);
        change->blocked_s = share_next(&blocked, change->counted_s);
    }
    struct series_change left = {.exits = exits - exit.given,
                                 .shorts = shorts - small.given,
                                 .blocked_s = blocked_s - blocked.given};
    if (left.exits == 0 && left.shorts == 0 && left.blocked_s == 0)
        return 0;
    return place_at_end(placing, segment, &left, zone);
}

static int place_segment(const struct series_report *older, const struct series_report *newer,
                         const struct zone *zone, struct series_placing *placing)
{
    struct segment segment;
    segment_build(&segment, older, newer);
    if (!older) {
        int64_t known = segment_entries(&segment);
        for (size_t i = 0; i < segment.count; i++)
            segment.stretches[i].open = false;
        placing->unplaced = (uint32_t)(newer->entries - (uint32_t)known);
        return place_entries(placing, &segment, known, zone);
    }
    int error = place_entries(placing, &segment, (uint32_t)(newer->entries - older->entries), zone);
    return error ? error : place_others(placing, &segment, older, newer, zone);
}

/* Makes room for all changes first, so that a failure changes nothing. */
static int merge(struct series_placing *placing, const struct series_placing *from, int sign)
{
    size_t needed = placing->count + from->count;
    if (needed > placing->capacity) {
        struct series_change *changes = realloc(placing->changes, needed * sizeof *changes);
        if (!changes)
            return -ENOMEM;
        placing->changes = changes;
        placing->capacity = needed;
    }
    for (size_t i = 0; i < from->count; i++)
        (void)add(placing, &from->changes[i], sign);
    placing->unplaced += sign * from->unplaced;
    return 0;
}

int series_place(const struct series_report *older, const struct series_report *newer, int sign,
                 const struct zone *zone, struct series_placing *placing)
{
    struct series_placing segment = {0};
    int error = place_segment(older, newer, zone, &segment);
    if (!error)
        error = merge(placing, &segment, sign);
    series_placing_free(&segment);
    return error;
}

void series_placing_free(struct series_placing *placing)
{
    free(placing->changes);
    *placing = (struct series_placing){0};
}
