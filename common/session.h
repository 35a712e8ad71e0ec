/*
 * An MQTT session on the daemon's own event loop (libmosquitto, no thread of its own). MQTT 5,
 * falling back to 3.1.1. Threaded mode is announced to the library, so acknowledgements of received
 * messages wait for the write phase: a batch is read, the owner commits, and only then does the
 * session write. Reconnects by itself with growing, jittered delay; resolving and connecting run in
 * a short-lived thread.
 */
#ifndef EDGEROW_SESSION_H
#define EDGEROW_SESSION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <systemd/sd-event.h>

struct session;

struct session_settings {
    char *host;
    int64_t port;
    char *user;          /* empty: anonymous */
    char *password_file; /* empty: none; checked like every secret */
    char *ca_file;       /* empty: no TLS */
    char *client_id;     /* stable, so that the broker keeps the session */
    int64_t keepalive_s;
};

/* None of these may call session_close. */
struct session_events {
    void *user;
    /* session_present: the broker kept our session, so nothing that was on its way to us is lost.
     * Filters are subscribed again either way, so retained messages come again. */
    void (*connected)(void *user, bool session_present);
    /* A connection that had been announced has ended; why is a sentence with the remedy. */
    void (*disconnected)(void *user, const char *why);
    void (*message)(void *user, const char *topic, const void *payload, size_t len, bool retained);
    /* After a batch of messages was handed over and before acknowledgements are written. Return
     * false to refuse: the session is dropped without acknowledging and comes back, and the broker
     * sends the batch again. NULL: every batch is fine. */
    bool (*batch)(void *user);
    /* A QoS 1 message of ours was acknowledged by the broker. Proves nothing about the application.
     * Not called for one the broker refused, which is logged. May be NULL. */
    void (*sent)(void *user, int id);
};

struct session_will {
    const char *topic;
    const char *text;
};

enum { SESSION_FILTERS_MAX = 16, SESSION_IN_FLIGHT_MAX = 4000 };

/* will may be NULL; it is sent with QoS 1 and retained. Connects in the background and tries for
 * ever: a wrong password, certificate, name or file is logged with the remedy and tried again, so
 * that mending it needs no restart. Password and CA file are read anew for every attempt. */
int session_open(struct session **session, sd_event *event, const struct session_settings *settings,
                 const struct session_will *will, const struct session_events *events);
void session_close(
    struct session *session); /* orderly: publishes nothing, says goodbye; NULL is fine */
bool session_is_connected(const struct session *session);
/* Why there is no connection, as a sentence that names host, port and remedy; "" while connected.
 */
const char *session_trouble(const struct session *session);
/* QoS 1; repeated on reconnect. 0, or a negative errno: -EINVAL, -ENOSPC (too many filters). */
int session_subscribe(struct session *session,
                      const char *filter); /* QoS 1; repeated on reconnect */
/* QoS 1. 0 and *id (may be NULL), or a negative errno: -ENOTCONN, -ENOBUFS. */
int session_publish(struct session *session, const char *topic, const void *payload, size_t len,
                    bool retain, int *id);
/* Messages given to the library and not yet acknowledged by the broker. */
unsigned session_in_flight(const struct session *session);

#endif
