/*
 * A transceiver and the air around it, as its datasheet describes them: registers or commands,
 * buffer, modes, lines, timing. Written from the datasheets and independent of the drivers. Time is
 * an argument everywhere (nanoseconds on the bus's own clock) and never goes backwards. Faults can
 * be switched on.
 */
#ifndef EDGEROW_MODEL_H
#define EDGEROW_MODEL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum model_line {
    MODEL_DIO0, /* SX127x: DIO0; SX126x: DIO1: the line the host is woken by */
    MODEL_BUSY, /* SX126x only */
    MODEL_NRESET,
    MODEL_RXEN,
    MODEL_TXEN,
    MODEL_LINES
};

enum { MODEL_PACKET_MAX = 255, MODEL_QUEUE = 64 };

/* A packet on the air. */
struct model_packet {
    int64_t start_ns; /* first preamble symbol */
    uint8_t bytes[MODEL_PACKET_MAX];
    uint8_t len;
    uint32_t frequency_hz, bandwidth_hz;
    uint8_t spreading_factor, coding_rate, sync_word;
    uint16_t preamble;
    bool inverted;    /* IQ as downlinks have it */
    bool crc_present; /* the header says that a payload CRC follows */
    bool crc_bad;     /* it does not match the payload */
    bool header_bad;
    int16_t rssi_dbm;
    int8_t snr_qdb;
    int32_t offset_hz;
    int8_t power_dbm; /* of what the chip itself sent */
    bool spoilt;      /* the chip sent it, but an erratum or the antenna switch was not minded */
};

/* Faults, as a set. */
enum {
    MODEL_SPI_LOW = 1 << 0,    /* MISO stays low, commands are lost */
    MODEL_SPI_HIGH = 1 << 1,   /* MISO stays high, commands are lost */
    MODEL_BUSY_STUCK = 1 << 2, /* BUSY stays high; a reset does not help */
    MODEL_BUSY_HANGS = 1 << 3, /* BUSY stays high until the chip is reset */
    MODEL_LINE_DEAD = 1 << 4,  /* the interrupt wire is broken: reads low for ever */
    MODEL_EDGE_LOST = 1 << 5,  /* the next edge is not reported, the level is; clears itself */
    MODEL_LINE_STUCK = 1 << 6, /* the interrupt line is tied high */
    MODEL_WRONG_VERSION = 1 << 7,
    MODEL_CRC_STORM = 1 << 8,     /* the air is full of packets whose CRC fails */
    MODEL_OSCILLATOR = 1 << 9,    /* the crystal or TCXO does not start */
    MODEL_RECEIVER_DEAF = 1 << 10 /* leaves reception by itself once; clears itself */
};

/* When a second frame is completed although the first is still being read. */
enum model_strike { MODEL_STRIKE_NEVER, MODEL_STRIKE_POINTERS, MODEL_STRIKE_PAYLOAD };

struct model_tally {
    uint64_t delivered; /* good packets put into the buffer, RxDone raised */
    uint64_t crc_errors, header_errors, without_crc;
    uint64_t
        overwritten; /* of the delivered: the next packet was complete before the host had cleared its RxDone */
    uint64_t unheard; /* packets that passed while the chip could not hear them */
    uint64_t sent;
    uint64_t
        faults_spi; /* transfers that the datasheet forbids: while BUSY, in sleep, FIFO asleep … */
    uint64_t resets;
};

struct model;

struct model_events {
    void *user;
    void (*edge)(void *user, int64_t at_ns); /* rising edge of the interrupt line */
    void (*sent)(void *user, const struct model_packet *packet); /* at the end of a transmission */
};

enum model_kind { MODEL_SX1272, MODEL_SX1276, MODEL_SX1262 };

struct model *model_new(enum model_kind kind, const struct model_events *events);
void model_free(struct model *model);

/* Everything up to now_ns happens. */
void model_advance(struct model *model, int64_t now_ns);
/* The next instant at which something will happen by itself; INT64_MAX: nothing is planned. */
int64_t model_next_ns(const struct model *model);
/* One NSS-low period. `in` may be NULL. */
void model_transfer(struct model *model, int64_t now_ns, const uint8_t *out, uint8_t *in,
                    size_t len);
void model_drive(struct model *model, int64_t now_ns, enum model_line line, bool high);
bool model_level(struct model *model, int64_t now_ns, enum model_line line);

/* Puts a packet on the air (packet->start_ns not before the last instant). False: the queue is
 * full. */
bool model_air(struct model *model, const struct model_packet *packet);
/* How many packets wait or are under way. */
size_t model_on_air(const struct model *model);
/* When a packet's last symbol ends. */
int64_t model_packet_end_ns(const struct model_packet *packet);

void model_faults(struct model *model, int64_t now_ns, unsigned faults);
/* The supply dips: everything is lost, the chip starts as after power-up. */
void model_brown_out(struct model *model, int64_t now_ns);
void model_strike(struct model *model, enum model_strike when, const struct model_packet *second);
/* SX126x: a TCXO is fitted and needs this many millivolt from DIO3; 0: a crystal. */
void model_tcxo(struct model *model, uint16_t millivolt);
/* How the board switches its antenna. */
enum model_switch { MODEL_SWITCH_NONE, MODEL_SWITCH_DIO2, MODEL_SWITCH_LINES };
void model_switch(struct model *model, enum model_switch how);

void model_tally(const struct model *model, struct model_tally *tally);
/* Is it receiving now, and on what. For checks of what the driver set up. */
bool model_receiving(const struct model *model, struct model_packet *settings);
/* A register's value as the chip holds it, without side effects. */
uint8_t model_register(const struct model *model, uint16_t address);
/* Spoils a register, as a disturbance does. */
void model_register_set(struct model *model, uint16_t address, uint8_t value);

#endif
