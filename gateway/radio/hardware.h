/* Radios on a board's SPI bus and lines. */
#ifndef EDGEROW_RADIO_HARDWARE_H
#define EDGEROW_RADIO_HARDWARE_H

#include "gateway/radio/chip.h"
#include "gateway/settings.h"

extern const struct radio_ops radio_sx127x;
extern const struct radio_ops radio_sx126x;

/* What the settings say about the chip. 0, or -EINVAL with a sentence. */
int hardware_setup(const struct radio_settings *settings, struct chip_setup *setup, char *why,
                   size_t why_size);

#endif
