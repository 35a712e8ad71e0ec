/*
 * From reports to hourly passes: pure. A series is kept as its reports in FCnt order; the passes
 * between two neighbours are a function of those two reports alone, so the rows do not depend on
 * the order or batching in which reports came. Inserting a report takes back the segment between
 * its neighbours and places the two new ones. (history.h decides who neighbours whom, and at which
 * instants.)
 *
 * The rule of placing, between older report A and newer report B of one series:
 *
 * - The total, B.entries - A.entries modulo 2^32, is the authority.
 * - The number of B's intervals since A's tick is (B.tick - A.tick) modulo 64; the elapsed time resolves
 *   the wraps. Of these B carries recent_count at most, and none that began long before A's tick.
 * - A carried interval that is known gives its passes to the local hour that holds its middle; a
 *   saturated one at least 254.
 * - What remains of the total is spread in whole numbers, by time, over saturated and unknown intervals
 *   and over the gap that no interval covers, and is marked as spread.
 * - A station whose intervals leave no such time, or exceed the total, has the total shared out among
 *   them, marked.
 * - Exits and short passes have no intervals: in proportion to the entries placed, or to time. Blocked
 *   time: in proportion to time.
 * - Before the first report its known intervals are placed; the rest of its counter is unplaced.
 * - A gap is spread over the 400 days before B at most: more is a clock's fault.
 */
#ifndef EDGEROW_SERIES_H
#define EDGEROW_SERIES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "collector/store/zone.h"
#include "protocol/air/report.h"

/* What placing needs of one report. */
struct series_report {
    int64_t tick_ms; /* end of its last interval, UTC */
    uint32_t fcnt;
    uint32_t entries, exits, short_passes, blocked_2s;
    bool full_totals; /* a daily report: exits and short passes 32 bits, blocked time 24; otherwise
                         16 */
    uint8_t epoch, tick, interval_min;
    uint8_t recent_count;
    uint8_t recent[AIR_RECENT_MAX];
};

/* One change to one hour row. */
struct series_change {
    int64_t hour_s; /* UTC second at which the local hour begins */
    int64_t entries, spread, exits, shorts, blocked_s, covered_s, counted_s;
};

/* Changes by hour, ascending. */
struct series_placing {
    struct series_change *changes;
    size_t count, capacity;
    int64_t unplaced;
};

/* tick_ms: when the report's tick was, from the instant its frame ended. */
int64_t series_tick_ms(const struct air_report *report, int64_t heard_ms, int64_t air_ms);
void series_report_from(const struct air_report *report, uint32_t fcnt, int64_t tick_ms,
                        struct series_report *out);
/* Intervals that ended after older's tick, up to and with newer's. */
int64_t series_intervals(const struct series_report *older, const struct series_report *newer);

/* Adds the segment (older may be NULL: before the first report) to the placing, times sign (+1 or
 * -1). 0 or -ENOMEM, the placing then unchanged. */
int series_place(const struct series_report *older, const struct series_report *newer, int sign,
                 const struct zone *zone, struct series_placing *placing);
void series_placing_free(struct series_placing *placing);

#endif
