/*
 * The air between stations and gateways: loss by log-distance and shadowing, a wet canopy that
 * swallows frames in bursts, collisions of frames that overlap on one channel, with capture by the
 * stronger. No published pair of exponent and deviation for a vineyard was found; the ones used are
 * assumptions. What it hands on is what each gateway's radio hears.
 */
#ifndef EDGEROW_REHEARSAL_WAVES_H
#define EDGEROW_REHEARSAL_WAVES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/place.h"
#include "deploy/rehearsal/weather.h"

enum { WAVES_BYTES_MAX = 64 };

/* Who sent which frame; the ledger's key. */
struct waves_origin {
    size_t unit;
    uint64_t report; /* the ledger's number of the frame */
};

/* One copy of a frame at one gateway. */
struct waves_copy {
    struct waves_origin origin;
    size_t gateway;
    int64_t at_us; /* end of the frame */
    uint8_t len;
    uint8_t bytes[WAVES_BYTES_MAX];
    struct place_channel channel;
    double rssi_dbm, snr_db;
    bool echo; /* a repeat of a copy this gateway heard before */
};

struct waves_settings {
    uint64_t seed;
    double loss;    /* share of copies lost besides what physics takes, each on its own */
    double wet;     /* 1: canopy bursts as modelled; 0: none */
    double repeats; /* share of copies that a gateway hears twice within a minute */
    bool capture;
};

struct waves;
typedef void (*waves_heard)(void *user, const struct waves_copy *copy);

int waves_open(struct waves **waves, const struct place *place,
               const struct waves_settings *settings);
void waves_close(struct waves *waves);

/* A frame begins at from_us. at: where its station hangs. 0 or -ENOMEM. */
int waves_send(struct waves *waves, struct waves_origin origin, struct place_point at,
               int8_t power_dbm, int64_t from_us, const uint8_t *bytes, size_t len);
/* One slice of weather for the canopy. */
void waves_weather(struct waves *waves, const struct weather_hour *hour, int64_t from_us,
                   int64_t length_us);
/* Everything that ended by until_us is heard, by time; frames that began before it must all be
 * sent. */
int waves_settle(struct waves *waves, int64_t until_us, waves_heard heard, void *user);
/* A deaf gateway hears nothing (radio dead, no power). */
void waves_deafen(struct waves *waves, size_t gateway, bool deaf);
/* Frames sent, and copies that a collision took. */
void waves_counts(const struct waves *waves, uint64_t *sent, uint64_t *collided);

#endif
