/*
 * What a channel carries and loses, as this gateway hears it over the last hours: the time on air of every packet,
 * and the gaps in the frame counters of our own units. Beside it stands the loss that the published formula
 * (region/load.h) expects from as many frames, so that a loss by collision can be told from one by distance.
 * Pure; times are event times and may jump.
 */
#ifndef EDGEROW_GATEWAY_TRAFFIC_H
#define EDGEROW_GATEWAY_TRAFFIC_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/feed/health.h"

struct verify_table;

enum {
    TRAFFIC_SLICES = 24,
    TRAFFIC_SLICE_S = 900,
    TRAFFIC_WINDOW_S = TRAFFIC_SLICES * TRAFFIC_SLICE_S,
    TRAFFIC_GAP_MOST =
        64, /* a wider gap is a unit that was away, or resumed its counter at the ceiling */
    TRAFFIC_FRAMES_LEAST = 20, /* fewer say nothing about a share */
    TRAFFIC_HEARD_S = 3600
};

struct traffic_slice {
    int64_t number; /* of the quarter of an hour since 1970 */
    uint64_t airtime_us;
    uint32_t packets; /* of anybody */
    uint32_t heard;   /* new frames of our units */
    uint32_t missed;  /* gaps in their counters, by all radios of this gateway together */
};

struct traffic_radio {
    int64_t since_us; /* of the first packet or report; -1: neither yet */
    struct traffic_slice slices[TRAFFIC_SLICES];
};

struct traffic {
    struct traffic_radio radios[FEED_RADIOS_MAX];
};

/* Where the counter of a unit stood before the frame. */
struct traffic_frame {
    uint32_t fcnt, previous;
    bool known;     /* the unit was heard before */
    bool restarted; /* its report says so: the counter may have jumped */
    int64_t previous_us;
};

/* Begins anew: at the start, and when the clock was set. */
void traffic_begin(struct traffic *traffic);
void traffic_packet(struct traffic *traffic, unsigned radio, uint32_t airtime_us, int64_t at_us);
void traffic_heard(struct traffic *traffic, unsigned radio, const struct traffic_frame *frame,
                   int64_t at_us);

/* Fills the measured part of a radio's health. stations: that share the channel. */
void traffic_report(struct traffic *traffic, unsigned radio, uint32_t stations, int64_t now_us,
                    struct feed_radio_health *health);
/* Units heard within the last hour. */
uint32_t traffic_stations(struct verify_table *table, int64_t now_us);

#endif
