/*
 * What a station says: 21 to 28 bytes on FPort 10. The layout is specified in AIR.md; this header
 * gives the same fields with their units. A report is a snapshot at a tick: the end of an interval
 * of the station's own clock. Counters are cumulative and never reset by a report.
 */
#ifndef EDGEROW_AIR_REPORT_H
#define EDGEROW_AIR_REPORT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/air/error.h"

enum {
    AIR_REPORT_VERSION = 1,
    AIR_REPORT_MAX = 28,
    AIR_RECENT_MAX = 7,
    AIR_RECENT_SATURATED = 254, /* 254 or more entries in the interval */
    AIR_RECENT_UNKNOWN = 255,   /* the station was not counting for the whole interval */
    AIR_TICK_MODULUS = 64,
    AIR_INTERVAL_MIN_MIN = 1,
    AIR_INTERVAL_MAX_MIN = 60,
    AIR_LEVEL_UNKNOWN = 1023, /* quarter millimetres, 0 to 1000 are valid */
    AIR_LEVEL_MAX_QMM = 1000,
    AIR_TEMPERATURE_UNKNOWN = INT16_MIN,
    AIR_HUMIDITY_UNKNOWN = -1,
    AIR_BATTERY_UNKNOWN = -1,
    AIR_MARK_UNKNOWN = 255,
    AIR_MARK_MAX_MM = 250,
    AIR_REPORT_MIN = 21
};

enum air_report_kind { AIR_REGULAR = 1, AIR_DAILY = 2 };

enum air_flag {
    AIR_FLAG_TILT = 1 << 0,          /* the trap hangs more than 30 degrees from upright, or fell */
    AIR_FLAG_SERVICE = 1 << 1,       /* sent because somebody pressed the service button */
    AIR_FLAG_LEVEL_FAULT = 1 << 2,   /* the level sensor failed its own check */
    AIR_FLAG_COUNTER_FAULT = 1 << 3, /* the beam or its reference failed its own check */
    AIR_FLAG_RESTART = 1 << 4,       /* restarted since the last delivered report */
    AIR_FLAGS_DEFINED = 0x1F         /* the others are sent as 0 and ignored when received */
};

enum air_answer {
    AIR_ANSWER_NONE = 0,
    AIR_ANSWER_DONE = 1,
    AIR_ANSWER_REFUSED = 2,
    AIR_ANSWER_UNKNOWN_ORDER = 3
};

struct air_report {
    enum air_report_kind kind;
    uint8_t epoch;         /* changes when the counters were lost */
    uint32_t entries;      /* total since the epoch began, modulo 2^32 */
    uint32_t exits;        /* regular: low 16 bits; daily: total */
    uint32_t short_passes; /* regular: low 16 bits; daily: total */
    uint32_t blocked_2s;   /* time the beam was blocked, units of 2 s; regular: low 16 bits;
                              daily: low 24 bits */
    uint16_t level_qmm;    /* bait level, quarter millimetres above the floor of the trap */
    uint8_t tick;          /* number of the last completed interval, modulo 64 */
    uint8_t age_256;       /* time since that tick, in 1/256 of the interval */
    uint8_t interval_min;
    uint8_t flags;            /* enum air_flag */
    uint8_t service_sequence; /* 0 to 15: goes up by one at each press of the service button */
    uint8_t order_sequence;   /* 0 to 3: the last order seen */
    enum air_answer order_answer;
    /* regular only */
    int16_t temperature_dc; /* half-degree steps, given here in tenths of a degree Celsius;
                               -400 to 870 */
    int16_t humidity_pm;    /* half-percent steps, given in per mille; 0 to 1000 */
    int16_t battery_mv;     /* under load, 20 mV steps; 1000 to 6080 */
    uint8_t recent_count;   /* 0 to 7 */
    uint8_t
        recent[AIR_RECENT_MAX]; /* entries by interval, the interval that ended at the tick first */
    /* daily only */
    uint8_t full_mark_mm, low_mark_mm; /* as set in the station; 255 unknown */
    uint8_t firmware_major, firmware_minor;
    uint8_t restarts; /* modulo 256 */
};

/* Reads the clear payload of a frame on FPort 10. Touches *report only on success; fields its kind
 * does not carry are unknown or 0. A measurement's reserved code reads as unknown, so that one bad
 * sensor does not cost the counters. A payload of a newer version gives AIR_VERSION: keep its
 * bytes. */
int air_report_decode(const uint8_t *bytes, size_t len, struct air_report *report);
/* Writes a report; *len is 21 + recent_count (regular) or 28 (daily). Values are rounded to the
 * nearest step and counters cut to the bits their kind carries; AIR_RANGE for a value outside its
 * range: send it as unknown instead. */
int air_report_encode(const struct air_report *report, uint8_t bytes[AIR_REPORT_MAX], size_t *len);

#endif
