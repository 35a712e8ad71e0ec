/* Health of a gateway and of a collector: counters since start and gauges now. */
#ifndef EDGEROW_FEED_HEALTH_H
#define EDGEROW_FEED_HEALTH_H

#include "protocol/feed/row.h"

enum { FEED_RADIOS_MAX = 4 };

struct feed_radio_health {
    bool working;
    uint64_t frames; /* handed to verification */
    uint64_t crc_errors, header_errors;
    uint64_t ring_full; /* frames lost between radio and loop */
    uint64_t restarts;
    uint64_t deaf_ms;     /* time spent transmitting or restarting */
    bool answers;         /* the law of its country, as far as it is known, lets it send */
    uint64_t sent;        /* answers */
    uint64_t sent_late;   /* answers not sent, because they would have begun more than 1 ms late */
    uint64_t overrun;     /* packets lost because another came before they were read */
    uint64_t without_crc; /* packets without a payload checksum: no station's */
    uint64_t duty_ms;     /* sent within the last hour in the sub-band of its answers */
    int64_t duty_most_ms; /* as much as may be sent; -1: no limit */
    /* Measured over the last six hours, or since the start. */
    uint64_t window_s;         /* how long that was */
    uint64_t heard, missed;    /* frames of our units; gaps in their counters */
    int32_t load_ppm;          /* share of the time in which a packet was received; -1: too early */
    int32_t loss_ppm;          /* missed, of all that were sent; -1: too few frames */
    int32_t expected_loss_ppm; /* what as many frames on one channel lose to each other; -1 */
    char trouble[256];         /* empty when none */
};

struct feed_gateway_health {
    int64_t at_ms;
    bool synchronised;
    char run[FEED_ID_SIZE]; /* random, of this start of the gateway: leases name it */
    uint64_t accepted;      /* new frames */
    uint64_t repeated;      /* same counter, same bytes, within 60 s */
    uint64_t replayed;      /* good MIC, counter already used, not a repeat */
    uint64_t restarted;     /* good MIC, counter started again: re-key the station */
    uint64_t forged;        /* known address, bad MIC */
    uint64_t unknown;       /* address not in the key file */
    uint64_t unusable;      /* too short, not a data frame, bad layout */
    char spool[FEED_ID_SIZE];
    uint64_t last_n, oldest_n, marked_n; /* marked: the lowest mark of all configured collectors */
    uint64_t thinned;                    /* rows given up */
    uint64_t waiting;                    /* frames in memory whose commit is still to come */
    uint64_t marks_refused;              /* stored marks that the spool's own hash contradicts */
    uint64_t marks_ignored; /* stored marks of another spool or of a collector not configured */
    char trouble[96];       /* of the gateway itself, for instance "disk full"; empty when none */
    uint64_t spool_bytes, disk_free_bytes;
    uint64_t stations; /* units heard within the last hour */
    uint8_t radio_count;
    struct feed_radio_health radios[FEED_RADIOS_MAX];
};

struct feed_collector_health {
    int64_t at_ms;
    char store[FEED_ID_SIZE];
    uint64_t rows, reports, repeats, quarantined, conflicts, ignored;
    uint64_t traps, traps_due, stations_silent, notices_open, deliveries_waiting;
    uint64_t store_bytes, disk_free_bytes;
};

int feed_gateway_health_encode(const struct feed_gateway_health *h, char *text, size_t capacity,
                               size_t *len);
int feed_gateway_health_decode(const char *text, size_t len, struct feed_gateway_health *h,
                               struct feed_fault *fault);
int feed_collector_health_encode(const struct feed_collector_health *h, char *text, size_t capacity,
                                 size_t *len);
int feed_collector_health_decode(const char *text, size_t len, struct feed_collector_health *h,
                                 struct feed_fault *fault);

#endif
