/*
 * A station as AIR.md describes it: counts in non-volatile memory, ticks of its own clock, reports
 * that are snapshots at a tick and carry the last intervals, frame counters reserved ahead. It
 * keeps no truth: what it counted is told to the ledger interval by interval, what it sent frame by
 * frame.
 */
#ifndef EDGEROW_REHEARSAL_STATION_H
#define EDGEROW_REHEARSAL_STATION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/passes.h"
#include "deploy/rehearsal/place.h"
#include "protocol/air/keys.h"
#include "protocol/air/report.h"

enum { STATION_QUEUE_MAX = 12, STATION_FRAME_MAX = 64 };

struct station_counts {
    uint32_t entries, exits, shorts; /* modulo 2^32, as in the station's memory */
    uint64_t blocked_us;
};

/* A completed interval of the station's clock. */
struct station_interval {
    uint64_t number; /* of this unit, never twice */
    int64_t from_us, to_us;
    uint8_t epoch;
    bool whole; /* it counted for the whole of it */
    uint32_t entries;
    struct station_counts total; /* at its end */
};

/* A frame about to go on the air. */
struct station_frame {
    int64_t from_us;
    uint32_t fcnt;
    uint8_t epoch;
    uint64_t interval; /* number of the interval whose end it reports */
    struct air_report report;
    size_t len;
    uint8_t bytes[STATION_FRAME_MAX];
};

struct station_sink {
    void *user;
    void (*interval)(void *user, size_t unit, const struct station_interval *interval);
    int (*frame)(void *user, size_t unit, const struct station_frame *frame);
};

/* What its sensors see in this slice. */
struct station_senses {
    double level_mm, temperature_c, humidity;
    bool tilted;
};

struct station_sending {
    int64_t at_us;
    uint8_t flags; /* of the event that caused it */
    bool daily, confirmed;
    unsigned tries_left; /* after this one */
};

struct station {
    size_t unit;
    uint32_t devaddr;
    struct air_keys keys;
    struct dice dice;
    /* non-volatile */
    uint8_t epoch;
    struct station_counts counts;
    uint32_t fcnt, fcnt_ceiling;
    uint8_t service_sequence, restarts;
    uint64_t interval_number; /* the next to complete */
    /* since power-up */
    bool powered;
    int64_t powered_us;
    int64_t interval_us; /* true length: its clock drifts */
    int64_t interval_from_us, next_tick_us;
    bool interval_whole;
    uint32_t interval_entries;
    struct station_counts snapshot;
    int64_t snapshot_us;
    unsigned recent_count;
    uint8_t recent[AIR_RECENT_MAX];
    unsigned restart_flags_left;
    int64_t daily_us; /* when the next daily report is sent */
    int64_t event_us; /* when the last button or tilt was reported */
    struct station_sending queue[STATION_QUEUE_MAX];
    unsigned queue_count;
    double drift; /* of its clock, parts of one */
    double battery_mv, battery_mv_per_day;
    int64_t battery_us;
    unsigned interval_min;
    int8_t power_dbm;
    bool was_tilted;
    /* faults */
    bool flat; /* off because its cells are empty */
    bool mute, counter_stuck, counter_fault, level_stuck, level_fault;
    double stuck_level_mm;
};

struct station_settings {
    uint64_t seed;
    unsigned interval_min;
    int8_t power_dbm;
};

int station_make(struct station *station, const struct place_unit *unit, size_t index,
                 const struct station_settings *settings);
void station_free(struct station *station);
/* Switched on at an instant of the slice that comes next. */
void station_power(struct station *station, int64_t at_us, const struct station_sink *sink);
void station_cut(struct station *station); /* no power: what is volatile is gone */
/* Non-volatile counters are lost: a new epoch begins at zero. */
void station_lose_counters(struct station *station, int64_t at_us, const struct station_sink *sink);
/* Under load, now. */
double station_battery_mv(const struct station *station, int64_t at_us);
/* From now on its cells fade within days. */
void station_fade(struct station *station, int64_t at_us);
/* New cells. A station that was off because of the old ones is switched on by the caller. */
void station_change_cells(struct station *station, int64_t at_us);
void station_press(struct station *station, int64_t at_us);

/* Counts the passes of one slice and does what falls due until its end. */
int station_slice(struct station *station, const struct station_senses *senses,
                  const struct passes *passes, const struct station_sink *sink);

/* sending.c */
void sending_queue(struct station *station, const struct station_sending *sending);
int sending_due(struct station *station, const struct station_senses *senses, int64_t until_us,
                const struct station_sink *sink);

#endif
