#include "gateway/radio/wiring.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "gateway/radio/gpiod.h"
#include "gateway/radio/spidev.h"

struct wiring {
    int spi;
    uint32_t spi_hz;
    struct gpio_line *lines[BUS_LINES];
};

static int transfer(void *self, const uint8_t *out, uint8_t *in, size_t len)
{
    const struct wiring *w = self;

    return spidev_transfer(w->spi, w->spi_hz, out, in, len);
}

static int line_set(void *self, enum bus_line line, bool high)
{
    struct wiring *w = self;

    return gpio_line_set(w->lines[line], high);
}

static int line_get(void *self, enum bus_line line)
{
    struct wiring *w = self;

    return gpio_line_get(w->lines[line]);
}

static int edge_take(void *self, int64_t *at_us)
{
    struct wiring *w = self;

    return gpio_line_edge(w->lines[BUS_INTERRUPT], at_us);
}

static int descriptor(const void *self)
{
    const struct wiring *w = self;

    return gpio_line_descriptor(w->lines[BUS_INTERRUPT]);
}

static int64_t now_us(void *self)
{
    struct timespec t;

    (void)self;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000LL + t.tv_nsec / 1000;
}

static void sleep_until(void *self, int64_t at_us)
{
    struct timespec t = {.tv_sec = at_us / 1000000, .tv_nsec = at_us % 1000000 * 1000};

    (void)self;
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR)
        ;
}

static const struct bus_ops wiring_ops = {
    .transfer = transfer,
    .line_set = line_set,
    .line_get = line_get,
    .edge_take = edge_take,
    .descriptor = descriptor,
    .now_us = now_us,
    .sleep_until = sleep_until,
};

static enum gpio_use use_of(enum bus_line line, const struct wiring_plan *plan)
{
    switch (line) {
    case BUS_INTERRUPT:
        return GPIO_RISING_EDGES;
    case BUS_BUSY:
        return GPIO_INPUT;
    case BUS_RESET:
        return plan->reset_high ? GPIO_HIGH : GPIO_LOW;
    default:
        return GPIO_LOW;
    }
}

static int open_lines(struct wiring *w, const struct wiring_plan *plan, struct bus *bus, char *why,
                      size_t size)
{
    for (int line = 0; line < BUS_LINES; line++) {
        const char *where = plan->lines[line];
        int r;

        if (!where || !where[0])
            continue;
        r = gpio_line_open(&w->lines[line], where, use_of((enum bus_line)line, plan), why, size);
        if (r < 0)
            return r;
        bus->has[line] = true;
    }
    return 0;
}

int wiring_open(struct wiring **wiring, const struct wiring_plan *plan, struct bus *bus, char *why,
                size_t why_size)
{
    struct wiring *w = calloc(1, sizeof *w);
    int r = -ENOMEM;

    if (!w)
        return r;
    *bus = (struct bus){.ops = &wiring_ops, .self = w};
    w->spi_hz = plan->spi_hz;
    w->spi = spidev_open(plan->spi, plan->spi_hz, why, why_size);
    r = w->spi < 0 ? w->spi : open_lines(w, plan, bus, why, why_size);
    if (r < 0) {
        wiring_close(w);
        return r;
    }
    *wiring = w;
    return 0;
}

void wiring_close(struct wiring *w)
{
    if (!w)
        return;
    for (int line = 0; line < BUS_LINES; line++)
        gpio_line_close(w->lines[line]);
    if (w->spi >= 0)
        close(w->spi);
    free(w);
}
