/* LoRa time on air: SX1276 datasheet section 4.1.1.7 (also AN1200.13). Integers only. */
#ifndef EDGEROW_AIR_AIRTIME_H
#define EDGEROW_AIR_AIRTIME_H

#include <stdbool.h>
#include <stdint.h>

struct air_modulation {
    uint32_t bandwidth_hz;    /* 125000, 250000, 500000 */
    uint8_t spreading_factor; /* 7 to 12 */
    uint8_t coding_rate;      /* 1 to 4 for 4/5 to 4/8 */
    uint16_t preamble;        /* programmed symbols, usually 8 */
    bool crc;                 /* true for uplinks, false for downlinks */
    bool implicit_header;
};

/* Low data rate optimisation: mandated when a symbol lasts longer than 16 ms. */
bool air_modulation_low_rate(const struct air_modulation *m);
/* Microseconds on air of a packet with payload_len bytes, rounded to nearest. 0 for
 * settings outside the ranges above. */
uint32_t air_time_us(const struct air_modulation *m, uint8_t payload_len);

#endif
