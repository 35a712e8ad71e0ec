/*
 * The life of one chip: start, receive continuously, send on time, verify every ten seconds,
 * recover. It fits the radio's ops table; whoever runs transceiver_service() (a thread, or a test
 * with a clock of its own) waits at most transceiver_timeout_us() or until the descriptor is
 * readable. Nothing is allocated after opening.
 */
#ifndef EDGEROW_RADIO_TRANSCEIVER_H
#define EDGEROW_RADIO_TRANSCEIVER_H

#include <stdatomic.h>

#include "gateway/radio/chip.h"

struct transceiver;

/* Held by the radio that transmits: a gateway sends with one radio at a time. */
struct transceiver_turn {
    atomic_bool taken;
};

struct transceiver_setup {
    struct chip_setup chip;
    struct bus bus;
    uint8_t radio;                 /* its number */
    struct transceiver_turn *turn; /* shared by the gateway's radios; may be NULL */
};

enum {
    TRANSCEIVER_POLL_US = 2000000,    /* in case an edge was missed */
    TRANSCEIVER_FAST_POLL_US = 10000, /* when edges never come */
    TRANSCEIVER_VERIFY_US = 10000000,
    TRANSCEIVER_EARLY_US = 5000, /* reception ends this long before a transmission */
    TRANSCEIVER_QUEUE = 32,      /* sendings that wait for their time */
    TRANSCEIVER_LATE_US = 1000,  /* later than this is not sent */
    TRANSCEIVER_RETRY_MOST_US = 60000000,
    TRANSCEIVER_TROUBLE_US = 60000000 /* a cured trouble is shown this long */
};

/* Checks the setup against the chip's limits. Does not talk to the chip: the first service() does.
 * The bus stays the caller's. */
int transceiver_open(struct transceiver **transceiver, const struct transceiver_setup *setup,
                     radio_deliver deliver, void *sink, char *why, size_t why_size);
void transceiver_close(struct transceiver *transceiver);
int transceiver_descriptor(const struct transceiver *transceiver);
int64_t transceiver_timeout_us(struct transceiver *transceiver, int64_t now_us);
void transceiver_service(struct transceiver *transceiver);
/* From another thread: 0, -EBUSY when it would overlap one that waits or too many wait, -ETIME when it is
 * due too soon, -EINVAL, -EIO when the chip does not work. */
int transceiver_send(struct transceiver *transceiver, const struct radio_sending *sending);
void transceiver_counts(struct transceiver *transceiver, struct radio_counts *counts);

#endif
