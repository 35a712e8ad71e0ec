/*
 * gateway.ini: everything the gateway needs to know. One schema table says type, range, default and
 * purpose of every key; the manual page is compared with it in the tests.
 */
#ifndef EDGEROW_GATEWAY_SETTINGS_H
#define EDGEROW_GATEWAY_SETTINGS_H

#include <stdint.h>

#include "common/session.h"
#include "common/settings.h"
#include "gateway/region/region.h"
#include "protocol/feed/health.h"
#include "protocol/feed/topic.h"

enum { GATEWAY_COLLECTORS_MAX = 4, GATEWAY_RADIOS_MAX = FEED_RADIOS_MAX };

/* Order of the choices of [radio.N] driver. */
enum radio_driver { RADIO_DRIVER_SIMULATED, RADIO_DRIVER_SX127X, RADIO_DRIVER_SX126X };
/* Order of the choices of [radio.N] chip. */
enum radio_chip {
    RADIO_CHIP_UNSET,
    RADIO_CHIP_SX1272,
    RADIO_CHIP_SX1276,
    RADIO_CHIP_SX1277,
    RADIO_CHIP_SX1279,
    RADIO_CHIP_SX1261,
    RADIO_CHIP_SX1262,
    RADIO_CHIP_SX1273,
    RADIO_CHIP_SX1278,
    RADIO_CHIP_SX1268,
    RADIO_CHIP_LLCC68
};
/* Order of the choices of [radio.N] amplifier: the pin the antenna hangs on; SX127x only. */
enum radio_amplifier { RADIO_AMPLIFIER_UNSET, RADIO_AMPLIFIER_BOOST, RADIO_AMPLIFIER_RFO };
/* Order of the choices of [radio.N] switch: who moves the antenna switch; SX126x only. */
enum radio_switch { RADIO_SWITCH_UNSET, RADIO_SWITCH_LINES, RADIO_SWITCH_DIO2 };

/* [radio.N]: one transceiver, or one simulated air. A line is "label:offset" (chip label and
 * offset) or a line name; empty: not connected. */
struct radio_settings {
    int driver;   /* enum radio_driver */
    char *board;  /* a preset that fills what is not set below; empty: none */
    int chip;     /* enum radio_chip; chips only */
    char *socket; /* simulated only: path of the socket to listen on */
    char *spi;    /* chips only: /dev/spidevB.C */
    int64_t spi_hz;
    char *reset_line;
    char *interrupt_line;               /* DIO0 of SX127x, DIO1 of SX126x */
    char *busy_line;                    /* SX126x only */
    char *transmit_line, *receive_line; /* antenna switch; empty: the chip or the board does it */
    int amplifier;                      /* enum radio_amplifier */
    int antenna_switch;                 /* enum radio_switch */
    int64_t tcxo_mv;                    /* 0: a crystal, or on SX127x: no external clock */
    int64_t rssi_offset_db;             /* calibration of the board */
    int64_t frequency_hz;
    int64_t bandwidth_hz;     /* 125000, 250000 or 500000 */
    int64_t spreading_factor; /* 7 to 12 */
    int64_t coding_rate;      /* 1 to 4 for 4/5 to 4/8 */
    int sync_word;            /* index: 0x12, 0x34; radio_settings_sync_word() */
    char *country;            /* two letters, ISO 3166; empty: receive only */
    int64_t power_dbm;        /* of answers, at the antenna connector */
    double antenna_dbi;
    int64_t rx1_delay_s; /* from the end of a report to its answer */
};

struct gateway_naming { /* [gateway] */
    char *name, *site;
};

struct gateway_spool { /* [spool] */
    char *path;
    int64_t size_mib;       /* reserved at once */
    int64_t history_days;   /* rows stay this long after every collector has stored them */
    int64_t commit_seconds; /* an unconfirmed frame waits at most this long for its commit */
    int64_t commit_rows;    /* … or until this many wait */
    int64_t window;         /* rows published and not yet marked stored, at most */
};

struct gateway_keys { /* [keys] */
    char *file;
};

struct gateway_collectors { /* [collectors] */
    char *names;            /* as written */
    unsigned count;
    char name[GATEWAY_COLLECTORS_MAX][FEED_NAME_MAX + 1];
};

struct gateway_rehearsal { /* [rehearsal] */
    char *clock;           /* the world's clock socket; empty: the machine's clock */
};

enum panel_level { PANEL_LOW, PANEL_HIGH };

struct panel_settings { /* [panel] */
    char *light_line;   /* empty: none; as the lines of a radio */
    int light_lit;      /* enum panel_level: the level that lights it */
    char *button_line;
    int button_pressed; /* enum panel_level: the level of a pressed button */
};

struct gateway_settings {
    struct gateway_naming gateway;
    struct session_settings broker;
    struct gateway_spool spool;
    struct gateway_keys keys;
    struct gateway_collectors collectors;
    struct panel_settings panel;
    struct gateway_rehearsal rehearsal;
    struct radio_settings radios[GATEWAY_RADIOS_MAX];
    unsigned radio_count;
};

extern const struct settings_schema gateway_schema;

/* Reads, checks each value and what must agree between values. 0, or a negative errno with a
 * sentence. */
int gateway_settings_read(const char *path, struct gateway_settings *settings,
                          struct settings_fault *fault);
void gateway_settings_free(struct gateway_settings *settings);

uint8_t radio_settings_sync_word(const struct radio_settings *radio);
/* What the law of its country lets this radio do (region.h). */
enum region_verdict radio_settings_lawful(const struct radio_settings *radio,
                                          const struct region_band **band, char text[REGION_TEXT]);

#endif
