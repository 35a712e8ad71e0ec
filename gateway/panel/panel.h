/*
 * The gateway's face for somebody who stands before it with no network: a light (light.h) and a button, each
 * optional, on GPIO lines found as the radios' lines are.
 */
#ifndef EDGEROW_PANEL_H
#define EDGEROW_PANEL_H

#include <systemd/sd-event.h>

#include "gateway/panel/light.h"
#include "gateway/settings.h"

struct panel;

struct panel_events {
    void *user;
    /* How are things? Asked every two seconds while there is a light. */
    enum light_state (*state)(void *user);
    /* The button was pressed; returns what the light is to count. */
    uint32_t (*pressed)(void *user);
};

/* *panel is NULL when neither line is set. A negative errno with a sentence that names line, likely cause and
 * remedy: a gateway hears without a light, so the caller may go on. */
int panel_open(struct panel **panel, sd_event *event, const struct panel_settings *settings,
               const struct panel_events *events, struct settings_fault *fault);
/* The light goes out. */
void panel_close(struct panel *panel);

#endif
