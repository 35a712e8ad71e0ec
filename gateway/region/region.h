/*
 * What the law of a country lets a radio do, as data (bands.csv, countries.csv), and the check of a setting
 * against it. Not legal advice: local rules and a licensed person decide; every refusal and every acceptance
 * for sending says so. Pure.
 */
#ifndef EDGEROW_REGION_H
#define EDGEROW_REGION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum region_power { REGION_ERP, REGION_EIRP, REGION_CONDUCTED };
enum { REGION_NO_DENSITY = 32767, REGION_NO_DUTY = 1000000, REGION_TEXT = 512 };

struct region_band {
    const char *set;
    uint32_t from_khz, to_khz;
    int32_t power_cdbm;        /* hundredths of dBm */
    int32_t power_kind;        /* enum region_power */
    int32_t antenna_cdbi;      /* CONDUCTED: gain above this lowers the limit dB for dB */
    int32_t density_cdbm_3khz; /* REGION_NO_DENSITY: no limit */
    uint32_t fixed_khz;        /* least bandwidth of a channel that does not hop; 0: none */
    uint32_t duty_ppm;         /* share of any hour; REGION_NO_DUTY: no limit */
    uint32_t frame_ms;         /* longest transmission; 0: no limit */
    int32_t listen;            /* listen before talk is demanded */
    int32_t compared; /* with the text of the rule; 0: from memory, so nobody sends by it */
    const char *rule;
};

/* A fixed channel on which a radio sends. */
struct region_use {
    const char *country; /* ISO 3166, two letters; "" or NULL: not given */
    uint32_t frequency_hz, bandwidth_hz;
    uint8_t spreading_factor, coding_rate;
    uint8_t longest;      /* bytes of the longest frame */
    int32_t power_cdbm;   /* at the antenna connector */
    int32_t antenna_cdbi; /* gain less cable loss */
};

enum region_verdict {
    REGION_LAWFUL, /* as far as this data goes */
    REGION_RECEIVE_ONLY, /* country not given or not known, or its rule not compared: it may hear, not send */
    REGION_REFUSED /* a rule forbids it; the text says which, and what would be lawful */
};

/* text: what applies, in whole sentences, with the caution; never empty. *band is set when LAWFUL. */
enum region_verdict region_check(const struct region_use *use, const struct region_band **band,
                                 char text[REGION_TEXT]);

/* NULL: unknown. Case does not matter. */
const char *region_country_name(const char *country);
/* The band that holds the whole channel and whose rule was compared with its text, or NULL: do not send. */
const struct region_band *region_band_of(const char *country, uint32_t frequency_hz,
                                         uint32_t bandwidth_hz);

struct region_channel {
    uint32_t frequency_hz, bandwidth_hz;
    uint8_t spreading_factor;
};
/* Where a station's stock stack listens in RX1. United States and Australia: the 500 kHz uplink channels at
 * spreading factor 8 are answered on the 500 kHz channels from 923.3 MHz, at 7; every other channel is
 * answered where it was heard. */
struct region_channel region_rx1(const char *country, const struct region_channel *uplink);

#endif
