/*
 * One radio behind one table. A driver turns a chip, or a simulated air, into frames in a bounded
 * ring; the loop takes them out. Chips run in a thread of their own (radio/thread.c) which
 * allocates nothing and touches no disk; the simulated radio reads its socket in the loop. Both
 * pass the same gate: everything behind this header treats them alike.
 */
#ifndef EDGEROW_RADIO_H
#define EDGEROW_RADIO_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { RADIO_PACKET_MAX = 255, RADIO_TROUBLE_MAX = 256 };

/* What was received. */
struct radio_packet {
    uint8_t bytes[RADIO_PACKET_MAX];
    uint8_t len;
    uint8_t radio;     /* which of the gateway's radios */
    int16_t rssi_cdbm; /* hundredths of dBm */
    int16_t snr_cdb;   /* hundredths of dB */
    int32_t offset_hz; /* carrier offset where the chip measures it, otherwise 0 */
    uint32_t frequency_hz;
    uint32_t bandwidth_hz;
    uint8_t spreading_factor;
    int64_t transport_us; /* end of the packet on the monotonic clock: time zero of RX1 */
    bool timed;           /* transport_us is exact; false: found late, too inexact for an answer */
    int64_t event_us;     /* the same on the event clock; 0: stamp it from transport_us */
};

/* What is to be sent: an answer in a station's receive window. */
struct radio_sending {
    uint8_t bytes[RADIO_PACKET_MAX];
    uint8_t len;
    uint32_t frequency_hz;
    uint32_t bandwidth_hz;
    uint8_t spreading_factor;
    int8_t power_dbm;
    int64_t due_us;        /* transport time of the first preamble symbol */
    uint32_t due_after_us; /* the same, after the end of the packet that is answered */
};

struct radio_channel {
    uint32_t frequency_hz;
    uint32_t bandwidth_hz;    /* 125000, 250000, 500000 */
    uint8_t spreading_factor; /* 7 to 12 */
    uint8_t sync_word;        /* 0x12 or 0x34 */
    uint8_t coding_rate;      /* 1 to 4 */
};

/* Counted by the driver; the loop gets a copy. */
struct radio_counts {
    uint64_t packets, crc_errors, header_errors, ring_full, sent, deaf_us;
    uint64_t without_crc; /* discarded: a report always carries a payload CRC */
    uint64_t overrun;     /* discarded: another packet came before this one was read */
    uint64_t restarts;    /* of the chip, after its first start */
    uint64_t sent_late;   /* not sent, because it would have begun more than 1 ms late */
    bool working;
    char trouble[RADIO_TROUBLE_MAX];
};

struct radio;          /* a driver's own state */
struct radio_settings; /* gateway/settings.h: one [radio.N] section */

/* Drivers call this from their own context; it never blocks. False: the ring was full. */
typedef bool (*radio_deliver)(void *sink, const struct radio_packet *packet);

struct radio_ops {
    const char *name; /* "simulated", "sx127x", "sx126x" */
    bool threaded;    /* service() runs in a real-time thread of its own */
    /* 0, or a negative errno with a sentence for the operator: device, line, likely cause, remedy.
     */
    int (*open)(struct radio **radio, const struct radio_settings *settings, radio_deliver deliver,
                void *sink, char *why, size_t why_size);
    void (*close)(struct radio *radio);
    /* Descriptor to wait on for reading, and how long to wait at most before service() must run
     * again. */
    int (*descriptor)(const struct radio *radio);
    int64_t (*timeout_us)(const struct radio *radio, int64_t now_us);
    /* Does what is due: takes packets, sends what was accepted, checks and mends the chip. */
    void (*service)(struct radio *radio, int64_t now_us);
    /* Accepts a sending: 0, -EBUSY when it would overlap another one, -ETIME when too late, -EINVAL. */
    int (*send)(struct radio *radio, const struct radio_sending *sending);
    void (*counts)(const struct radio *radio, struct radio_counts *counts);
};

extern const struct radio_ops radio_simulated;

#endif
