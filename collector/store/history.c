#include "collector/store/history.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define MINUTE_MS   INT64_C(60000)
#define OUTLYING_MS MINUTE_MS
#define FAR_MS      (INT64_C(31) * 86400000)

enum {
    LOOK_AHEAD =
        16, /* reports after a short one that may complete it: seven intervals, with repeats */
    FCNTS_FAR = 2976, /* a month of quarter hours */
    KEEP = 64
};

void history_free(struct history *history)
{
    free(history->reports);
    free(history->epochs);
    *history = (struct history){0};
}

size_t history_position(const struct history *history, uint32_t fcnt)
{
    size_t low = 0, high = history->count;
    if (high > 0 && history->reports[high - 1].placed.fcnt < fcnt)
        return high;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (history->reports[middle].placed.fcnt < fcnt)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

bool history_has(const struct history *history, uint32_t fcnt)
{
    size_t index = history_position(history, fcnt);
    return index < history->count && history->reports[index].placed.fcnt == fcnt;
}

static struct history_epoch *epoch_of(const struct history *history, uint8_t epoch)
{
    for (size_t i = history->epoch_count; i-- > 0;)
        if (history->epochs[i].epoch == epoch)
            return &history->epochs[i];
    return NULL;
}

int history_add_epoch(struct history *history, uint8_t epoch, uint32_t first_fcnt, bool anchored)
{
    struct history_epoch *known = epoch_of(history, epoch);
    if (!known) {
        struct history_epoch *epochs =
            realloc(history->epochs, (history->epoch_count + 1) * sizeof *epochs);
        if (!epochs)
            return -ENOMEM;
        history->epochs = epochs;
        known = &epochs[history->epoch_count++];
        *known = (struct history_epoch){.epoch = epoch, .first_fcnt = first_fcnt};
    }
    if (first_fcnt < known->first_fcnt)
        known->first_fcnt = first_fcnt;
    known->anchored = known->anchored || anchored;
    return 0;
}

/* The nearest report before (step -1) or after (step 1) index that is sure, or trusted; count:
 * none. */
static size_t next_sure(const struct history *history, size_t index, int step, bool trusted)
{
    for (size_t i = index + (size_t)step; i < history->count; i += (size_t)step)
        if (trusted ? history->reports[i].trusted : history->reports[i].sure)
            return i;
    return history->count;
}

static bool believe(const struct history *history, size_t index)
{
    const struct history_report *report = &history->reports[index];
    if (!report->sure)
        return false;
    size_t before = next_sure(history, index, -1, false);
    size_t after = next_sure(history, index, 1, false);
    if (before == history->count || after == history->count)
        return true;
    int64_t low_ms = history->reports[before].claimed_ms;
    int64_t high_ms = history->reports[after].claimed_ms;
    return low_ms > high_ms || (report->claimed_ms >= low_ms - OUTLYING_MS &&
                                report->claimed_ms <= high_ms + OUTLYING_MS);
}

static int64_t steps_ms(const struct history_report *report, uint32_t fcnts)
{
    return (fcnts < FCNTS_FAR ? fcnts : FCNTS_FAR) * report->placed.interval_min * MINUTE_MS;
}

static int64_t bracket(const struct history_report *report, const struct history_report *before,
                       const struct history_report *after)
{
    assert(before || after);
    int64_t low_ms = before ? before->claimed_ms : after->claimed_ms - FAR_MS;
    int64_t high_ms = after ? after->claimed_ms : before->claimed_ms + FAR_MS;
    if (report->claimed_ms >= low_ms && report->claimed_ms <= high_ms)
        return report->claimed_ms;
    if (!after)
        return low_ms + steps_ms(report, report->placed.fcnt - before->placed.fcnt);
    if (!before)
        return high_ms - steps_ms(report, after->placed.fcnt - report->placed.fcnt);
    double part = (double)(report->placed.fcnt - before->placed.fcnt) /
                  (double)(after->placed.fcnt - before->placed.fcnt);
    return low_ms + (int64_t)((double)(high_ms - low_ms) * part);
}

static int64_t believed_ms(const struct history *history, size_t index)
{
    const struct history_report *report = &history->reports[index];
    if (report->trusted)
        return report->claimed_ms;
    size_t before = next_sure(history, index, -1, true);
    size_t after = next_sure(history, index, 1, true);
    if (before == history->count && after == history->count)
        return report->claimed_ms;
    return bracket(report, before < history->count ? &history->reports[before] : NULL,
                   after < history->count ? &history->reports[after] : NULL);
}

/* How many intervals before other's tick report's tick was; negative: not known. */
static int intervals_before(const struct history_report *report, const struct history_report *other)
{
    if (!report->sure || !other->sure || report->placed.interval_min != other->placed.interval_min)
        return -1;
    int intervals = (other->placed.tick - report->placed.tick) & (AIR_TICK_MODULUS - 1);
    int64_t interval_ms = report->placed.interval_min * MINUTE_MS;
    int64_t off_ms = other->claimed_ms - report->claimed_ms - intervals * interval_ms;
    return llabs(off_ms) <= interval_ms / 2 ? intervals : -1;
}

/* Intervals that a short report does not carry, from the reports after it. */
static void complete(const struct history *history, size_t index, struct series_report *placed)
{
    const struct history_report *report = &history->reports[index];
    placed->recent_count = report->own_count;
    for (size_t i = index + 1;
         i < history->count && i <= index + LOOK_AHEAD && placed->recent_count < AIR_RECENT_MAX;
         i++) {
        const struct history_report *other = &history->reports[i];
        if (other->placed.epoch != placed->epoch)
            break;
        int back = intervals_before(report, other);
        while (back >= 0 && placed->recent_count < AIR_RECENT_MAX &&
               placed->recent_count + back < other->own_count) {
            placed->recent[placed->recent_count] =
                other->placed.recent[placed->recent_count + back];
            placed->recent_count++;
        }
    }
}

static void judge_times(struct history *history, size_t low, size_t high)
{
    for (size_t i = low; i < high; i++)
        history->reports[i].trusted = believe(history, i);
    for (size_t i = low; i < high; i++) {
        struct history_report *report = &history->reports[i];
        report->placed.tick_ms = believed_ms(history, i);
        complete(history, i, &report->placed);
    }
}

/* The nearest believed report whose own standing nothing at index or after it can change; count:
 * none. */
static size_t barrier_before(const struct history *history, size_t index)
{
    size_t nearest = next_sure(history, index, -1, false);
    if (nearest == history->count)
        return history->count;
    for (size_t i = nearest; i-- > 0;)
        if (history->reports[i].trusted && i + LOOK_AHEAD < index)
            return i;
    return history->count;
}

/* One past the last report whose time a change at index can move. */
static size_t barrier_after(const struct history *history, size_t index)
{
    size_t nearest = next_sure(history, index, 1, false);
    if (nearest == history->count)
        return history->count;
    return next_sure(history, nearest, 1, true);
}

/* The report of the same epoch before index, not counting skip; count: none. */
static size_t older_of(const struct history *history, size_t index, uint8_t epoch, size_t skip)
{
    while (index-- > 0)
        if (index != skip && history->reports[index].placed.epoch == epoch)
            return index;
    return history->count;
}

static size_t newer_of(const struct history *history, size_t index)
{
    for (size_t i = index + 1; i < history->count; i++)
        if (history->reports[i].placed.epoch == history->reports[index].placed.epoch)
            return i;
    return history->count;
}

static bool older_held(const struct history *history, size_t index, uint32_t fcnt, uint8_t epoch)
{
    const struct history_epoch *known = epoch_of(history, epoch);
    return !known || fcnt <= known->first_fcnt ||
           older_of(history, index, epoch, history->count) < history->count;
}

bool history_reaches(const struct history *history, uint32_t fcnt, uint8_t epoch)
{
    if (history->complete)
        return true;
    size_t index = history_position(history, fcnt);
    size_t barrier = barrier_before(history, index);
    if (barrier == history->count || next_sure(history, barrier, -1, false) == history->count ||
        !older_held(history, index, fcnt, epoch))
        return false;
    if (history->epoch_count < 2)
        return true;
    for (size_t i = barrier + 1; i < history->count; i++)
        if (!older_held(history, i, history->reports[i].placed.fcnt,
                        history->reports[i].placed.epoch))
            return false;
    return true;
}

static int make_room(struct history *history, size_t more)
{
    if (history->count + more <= history->capacity)
        return 0;
    size_t capacity = history->capacity ? history->capacity : 8;
    while (capacity < history->count + more)
        capacity += capacity / 2;
    struct history_report *reports = realloc(history->reports, capacity * sizeof *reports);
    if (!reports)
        return -ENOMEM;
    history->reports = reports;
    history->capacity = capacity;
    return 0;
}

static void fill(struct history_report *report, uint32_t fcnt, const struct air_report *decoded)
{
    report->claimed_ms = series_tick_ms(decoded, report->heard_ms, report->air_ms);
    series_report_from(decoded, fcnt, report->claimed_ms, &report->placed);
    report->own_count = report->placed.recent_count;
    report->trusted = report->marked = false;
}

/* Room must have been made. */
static struct history_report *put(struct history *history, size_t index,
                                  const struct history_report *report)
{
    struct history_report *to = &history->reports[index];
    memmove(to + 1, to, (history->count - index) * sizeof *to);
    *to = *report;
    history->count++;
    return to;
}

int history_load(struct history *history, const struct history_report *report, uint32_t fcnt)
{
    struct air_report decoded;
    if (history_has(history, fcnt))
        return 0;
    if (air_report_decode(report->payload, report->payload_len, &decoded))
        return -EBADMSG;
    int error = make_room(history, 1);
    if (!error)
        fill(put(history, history_position(history, fcnt), report), fcnt, &decoded);
    return error;
}

void history_settle(struct history *history)
{
    judge_times(history, 0, history->count);
}

/* What a change at index may move: reports [low, high), as they were placed before. */
struct reach {
    size_t index, low, high;
    bool fresh; /* the report at index was not there before */
    struct series_report *before;
};

static int reach_open(const struct history *history, size_t index, bool fresh, struct reach *reach)
{
    size_t barrier = barrier_before(history, index);
    *reach = (struct reach){.index = index,
                            .low = barrier == history->count ? 0 : barrier + 1,
                            .high = barrier_after(history, index),
                            .fresh = fresh};
    reach->before = malloc((reach->high - reach->low) * sizeof *reach->before);
    if (!reach->before)
        return -ENOMEM;
    for (size_t i = reach->low; i < reach->high; i++)
        reach->before[i - reach->low] = history->reports[i].placed;
    return 0;
}

static const struct series_report *before_of(const struct history *history,
                                             const struct reach *reach, size_t index)
{
    return index >= reach->low && index < reach->high ? &reach->before[index - reach->low]
                                                      : &history->reports[index].placed;
}

static bool placed_alike(const struct series_report *a, const struct series_report *b)
{
    return a->tick_ms == b->tick_ms && a->recent_count == b->recent_count &&
           memcmp(a->recent, b->recent, a->recent_count) == 0;
}

/* Marks the reports whose segment changes; one past the last of them. */
static size_t mark_changed(struct history *history, const struct reach *reach)
{
    size_t end = reach->low;
    for (size_t i = reach->low; i < reach->high; i++) {
        struct history_report *report = &history->reports[i];
        if ((!reach->fresh || i != reach->index) &&
            placed_alike(&report->placed, before_of(history, reach, i)))
            continue;
        size_t newer = newer_of(history, i);
        report->marked = true;
        if (newer < history->count)
            history->reports[newer].marked = true;
        size_t last = newer < history->count ? newer : i;
        end = last + 1 > end ? last + 1 : end;
    }
    return end;
}

/* Places, or takes back, the segment that ends with the report at index. */
static int segment_change(const struct history *history, const struct reach *reach, size_t index,
                          int sign, const struct history_target *target)
{
    uint8_t epoch = history->reports[index].placed.epoch;
    size_t skip = sign < 0 && reach->fresh ? reach->index : history->count;
    size_t older = older_of(history, index, epoch, skip);
    const struct history_epoch *known = epoch_of(history, epoch);
    if (older == history->count && known && known->anchored)
        return 0;
    const struct series_report *from = NULL, *to = &history->reports[index].placed;
    if (older < history->count)
        from = sign < 0 ? before_of(history, reach, older) : &history->reports[older].placed;
    if (sign < 0)
        to = before_of(history, reach, index);
    struct series_placing placing = {0};
    int error = series_place(from, to, sign, target->zone, &placing);
    if (!error)
        error = target->sink(target->user, epoch, &placing);
    series_placing_free(&placing);
    return error;
}

static int replace_marked(struct history *history, const struct reach *reach, size_t end,
                          const struct history_target *target)
{
    int error = 0;
    for (size_t i = reach->low; i < end && !error; i++) {
        if (!history->reports[i].marked)
            continue;
        history->reports[i].marked = false;
        if (!reach->fresh || i != reach->index)
            error = segment_change(history, reach, i, -1, target);
        if (!error)
            error = segment_change(history, reach, i, 1, target);
    }
    return error;
}

static int replace(struct history *history, struct reach *reach,
                   const struct history_target *target)
{
    judge_times(history, reach->low, reach->high);
    int error = replace_marked(history, reach, mark_changed(history, reach), target);
    free(reach->before);
    return error;
}

int history_insert(struct history *history, const struct history_report *report, uint32_t fcnt,
                   const struct air_report *decoded, const struct history_target *target)
{
    if (history_has(history, fcnt))
        return -EEXIST;
    int error = make_room(history, 1);
    if (error)
        return error;
    size_t index = history_position(history, fcnt);
    fill(put(history, index, report), fcnt, decoded);
    struct reach reach;
    error = reach_open(history, index, true, &reach);
    if (!error)
        error = replace(history, &reach, target);
    if (!error)
        error = history_add_epoch(history, decoded->epoch, fcnt, false);
    return error;
}

int history_move(struct history *history, size_t index, int64_t heard_ms, int32_t air_ms, bool sure,
                 const struct history_target *target)
{
    struct history_report *report = &history->reports[index];
    struct reach reach;
    int error = reach_open(history, index, false, &reach);
    if (error)
        return error;
    report->claimed_ms += heard_ms - air_ms - (report->heard_ms - report->air_ms);
    report->heard_ms = heard_ms;
    report->air_ms = air_ms;
    report->sure = sure;
    return replace(history, &reach, target);
}

void history_trim(struct history *history, int64_t before_s)
{
    size_t drop = 0;
    while (history->count - drop > KEEP && history->reports[drop].at_s < before_s)
        drop++;
    if (drop < KEEP)
        return;
    memmove(history->reports, history->reports + drop,
            (history->count - drop) * sizeof *history->reports);
    history->count -= drop;
    history->complete = false;
}

size_t history_anchor(const struct history *history, uint8_t epoch, int64_t before_ms)
{
    for (size_t i = history->count; i-- > 0;) {
        const struct history_report *report = &history->reports[i];
        if (report->placed.epoch == epoch && report->trusted && report->placed.tick_ms < before_ms)
            return i;
    }
    return history->count;
}

void history_prune(struct history *history, uint8_t epoch, uint32_t anchor)
{
    struct history_epoch *known = epoch_of(history, epoch);
    size_t kept = 0;
    for (size_t i = 0; i < history->count; i++)
        if (history->reports[i].placed.epoch != epoch || history->reports[i].placed.fcnt >= anchor)
            history->reports[kept++] = history->reports[i];
    history->count = kept;
    known->first_fcnt = anchor;
    known->anchored = true;
}
