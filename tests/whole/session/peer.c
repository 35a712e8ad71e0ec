#include "peer.h"

#include <check.h>
#include <stdio.h>
#include <string.h>

#include "common/clock.h"

static void on_connected(void *user, bool present)
{
    struct peer *peer = user;

    peer->connected++;
    peer->present = present;
}

static void on_disconnected(void *user, const char *why)
{
    struct peer *peer = user;

    peer->disconnected++;
    snprintf(peer->why, sizeof peer->why, "%s", why);
}

static void on_message(void *user, const char *topic, const void *payload, size_t len,
                       bool retained)
{
    struct peer *peer = user;

    peer->messages++;
    peer->waiting++;
    snprintf(peer->last_topic, sizeof peer->last_topic, "%s", topic);
    snprintf(peer->last_payload, sizeof peer->last_payload, "%.*s", (int)len,
             (const char *)payload);
    peer->last_retained = retained;
    if (peer->on_message)
        peer->on_message(peer);
}

static bool on_batch(void *user)
{
    struct peer *peer = user;

    peer->batches++;
    if (peer->on_batch)
        peer->on_batch(peer);
    if (peer->refuse > 0) {
        peer->refuse--;
        peer->waiting = 0;
        return false;
    }
    peer->kept += peer->waiting;
    peer->waiting = 0;
    return true;
}

static void on_sent(void *user, int id)
{
    struct peer *peer = user;
    (void)id;

    peer->sent++;
}

void peer_open(struct peer *peer, const struct session_settings *settings,
               const struct session_will *will)
{
    const struct session_events events = {.user = peer,
                                          .connected = on_connected,
                                          .disconnected = on_disconnected,
                                          .message = on_message,
                                          .batch = on_batch,
                                          .sent = on_sent};

    ck_assert_int_ge(sd_event_new(&peer->event), 0);
    ck_assert_int_eq(session_open(&peer->session, peer->event, settings, will, &events), 0);
}

unsigned peer_run(struct peer *peer, const unsigned *counter, unsigned count, unsigned ms)
{
    int64_t end_us = clock_transport_us() + (int64_t)ms * 1000;

    while (*counter < count && clock_transport_us() < end_us)
        sd_event_run(peer->event, 2000);
    return *counter;
}

void peer_close(struct peer *peer)
{
    session_close(peer->session);
    peer->session = NULL;
    peer->event = sd_event_unref(peer->event);
}
