/*
 * The seam between a transceiver's driver and the machine: one SPI device, a few lines, a clock.
 * Behind it lies the hardware (spidev.c, gpiod.c), or in tests a model of the chip with a clock of
 * its own. Nothing here allocates. Functions return 0 or a negative errno unless said otherwise.
 */
#ifndef EDGEROW_RADIO_BUS_H
#define EDGEROW_RADIO_BUS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum bus_line { BUS_INTERRUPT, BUS_BUSY, BUS_RESET, BUS_RECEIVE, BUS_TRANSMIT, BUS_LINES };

struct bus_ops {
    /* One period with NSS low, full duplex; `in` may be NULL. */
    int (*transfer)(void *self, const uint8_t *out, uint8_t *in, size_t len);
    int (*line_set)(void *self, enum bus_line line, bool high);
    int (*line_get)(void *self, enum bus_line line); /* 0, 1 or a negative errno */
    /* Takes the oldest rising edge of the interrupt line, with the kernel's stamp on the monotonic
     * clock. 1: taken; 0: none waits. Never blocks. */
    int (*edge_take)(void *self, int64_t *at_us);
    int (*descriptor)(const void *self); /* readable while an edge waits */
    int64_t (*now_us)(void *self);       /* monotonic */
    void (*sleep_until)(void *self, int64_t at_us);
    void (*close)(void *self); /* may be NULL */
};

struct bus {
    const struct bus_ops *ops;
    void *self;
    bool has[BUS_LINES]; /* which lines are connected */
};

static inline void bus_sleep(const struct bus *bus, int64_t us)
{
    bus->ops->sleep_until(bus->self, bus->ops->now_us(bus->self) + us);
}

#endif
