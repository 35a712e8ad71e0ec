#include "gateway/radio/gpiod.h"

#include <errno.h>
#include <fcntl.h>
#include <gpiod.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { CHIPS_MAX = 64, NAME_SIZE = 64 };
static const char consumer[] = "edgerow-gateway";

struct gpio_line {
    struct gpiod_chip *chip;
    unsigned offset;
#if EDGEROW_GPIOD >= 2
    struct gpiod_line_request *request;
    struct gpiod_edge_event_buffer *events;
#else
    struct gpiod_line *line;
#endif
};

/* What a chip or a line is called, for finding it and for messages. */
struct holder {
    char name[NAME_SIZE];
};

#if EDGEROW_GPIOD >= 2

static int chip_label(struct gpiod_chip *chip, char label[NAME_SIZE])
{
    struct gpiod_chip_info *info = gpiod_chip_get_info(chip);
    int lines;

    if (!info)
        return -errno;
    snprintf(label, NAME_SIZE, "%s", gpiod_chip_info_get_label(info));
    lines = (int)gpiod_chip_info_get_num_lines(info);
    gpiod_chip_info_free(info);
    return lines;
}

static int line_by_name(struct gpiod_chip *chip, const char *name)
{
    return gpiod_chip_get_line_offset_from_name(chip, name);
}

static void line_holder(const struct gpio_line *l, struct holder *holder)
{
    struct gpiod_line_info *info = gpiod_chip_get_line_info(l->chip, l->offset);
    const char *name = info ? gpiod_line_info_get_consumer(info) : NULL;

    snprintf(holder->name, sizeof holder->name, "%s", name ? name : "the kernel");
    gpiod_line_info_free(info);
}

static int set_up_input(struct gpiod_line_settings *settings, enum gpio_use use)
{
    int r = gpiod_line_settings_set_direction(settings, GPIOD_LINE_DIRECTION_INPUT);

    if (r == 0 && use != GPIO_INPUT)
        r = gpiod_line_settings_set_edge_detection(
            settings, use == GPIO_PRESS_LOW ? GPIOD_LINE_EDGE_FALLING : GPIOD_LINE_EDGE_RISING);
    if (r == 0 && (use == GPIO_PRESS_LOW || use == GPIO_PRESS_HIGH))
        r = gpiod_line_settings_set_bias(
            settings, use == GPIO_PRESS_LOW ? GPIOD_LINE_BIAS_PULL_UP : GPIOD_LINE_BIAS_PULL_DOWN);
    if (r == 0)
        r = gpiod_line_settings_set_event_clock(settings, GPIOD_LINE_CLOCK_MONOTONIC);
    return r;
}

static int set_up(struct gpiod_line_settings *settings, enum gpio_use use)
{
    int r;

    if (use != GPIO_LOW && use != GPIO_HIGH)
        return set_up_input(settings, use);
    r = gpiod_line_settings_set_direction(settings, GPIOD_LINE_DIRECTION_OUTPUT);
    if (r == 0)
        r = gpiod_line_settings_set_output_value(
            settings, use == GPIO_HIGH ? GPIOD_LINE_VALUE_ACTIVE : GPIOD_LINE_VALUE_INACTIVE);
    return r;
}

static int request(struct gpio_line *l, enum gpio_use use)
{
    struct gpiod_line_settings *settings = gpiod_line_settings_new();
    struct gpiod_line_config *config = gpiod_line_config_new();
    struct gpiod_request_config *name = gpiod_request_config_new();
    int r = -ENOMEM;

    l->events = gpiod_edge_event_buffer_new(1);
    if (!settings || !config || !name || !l->events)
        goto out;
    gpiod_request_config_set_consumer(name, consumer);
    if (set_up(settings, use) < 0 ||
        gpiod_line_config_add_line_settings(config, &l->offset, 1, settings) < 0) {
        r = -errno;
        goto out;
    }
    l->request = gpiod_chip_request_lines(l->chip, name, config);
    r = l->request ? 0 : -errno;
out:
    gpiod_request_config_free(name);
    gpiod_line_config_free(config);
    gpiod_line_settings_free(settings);
    return r;
}

static void release(struct gpio_line *l)
{
    if (l->request)
        gpiod_line_request_release(l->request);
    if (l->events)
        gpiod_edge_event_buffer_free(l->events);
}

int gpio_line_get(struct gpio_line *l)
{
    enum gpiod_line_value value = gpiod_line_request_get_value(l->request, l->offset);

    return value == GPIOD_LINE_VALUE_ERROR ? -errno : value == GPIOD_LINE_VALUE_ACTIVE;
}

int gpio_line_set(struct gpio_line *l, int high)
{
    enum gpiod_line_value value = high ? GPIOD_LINE_VALUE_ACTIVE : GPIOD_LINE_VALUE_INACTIVE;

    return gpiod_line_request_set_value(l->request, l->offset, value) < 0 ? -errno : 0;
}

int gpio_line_descriptor(const struct gpio_line *l)
{
    return gpiod_line_request_get_fd(l->request);
}

static int read_edge(struct gpio_line *l, uint64_t *at_ns)
{
    if (gpiod_line_request_read_edge_events(l->request, l->events, 1) < 1)
        return -errno;
    *at_ns = gpiod_edge_event_get_timestamp_ns(gpiod_edge_event_buffer_get_event(l->events, 0));
    return 0;
}

#else

static int chip_label(struct gpiod_chip *chip, char label[NAME_SIZE])
{
    snprintf(label, NAME_SIZE, "%s", gpiod_chip_label(chip));
    return (int)gpiod_chip_num_lines(chip);
}

static int line_by_name(struct gpiod_chip *chip, const char *name)
{
    struct gpiod_line *line = gpiod_chip_find_line(chip, name);

    return line ? (int)gpiod_line_offset(line) : -1;
}

static void line_holder(const struct gpio_line *l, struct holder *holder)
{
    const char *name = l->line ? gpiod_line_consumer(l->line) : NULL;

    snprintf(holder->name, sizeof holder->name, "%s", name ? name : "the kernel");
}

static int request(struct gpio_line *l, enum gpio_use use)
{
    int r;

    l->line = gpiod_chip_get_line(l->chip, l->offset);
    if (!l->line)
        return -errno;
    if (use == GPIO_INPUT)
        r = gpiod_line_request_input(l->line, consumer);
    else if (use == GPIO_RISING_EDGES)
        r = gpiod_line_request_rising_edge_events(l->line, consumer);
    else if (use == GPIO_PRESS_LOW)
        r = gpiod_line_request_falling_edge_events_flags(l->line, consumer,
                                                         GPIOD_LINE_REQUEST_FLAG_BIAS_PULL_UP);
    else if (use == GPIO_PRESS_HIGH)
        r = gpiod_line_request_rising_edge_events_flags(l->line, consumer,
                                                        GPIOD_LINE_REQUEST_FLAG_BIAS_PULL_DOWN);
    else
        r = gpiod_line_request_output(l->line, consumer, use == GPIO_HIGH);
    return r < 0 ? -errno : 0;
}

static void release(struct gpio_line *l)
{
    if (l->line)
        gpiod_line_release(l->line);
}

int gpio_line_get(struct gpio_line *l)
{
    int value = gpiod_line_get_value(l->line);

    return value < 0 ? -errno : value;
}

int gpio_line_set(struct gpio_line *l, int high)
{
    return gpiod_line_set_value(l->line, high) < 0 ? -errno : 0;
}

int gpio_line_descriptor(const struct gpio_line *l)
{
    return gpiod_line_event_get_fd(l->line);
}

static int read_edge(struct gpio_line *l, uint64_t *at_ns)
{
    struct gpiod_line_event event;

    if (gpiod_line_event_read(l->line, &event) < 0)
        return -errno;
    *at_ns = (uint64_t)event.ts.tv_sec * 1000000000ULL + (uint64_t)event.ts.tv_nsec;
    return 0;
}

#endif

static int64_t clock_us(clockid_t id)
{
    struct timespec t;

    clock_gettime(id, &t);
    return t.tv_sec * 1000000LL + t.tv_nsec / 1000;
}

/* Kernels before 5.7 stamp edges of the older interface with the wall clock. */
static int64_t monotonic_us(int64_t stamp_us)
{
    int64_t now = clock_us(CLOCK_MONOTONIC);

    if (llabs(now - stamp_us) < 3600000000LL)
        return stamp_us;
    return now - (clock_us(CLOCK_REALTIME) - stamp_us);
}

int gpio_line_edge(struct gpio_line *l, int64_t *at_us)
{
    struct pollfd wanted = {.fd = gpio_line_descriptor(l), .events = POLLIN};
    uint64_t at_ns = 0;
    int r;

    if (poll(&wanted, 1, 0) != 1)
        return 0;
    if (!(wanted.revents & POLLIN))
        return -ENODEV;
    r = read_edge(l, &at_ns);
    if (r < 0)
        return r;
    *at_us = monotonic_us((int64_t)(at_ns / 1000));
    return 1;
}

/* What was met while looking for a line. */
struct search {
    char label[NAME_SIZE]; /* empty: by line name */
    const char *name;
    unsigned offset;
    unsigned chips; /* that could be opened */
    int error;      /* of the last one that could not, other than absent */
    char path[32];
    char seen[160]; /* labels met */
};

static int parse(const char *where, struct search *s)
{
    const char *colon = strrchr(where, ':');
    char *end;
    unsigned long offset;

    s->name = where;
    if (!colon)
        return where[0] ? 0 : -EINVAL;
    offset = strtoul(colon + 1, &end, 10);
    if (end == colon + 1 || *end || offset > 4095 || colon == where ||
        colon - where >= (ptrdiff_t)sizeof s->label)
        return -EINVAL;
    snprintf(s->label, sizeof s->label, "%.*s", (int)(colon - where), where);
    s->offset = (unsigned)offset;
    return 0;
}

static void remember(struct search *s, const char *label)
{
    size_t used = strlen(s->seen);

    snprintf(s->seen + used, sizeof s->seen - used, "%s\"%s\"", used ? ", " : "", label);
}

/* True: the chip holds the line; s->offset is set. A negative number of lines cannot happen here. */
static bool holds(struct gpiod_chip *chip, struct search *s, int *error)
{
    char label[NAME_SIZE] = "";
    int lines = chip_label(chip, label);
    int offset;

    remember(s, label);
    if (s->label[0]) {
        if (strcmp(label, s->label) != 0)
            return false;
        if ((int)s->offset >= lines)
            *error = -ERANGE;
        return true;
    }
    offset = line_by_name(chip, s->name);
    if (offset < 0)
        return false;
    s->offset = (unsigned)offset;
    return true;
}

static int find(struct gpio_line *l, struct search *s)
{
    for (unsigned n = 0; n < CHIPS_MAX; n++) {
        struct gpiod_chip *chip;
        int error = 0;

        snprintf(s->path, sizeof s->path, "/dev/gpiochip%u", n);
        chip = gpiod_chip_open(s->path);
        if (!chip) {
            if (errno != ENOENT)
                s->error = errno;
            continue;
        }
        s->chips++;
        if (holds(chip, s, &error)) {
            l->chip = chip;
            l->offset = s->offset;
            return error;
        }
        gpiod_chip_close(chip);
    }
    return -ENOENT;
}

static void explain_search(const struct search *s, int error, char *why, size_t size)
{
    if (error == -EINVAL)
        snprintf(why, size,
                 "\"%s\" is no line: write the line's name, or the chip's label and the line's "
                 "offset, as in pinctrl-bcm2711:25.",
                 s->name);
    else if (error == -ERANGE)
        snprintf(why, size, "Line \"%s\": %s has fewer lines than that: choose a smaller offset.",
                 s->name, s->path);
    else if (s->chips == 0 && s->error)
        snprintf(why, size,
                 "Line \"%s\": the GPIO devices /dev/gpiochip* cannot be opened: %s. The service's "
                 "user must belong to the group that owns them (often gpio), and the unit must "
                 "allow the device.",
                 s->name, strerror(s->error));
    else if (s->chips == 0)
        snprintf(why, size,
                 "Line \"%s\": there is no GPIO device (/dev/gpiochip0): is this the right board, "
                 "and does its kernel have the GPIO character device?",
                 s->name);
    else
        snprintf(why, size,
                 "Line \"%s\" was not found. GPIO chips here: %s. `gpioinfo` lists their lines.",
                 s->name, s->seen);
}

static void explain_request(const struct gpio_line *l, const struct search *s, int error, char *why,
                            size_t size)
{
    struct holder holder;

    line_holder(l, &holder);
    if (error == -EBUSY)
        snprintf(why, size,
                 "Line \"%s\" (%s, offset %u) is taken by %s: stop that program, or choose the pin "
                 "that the radio is wired to.",
                 s->name, s->path, l->offset, holder.name);
    else
        snprintf(why, size,
                 "Line \"%s\" (%s, offset %u) cannot be used this way: %s. Choose a pin that can.",
                 s->name, s->path, l->offset, strerror(-error));
}

int gpio_line_open(struct gpio_line **line, const char *where, enum gpio_use use, char *why,
                   size_t why_size)
{
    struct gpio_line *l = calloc(1, sizeof *l);
    struct search s = {.name = where};
    int r = l ? parse(where, &s) : -ENOMEM;

    if (r == 0)
        r = find(l, &s);
    if (r < 0) {
        explain_search(&s, r, why, why_size);
        goto fail;
    }
    r = request(l, use);
    if (r < 0) {
        explain_request(l, &s, r, why, why_size);
        goto fail;
    }
    *line = l;
    return 0;
fail:
    gpio_line_close(l);
    return r;
}

void gpio_line_close(struct gpio_line *l)
{
    if (!l)
        return;
    release(l);
    if (l->chip)
        gpiod_chip_close(l->chip);
    free(l);
}
