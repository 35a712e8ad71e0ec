/*
 * From a packet to a row that waits: verify, stamp, add. Counts every verdict, and says once per
 * kind and minute what a person can act on.
 */
#ifndef EDGEROW_GATEWAY_HEARING_H
#define EDGEROW_GATEWAY_HEARING_H

#include <stdbool.h>
#include <stdint.h>

#include "common/log.h"
#include "gateway/radio/radio.h"
#include "gateway/spool/spool.h"
#include "gateway/traffic.h"
#include "gateway/verify/verify.h"

struct hearing {
    struct verify_table *table;
    struct spool *spool;
    struct traffic traffic;
    uint8_t coding_rate[FEED_RADIOS_MAX]; /* of each radio's channel */
    char boot[FEED_ID_SIZE];
    uint64_t counts[VERIFY_VERDICTS];
    struct log_gate gates[VERIFY_VERDICTS];
};

/* The instants at which a packet ended, on the clocks of clock.h. */
struct hearing_time {
    int64_t event_us, boot_us;
    bool own; /* the packet brought its own event time, which is exact */
};

/* What the caller may have to do next. */
struct hearing_outcome {
    struct verify_result result;
    bool urgent; /* a confirmed frame waits for its commit */
};

void hearing_packet(struct hearing *hearing, const struct radio_packet *packet,
                    const struct hearing_time *time, int64_t transport_us,
                    struct hearing_outcome *outcome);

#endif
