/*
 * What differs between families of transceivers, behind one table. transceiver.c owns the life of a
 * chip (when to listen, read, send, verify, start again); a family says how. Functions return 0 or
 * a negative errno; those with `why` then write a sentence for the operator.
 */
#ifndef EDGEROW_RADIO_CHIP_H
#define EDGEROW_RADIO_CHIP_H

#include "gateway/radio/bus.h"
#include "gateway/radio/radio.h"

enum chip_model {
    CHIP_SX1272,
    CHIP_SX1273,
    CHIP_SX1276,
    CHIP_SX1277,
    CHIP_SX1278,
    CHIP_SX1279,
    CHIP_SX1261,
    CHIP_SX1262,
    CHIP_SX1268,
    CHIP_LLCC68,
    CHIP_MODELS
};

/* How a board wires its chip. Fixed after start. */
struct chip_setup {
    enum chip_model model;
    struct radio_channel channel;
    int8_t power_dbm;
    bool boost;             /* SX127x: the antenna hangs on PA_BOOST, not on RFO */
    bool tcxo;              /* SX127x: an external clock drives XTA */
    uint16_t tcxo_mv;       /* SX126x: DIO3 feeds a TCXO with this voltage; 0: a crystal */
    uint32_t tcxo_start_us; /* SX126x: how long the TCXO needs; 0: 5 ms */
    bool dio2_switch;       /* SX126x: DIO2 drives the antenna switch */
    bool ldo;               /* SX126x: no inductor for the DC-DC converter is fitted */
    int8_t rssi_offset_db;  /* calibration of the board */
};

struct chip {
    struct bus bus;
    struct chip_setup setup;
    uint8_t out[RADIO_PACKET_MAX + 8]; /* the bytes of one transfer */
    uint8_t in[RADIO_PACKET_MAX + 8];
    int failure;           /* the first since chip_begin() */
    const char *failed_at; /* "SPI", "busy line", … */
};

/* What one look at the chip found. */
struct chip_seen {
    bool received; /* packet holds a good one */
    bool crc_error, header_error, no_crc,
        moved; /* moved: another packet came while this one was read */
    bool sent;
    bool nothing; /* no flag was set */
};

struct chip_ops {
    const char *name;
    uint32_t
        lead_us; /* from the command to transmit, in the synthesizer's mode, to the first symbol */
    /* Resets, identifies and configures the chip; it ends in standby. */
    int (*start)(struct chip *chip, char *why, size_t why_size);
    int (*listen)(struct chip *chip);
    /* Reads the flags, clears those that were seen, and fetches a packet when one is there. */
    int (*look)(struct chip *chip, struct radio_packet *packet, struct chip_seen *seen);
    /* Standby, channel, payload, power, synthesizer: everything but the transmission itself. */
    int (*load)(struct chip *chip, const struct radio_sending *sending);
    int (*transmit)(struct chip *chip);
    /* Standby, and the channel of reception again. */
    int (*restore)(struct chip *chip);
    /* Is it receiving, on the right frequency, with the right sync word? */
    int (*verify)(struct chip *chip, char *why, size_t why_size);
    /* How long the interrupt trails the end of the packet. */
    uint32_t (*done_delay_us)(uint32_t bandwidth_hz, uint8_t spreading_factor);
};

extern const struct chip_ops chip_sx127x;
extern const struct chip_ops chip_sx126x;

const char *chip_name(enum chip_model model);
/* CHIP_MODELS: unknown. Case does not matter. */
enum chip_model chip_by_name(const char *name);
const struct chip_ops *chip_family(enum chip_model model);
/* Is the channel within the chip's bands and spreading factors, and the power within its amplifier?
 * 0, or -EINVAL with a sentence. */
int chip_accepts(const struct chip_setup *setup, char *why, size_t why_size);
int chip_accepts_sending(const struct chip_setup *setup, const struct radio_sending *sending);

/* Shared by the families. A failure is remembered in chip->failure; later calls then do nothing, so
 * that a sequence is checked once, at its end. */
void chip_begin(struct chip *chip);
int chip_end(const struct chip *chip);
void chip_transfer(struct chip *chip, size_t len);
void chip_line(struct chip *chip, enum bus_line line, bool high);
void chip_fail(struct chip *chip, int failure, const char *at);
enum chip_switch { CHIP_SWITCH_OFF, CHIP_SWITCH_RECEIVE, CHIP_SWITCH_TRANSMIT };
/* The antenna switch, where the board has lines for it; never both on. */
void chip_switch(struct chip *chip, enum chip_switch to);

#endif
