#include "protocol/air/airtime.h"

bool air_modulation_low_rate(const struct air_modulation *m)
{
    return ((uint64_t)1000 << m->spreading_factor) > (uint64_t)16 * m->bandwidth_hz;
}

static bool in_range(const struct air_modulation *m)
{
    return m->bandwidth_hz > 0 && m->spreading_factor >= 7 && m->spreading_factor <= 12 &&
           m->coding_rate >= 1 && m->coding_rate <= 4;
}

/* Symbols after the preamble: 8 + max(ceil((8 PL - 4 SF + 28 + 16 CRC - 20 IH) / (4 (SF - 2 DE))),
 * 0) (CR + 4). */
static uint32_t body_symbols(const struct air_modulation *m, uint8_t payload_len)
{
    int sf = m->spreading_factor;
    int bits = 8 * payload_len - 4 * sf + 28 + (m->crc ? 16 : 0) - (m->implicit_header ? 20 : 0);
    int bits_per_block = 4 * (sf - (air_modulation_low_rate(m) ? 2 : 0));
    int blocks = bits > 0 ? (bits + bits_per_block - 1) / bits_per_block : 0;
    return (uint32_t)(8 + blocks * (m->coding_rate + 4));
}

uint32_t air_time_us(const struct air_modulation *m, uint8_t payload_len)
{
    if (!in_range(m))
        return 0;
    /* Quarter symbols, because the preamble is 4.25 symbols longer than programmed. */
    uint64_t quarters = (uint64_t)4 * m->preamble + 17 + (uint64_t)4 * body_symbols(m, payload_len);
    uint64_t numerator = (quarters * 1000000) << m->spreading_factor;
    uint64_t denominator = (uint64_t)4 * m->bandwidth_hz;
    return (uint32_t)((numerator + denominator / 2) / denominator);
}
