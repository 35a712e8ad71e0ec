/*
 * All radios of the gateway on the daemon's loop: opens them, lets them work, hands over what they
 * hear.
 */
#ifndef EDGEROW_GATEWAY_RECEPTION_H
#define EDGEROW_GATEWAY_RECEPTION_H

#include <systemd/sd-event.h>

#include "common/settings.h"
#include "gateway/radio/radio.h"
#include "gateway/settings.h"

struct reception;

struct reception_events {
    void *user;
    void (*heard)(void *user, const struct radio_packet *packet);
    void (*changed)(void *user); /* a radio has failed, or works again */
};

/* 0, or a negative errno with a sentence that names the radio, the likely cause and the remedy. */
int reception_open(struct reception **reception, sd_event *event,
                   const struct gateway_settings *settings, const struct reception_events *events,
                   struct settings_fault *fault);
void reception_close(struct reception *reception);

unsigned reception_count(const struct reception *reception);
void reception_counts(const struct reception *reception, unsigned radio,
                      struct radio_counts *counts);
/* See radio_ops.send. */
int reception_send(struct reception *reception, unsigned radio,
                   const struct radio_sending *sending);

#endif
