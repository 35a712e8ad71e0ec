/*
 * Carries owed messages from the outbox to people. A message is done only when a mail server has
 * accepted it; until then it is tried again with growing pauses. What a delivery cannot deliver
 * goes to the next one when that is a fallback. So a message may arrive twice, never not at all.
 * Runs on the caller's event loop.
 */
#ifndef EDGEROW_DELIVERY_H
#define EDGEROW_DELIVERY_H

#include <sqlite3.h>
#include <stdbool.h>
#include <stdint.h>
#include <systemd/sd-event.h>

#include "collector/site.h"

struct delivery;

struct delivery_events {
    void *user;
    unsigned patience_s;          /* for one transfer; 0: two minutes */
    int64_t (*now_s)(void *user); /* event time */
    /* Transfers are under way, or none is: a rehearsal's clock waits meanwhile. May be NULL. */
    void (*busy)(void *user, bool busy);
    /* A delivery fails again and again, or works again (why NULL). May be NULL. */
    void (*trouble)(void *user, const char *delivery, const char *why);
};

/* site must outlive it. Checks addresses and secrets: 0, or a negative errno with a sentence that
 * names the key and the remedy. */
int delivery_open(struct delivery **delivery, sd_event *event, sqlite3 *db,
                  const struct site_settings *site, const struct delivery_events *events,
                  struct settings_fault *fault);
void delivery_close(struct delivery *delivery);
/* Starts what is due. Call after each judging run and at delivery_next_s. */
int delivery_look(struct delivery *delivery);
/* Event time of the next try; INT64_MAX: nothing waits. */
int64_t delivery_next_s(struct delivery *delivery);
/* Messages owed and not yet accepted. */
unsigned delivery_waiting(struct delivery *delivery);

#endif
