/*
 * A row of a gateway's spool, as published. Rows of one spool are numbered without gaps; the hash of a
 * row covers every row before it, so that a copied or restored spool shows itself.
 */
#ifndef EDGEROW_FEED_ROW_H
#define EDGEROW_FEED_ROW_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/air/report.h"
#include "protocol/feed/error.h"

enum {
    FEED_ID_SIZE = 17 /* 16 hex digits */,
    FEED_HASH_SIZE = 33 /* 32 hex digits */,
    FEED_PAYLOAD_MAX = 242
};

enum feed_row_kind {
    FEED_ROW_FRAME, /* a verified frame */
    FEED_ROW_CLOCK, /* the offset that corrects the times of one boot */
    FEED_ROW_LOSS   /* rows that are gone: the spool was full, or the memory card damaged them */
};

struct feed_frame {
    uint32_t devaddr;
    uint32_t key_check;
    uint32_t fcnt; /* full 32 bits */
    bool confirmed;
    int fport; /* -1: none */
    uint8_t payload_len;
    uint8_t payload[FEED_PAYLOAD_MAX]; /* decrypted */
    int64_t heard_ms;                  /* end of the frame, gateway's clock, UTC */
    bool synchronised;                 /* the kernel called that clock synchronised */
    char boot[FEED_ID_SIZE];           /* which boot of the gateway */
    int64_t boot_ms;                   /* milliseconds since that boot, when heard */
    uint8_t radio;
    uint32_t frequency_hz;
    uint32_t bandwidth_hz;
    uint8_t spreading_factor;
    int16_t rssi_cdbm; /* hundredths of dBm */
    int16_t snr_cdb;   /* hundredths of dB */
    bool has_report;   /* the payload is a report this gateway can read */
    struct air_report
        report; /* the same, decoded, for the integrator; the payload is what counts */
};

struct feed_clock {
    char boot[FEED_ID_SIZE];
    int64_t offset_ms; /* add to heard_ms of unsynchronised rows of that boot */
};

#define FEED_LOSS_DAMAGED "damaged on its memory card"
#define FEED_LOSS_SPOOL   "its whole spool was damaged"

/* Stands where the rows were: its own number is last, and the numbers first to last - 1 are not published
 * again, so whoever has first - 1 goes on to last. */
struct feed_loss {
    uint64_t first, last; /* numbers of the rows given up, inclusive */
    uint64_t
        count; /* frames given up; more than the span when some never had a number. Of FEED_LOSS_SPOOL,
                             which begins a new spool, nobody knows: 1 */
    char why[32]; /* "spool full", "disk full", or one of the above */
};

struct feed_row {
    char spool[FEED_ID_SIZE];
    uint64_t n;      /* from 1 */
    uint64_t oldest; /* the oldest number this spool still holds */
    char hash[FEED_HASH_SIZE];
    enum feed_row_kind kind;
    union {
        struct feed_frame frame;
        struct feed_clock clock;
        struct feed_loss loss;
    };
};

/* JSON text, NUL-terminated; *len without the NUL. */
int feed_row_encode(const struct feed_row *row, char *text, size_t capacity, size_t *len);
int feed_row_decode(const char *text, size_t len, struct feed_row *row, struct feed_fault *fault);

#endif
