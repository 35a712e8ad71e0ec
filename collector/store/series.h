/*
 * From reports to hourly passes: pure. A series is kept as its reports in FCnt order; the passes between
 * two neighbours are a function of those two reports alone, so the rows do not depend on the order or
 * batching in which reports came. Inserting a report takes back the segment between its neighbours and
 * places the two new ones.
 *
 * The rule of placing, between older report A and newer report B of one series:
 *   total   = B.entries - A.entries modulo 2^32 (the authority)
 *   B's intervals since A's tick: their number is (B.tick - A.tick) modulo 64, taken with the elapsed time
 *             to resolve the wraps; the first AIR_RECENT_MAX at most are carried by B
 *   a carried interval that is known gives its passes to the local hour that holds its middle; a saturated
 *             one at least 254, unknown none; what remains of the total is spread in whole numbers over the
 *             saturated and uncovered time, and marked as spread; where the carried intervals exceed the total
 *             (a station's fault), they are scaled to the total
 *   exits, short passes and blocked time have no intervals: in proportion to the entries placed, or to time
 * Before the first report: its known intervals are placed; the rest of its counter is unplaced.
 */
#ifndef EDGEROW_SERIES_H
#define EDGEROW_SERIES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/air/report.h"

/* What is known of one report. */
struct series_report {
    uint32_t fcnt;
    int64_t tick_ms;          /* end of its last interval: heard less air time less age */
    struct air_report report;
};

/* One change to one hour row. */
struct series_change {
    int64_t hour_s;           /* UTC second at which the local hour begins */
    int64_t entries, spread, exits, shorts, blocked_s, covered_s;
};

/* Local hours of the site: maps an instant to the UTC second at which its local hour begins. */
typedef int64_t (*series_hour_of)(void *zone, int64_t at_s);

struct series_placing {
    struct series_change *changes; /* caller frees with free() */
    size_t count, capacity;
    int64_t unplaced;
};

/* Adds the segment (older may be NULL: before the first report) to the placing, times sign (+1 or -1).
 * 0 or -ENOMEM. */
int series_place(const struct series_report *older, const struct series_report *newer, int sign,
                 series_hour_of hour_of, void *zone, struct series_placing *placing);

#endif
