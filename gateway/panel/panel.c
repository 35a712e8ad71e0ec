#include "gateway/panel/panel.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>

#include "common/clock.h"
#include "gateway/radio/gpiod.h"

#define ASK_US INT64_C(2000000)
#define SETTLE_US                                                                                  \
    INT64_C(400000) /* a contact bounces: what follows a press within this is no press */

struct panel {
    struct panel_events events;
    struct light light;
    struct gpio_line *lamp, *button;
    bool lit_high, lit, pressed_high;
    int64_t pressed_us, ask_us;
    sd_event_source *timer, *readable;
};

static void show(struct panel *p)
{
    int64_t now_us = clock_transport_us(), next_us;
    if (p->lamp == NULL)
        return;
    bool lit = light_at(&p->light, now_us, &next_us);
    if (lit != p->lit)
        gpio_line_set(p->lamp, lit == p->lit_high);
    p->lit = lit;
    sd_event_source_set_time(p->timer, (uint64_t)(next_us < p->ask_us ? next_us : p->ask_us));
    sd_event_source_set_enabled(p->timer, SD_EVENT_ONESHOT);
}

static int on_timer(sd_event_source *source, uint64_t at_us, void *user)
{
    struct panel *p = user;
    int64_t now_us = clock_transport_us();
    (void)source;
    (void)at_us;
    if (now_us >= p->ask_us) {
        light_say(&p->light, p->events.state(p->events.user), now_us);
        p->ask_us = now_us + ASK_US;
    }
    show(p);
    return 0;
}

static int on_button(sd_event_source *source, int fd, uint32_t events, void *user)
{
    struct panel *p = user;
    int64_t at_us, now_us = clock_transport_us();
    bool press = false;
    (void)fd;
    (void)events;
    int r;
    while ((r = gpio_line_edge(p->button, &at_us)) == 1) {
        press = press || at_us - p->pressed_us >= SETTLE_US;
        p->pressed_us = at_us;
    }
    if (r < 0) /* the line is gone, and would be readable for ever */
        sd_event_source_set_enabled(source, SD_EVENT_OFF);
    /* When the button is let go it bounces too. */
    if (!press || gpio_line_get(p->button) != p->pressed_high)
        return 0;
    uint32_t count = p->events.pressed(p->events.user);
    light_count(&p->light, count, now_us);
    show(p);
    return 0;
}

static int open_lines(struct panel *p, const struct panel_settings *settings, char *why,
                      size_t size)
{
    int error = 0;
    p->lit_high = settings->light_lit == PANEL_HIGH;
    p->pressed_high = settings->button_pressed == PANEL_HIGH;
    if (settings->light_line[0] != '\0')
        error = gpio_line_open(&p->lamp, settings->light_line, p->lit_high ? GPIO_LOW : GPIO_HIGH,
                               why, size);
    if (error == 0 && settings->button_line[0] != '\0')
        error = gpio_line_open(&p->button, settings->button_line,
                               p->pressed_high ? GPIO_PRESS_HIGH : GPIO_PRESS_LOW, why, size);
    return error;
}

static int add_sources(struct panel *p, sd_event *event)
{
    int error = 0;
    if (p->lamp != NULL)
        error = sd_event_add_time(event, &p->timer, CLOCK_MONOTONIC, 0, 20000, on_timer, p);
    if (error >= 0 && p->button != NULL)
        error = sd_event_add_io(event, &p->readable, gpio_line_descriptor(p->button), EPOLLIN,
                                on_button, p);
    return error < 0 ? error : 0;
}

int panel_open(struct panel **panel, sd_event *event, const struct panel_settings *settings,
               const struct panel_events *events, struct settings_fault *fault)
{
    char why[sizeof fault->text - 32] = "";
    *panel = NULL;
    if (settings->light_line[0] == '\0' && settings->button_line[0] == '\0')
        return 0;
    struct panel *made = calloc(1, sizeof *made);
    int error = made == NULL ? -ENOMEM : open_lines(made, settings, why, sizeof why);
    if (error == 0) {
        made->events = *events;
        made->pressed_us = INT64_MIN / 2;
        error = add_sources(made, event);
    }
    if (error != 0) {
        settings_fault_set(fault, "[panel]: %s", why[0] != '\0' ? why : strerror(-error));
        panel_close(made);
        return error;
    }
    *panel = made;
    return 0;
}

void panel_close(struct panel *p)
{
    if (p == NULL)
        return;
    sd_event_source_unref(p->timer);
    sd_event_source_unref(p->readable);
    if (p->lamp != NULL)
        gpio_line_set(p->lamp, !p->lit_high);
    gpio_line_close(p->lamp);
    gpio_line_close(p->button);
    free(p);
}
