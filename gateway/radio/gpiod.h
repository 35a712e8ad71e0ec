/* One line of a GPIO chip, found by chip label and offset ("pinctrl-bcm2711:25") or by the line's own name
 * ("GPIO25"), never by the chip's number, which changes between kernels. A line that is held stays as it was
 * set until it is closed. The only file that knows libgpiod, version 1.6 or 2. */
#ifndef EDGEROW_RADIO_GPIOD_H
#define EDGEROW_RADIO_GPIOD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* PRESS: edges of a button that connects the line to ground (LOW) or to the supply (HIGH) while pressed; the
 * chip's own resistor, where it has one, pulls the line the other way. */
enum gpio_use {
    GPIO_INPUT,
    GPIO_RISING_EDGES,
    GPIO_PRESS_LOW,
    GPIO_PRESS_HIGH,
    GPIO_LOW,
    GPIO_HIGH
};

struct gpio_line;

/* 0, or a negative errno with a sentence: line, device, likely cause, remedy. */
int gpio_line_open(struct gpio_line **line, const char *where, enum gpio_use use, char *why,
                   size_t why_size);
void gpio_line_close(struct gpio_line *line);

/* None of these allocates. */
int gpio_line_get(struct gpio_line *line); /* 0, 1 or a negative errno */
int gpio_line_set(struct gpio_line *line, int high);
int gpio_line_descriptor(const struct gpio_line *line);
/* 1 and the kernel's stamp on the monotonic clock, 0 when no edge waits, or a negative errno. */
int gpio_line_edge(struct gpio_line *line, int64_t *at_us);

#endif
