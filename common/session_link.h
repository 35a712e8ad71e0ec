/*
 * The seam to libmosquitto: one connection to one broker, driven from outside. It never writes on
 * its own: what the library wants to send, acknowledgements included, waits for session_link_write.
 * That holds because threaded mode is announced (without it the library acknowledges a message
 * before the caller has seen it; measured with 2.0.11 and 2.0.21, pinned by the whole/session
 * tests).
 */
#ifndef EDGEROW_SESSION_LINK_H
#define EDGEROW_SESSION_LINK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct session_link;

enum { SESSION_LINK_WHY_BYTES = 400 };

/* How the broker answered the connect packet. */
enum session_link_greeting {
    SESSION_LINK_WELCOME,
    SESSION_LINK_OTHER_VERSION,
    SESSION_LINK_REFUSED
};

struct session_link_events {
    void *user;
    void (*greeted)(void *user, enum session_link_greeting greeting, bool session_present);
    void (*message)(void *user, const char *topic, const void *payload, size_t len, bool retained);
    void (*sent)(void *user, int id);
    void (*publish_refused)(void *user, int id, const char *why);
    void (*subscribe_refused)(void *user, int id);
};

struct session_link_settings {
    const char *host;
    int port;
    const char *user, *password; /* NULL: anonymous */
    const char *ca_file;         /* NULL: no TLS */
    int keepalive_s;
    bool mqtt5;
};

int session_link_new(struct session_link **link, const char *client_id,
                     const struct session_link_events *events);
void session_link_free(struct session_link *link);
/* Kept by the broker and sent when we vanish: QoS 1, retained. */
int session_link_will(struct session_link *link, const char *topic, const char *text);

/* For the next attempt. 0 or a negative errno with session_link_why. */
int session_link_prepare(struct session_link *link, const struct session_link_settings *settings);
/* Resolves and connects, which may take minutes: for a thread. No other call until it returns. */
int session_link_connect(struct session_link *link);
int session_link_socket(const struct session_link *link);
/* Reads what is there, up to a bound; *more tells whether to call again without waiting for the
 * socket. */
int session_link_read(struct session_link *link, bool *more);
/* Writes what the socket takes; *blocked tells that the rest waits for it. */
int session_link_write(struct session_link *link, bool *blocked);
/* Keepalive; queues, does not write. */
int session_link_tick(struct session_link *link);
/* Ends the connection at once: nothing that is queued is written, nothing that was received and not
 * yet read is handed over. What was published stays with the library for the next connection. */
void session_link_drop(struct session_link *link);
int session_link_goodbye(struct session_link *link); /* orderly; then session_link_write */

int session_link_filter_check(const char *filter); /* 0 or -EINVAL */
int session_link_subscribe(struct session_link *link, const char *filter, int *id);
int session_link_publish(struct session_link *link, const char *topic, const void *payload,
                         size_t len, bool retain, int *id);
/* Why the last call failed, with the remedy: "connection refused: is the broker running …". */
const char *session_link_why(const struct session_link *link);

#endif
