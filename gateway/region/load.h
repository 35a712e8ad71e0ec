/*
 * How many frames stations lose on one channel because two speak at once. Pure ALOHA (Abramson 1970): a
 * frame survives when no other station begins within one frame's length before or after its own beginning,
 * that is with exp(-2 G), G the load of the others in frames a frame time. Capture is left out, so the
 * truth is better. Pure.
 */
#ifndef EDGEROW_LOAD_H
#define EDGEROW_LOAD_H

#include <stddef.h>
#include <stdint.h>

#include "protocol/air/airtime.h"

enum { LOAD_WARN_PERCENT = 10, LOAD_REFUSE_PERCENT = 30, LOAD_TEXT = 320 };

/* Stations that share a channel, a bandwidth and a spreading factor. */
struct load_channel {
    struct air_modulation modulation;
    uint8_t frame_bytes; /* of a usual report, link layer included */
    uint32_t stations;
    uint32_t interval_s; /* between two reports of one station */
};

struct load_result {
    uint32_t airtime_us;
    double load;            /* share of the time in which somebody sends, collisions left out */
    double loss;            /* expected share of frames lost, 0 to 1 */
    uint32_t most_stations; /* with which the loss stays below LOAD_WARN_PERCENT */
};

/* Expected share of frames lost, 0 to 1. */
double load_loss(double airtime_s, uint32_t stations, double interval_s);

enum load_verdict { LOAD_FINE, LOAD_WARN, LOAD_REFUSED };

/* text: figures in whole sentences and, unless FINE, what helps. */
enum load_verdict load_check(const struct load_channel *channel, struct load_result *result,
                             char text[LOAD_TEXT]);

#endif
