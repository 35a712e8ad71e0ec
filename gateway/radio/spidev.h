/* An SPI device of the kernel (spidev): mode 0, eight bits, chip select low during a transfer. */
#ifndef EDGEROW_RADIO_SPIDEV_H
#define EDGEROW_RADIO_SPIDEV_H

#include <stddef.h>
#include <stdint.h>

/* A descriptor, or a negative errno with a sentence: device, likely cause, remedy. */
int spidev_open(const char *path, uint32_t hz, char *why, size_t why_size);
/* 0 or a negative errno. Allocates nothing. */
int spidev_transfer(int fd, uint32_t hz, const uint8_t *out, uint8_t *in, size_t len);

#endif
