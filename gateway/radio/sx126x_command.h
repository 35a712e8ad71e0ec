/*
 * Commands and registers of the SX126x family, "DS" being DS_SX1261-2: each waits until BUSY is low, then is one
 * transfer. A failure is remembered in the chip (chip.h), and later calls do nothing.
 */
#ifndef EDGEROW_RADIO_SX126X_COMMAND_H
#define EDGEROW_RADIO_SX126X_COMMAND_H

#include "gateway/radio/chip.h"

/* DS chapter 11 and 13. */
enum {
    CLEAR_IRQ = 0x02,
    CLEAR_ERRORS = 0x07,
    SET_IRQ = 0x08,
    WRITE_REGISTER = 0x0D,
    WRITE_BUFFER = 0x0E,
    GET_IRQ = 0x12,
    GET_RECEIVED = 0x13,
    GET_PACKET_STATUS = 0x14,
    GET_ERRORS = 0x17,
    READ_REGISTER = 0x1D,
    READ_BUFFER = 0x1E,
    SET_STANDBY = 0x80,
    SET_RX = 0x82,
    SET_TX = 0x83,
    SET_FREQUENCY = 0x86,
    CALIBRATE = 0x89,
    SET_PACKET_TYPE = 0x8A,
    SET_MODULATION = 0x8B,
    SET_PACKET = 0x8C,
    SET_TX_PARAMS = 0x8E,
    SET_BUFFER_BASE = 0x8F,
    SET_FALLBACK = 0x93,
    SET_PA = 0x95,
    SET_REGULATOR = 0x96,
    SET_TCXO = 0x97,
    CALIBRATE_IMAGE = 0x98,
    SET_DIO2_SWITCH = 0x9D,
    GET_STATUS = 0xC0,
    SET_FS = 0xC1
};

/* DS table 12-1; 0x076B as in the vendor's published driver. */
enum {
    REG_IQ = 0x0736,
    REG_SYNC_WORD = 0x0740,
    REG_RECEIVED =
        0x076B, /* bit 4: a payload CRC was present; bits 3 to 0 and two more bytes: offset */
    REG_TX_MODULATION = 0x0889,
    REG_RX_GAIN = 0x08AC,
    REG_TX_CLAMP = 0x08D8
};

/* How long BUSY may stay high: after a usual command, and after a reset. */
enum { SX126X_READY_US = 20000, SX126X_START_US = 50000 };

void sx126x_wait_ready(struct chip *chip, int64_t limit_us);
/* Sends the first `len` bytes of chip->out. */
void sx126x_command(struct chip *chip, size_t len);
/* A command with one, two or four parameters. */
void sx126x_set1(struct chip *chip, uint8_t opcode, uint8_t a);
void sx126x_set2(struct chip *chip, uint8_t opcode, uint8_t a, uint8_t b);
void sx126x_set4(struct chip *chip, uint8_t opcode, const uint8_t a[4]);
/* The answer, in chip->in until the next command. */
const uint8_t *sx126x_get(struct chip *chip, uint8_t opcode, size_t count);
void sx126x_put_register(struct chip *chip, uint16_t address, uint8_t value);
const uint8_t *sx126x_get_registers(struct chip *chip, uint16_t address, size_t count);
void sx126x_change_register(struct chip *chip, uint16_t address, uint8_t clear, uint8_t set);
/* DS table 13-76: 2 standby on RC, 5 receiving, …; 0 or 7: nobody answers. */
uint8_t sx126x_status_mode(struct chip *chip);

#endif
