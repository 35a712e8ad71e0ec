/* The bus of a real board: one spidev, the lines a radio is wired to, the monotonic clock. */
#ifndef EDGEROW_RADIO_WIRING_H
#define EDGEROW_RADIO_WIRING_H

#include "gateway/radio/bus.h"

struct wiring;

struct wiring_plan {
    const char *spi;
    uint32_t spi_hz;
    const char *lines[BUS_LINES]; /* NULL or empty: not connected */
    bool reset_high;              /* the level at which the reset line lets the chip run */
};

/* 0, or a negative errno with a sentence that names device, line, likely cause and remedy. */
int wiring_open(struct wiring **wiring, const struct wiring_plan *plan, struct bus *bus, char *why,
                size_t why_size);
void wiring_close(struct wiring *wiring);

#endif
