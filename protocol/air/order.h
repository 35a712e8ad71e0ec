/*
 * What a station is told: on FPort 11, in RX1. An order sets absolute values; only one is
 * outstanding for a station; the station answers in its next report. Layout in AIR.md.
 */
#ifndef EDGEROW_AIR_ORDER_H
#define EDGEROW_AIR_ORDER_H

#include <stddef.h>
#include <stdint.h>

#include "protocol/air/error.h"

enum { AIR_ORDER_VERSION = 1, AIR_ORDER_MAX = 12 };

enum air_order_kind {
    AIR_ORDER_INTERVAL = 1,   /* reporting interval */
    AIR_ORDER_MARKS = 2,      /* full and low mark */
    AIR_ORDER_CHANNEL = 3,    /* frequency, bandwidth, spreading factor */
    AIR_ORDER_POWER = 4,      /* transmit power */
    AIR_ORDER_DIAGNOSTICS = 5 /* send a daily report now */
};

struct air_order {
    enum air_order_kind kind;
    uint8_t sequence;                  /* 0 to 3, next after the last one answered */
    uint8_t interval_min;              /* INTERVAL: 1 to 60 */
    uint8_t full_mark_mm, low_mark_mm; /* MARKS: low below full, both at most 250 */
    uint32_t frequency_hz;             /* CHANNEL: sent in units of 100 Hz, 24 bits */
    uint32_t bandwidth_hz;             /* CHANNEL: 125000, 250000 or 500000 */
    uint8_t spreading_factor;          /* CHANNEL: 7 to 12 */
    int8_t power_dbm;                  /* POWER: -9 to 30 */
};

int air_order_decode(const uint8_t *bytes, size_t len, struct air_order *order);
int air_order_encode(const struct air_order *order, uint8_t bytes[AIR_ORDER_MAX], size_t *len);

#endif
