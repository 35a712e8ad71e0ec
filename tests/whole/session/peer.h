/* A session with a loop of its own that remembers what it was told. */
#ifndef EDGEROW_TESTS_PEER_H
#define EDGEROW_TESTS_PEER_H

#include "common/session.h"

struct peer {
    sd_event *event;
    struct session *session;
    unsigned connected, disconnected, messages, batches, sent;
    unsigned waiting, kept; /* messages of the open batch, and of batches that were not refused */
    bool present;
    unsigned refuse; /* batches still to refuse */
    char last_topic[64], last_payload[64], why[512];
    bool last_retained;
    void (*on_message)(struct peer *peer);
    void (*on_batch)(struct peer *peer);
};

void peer_open(struct peer *peer, const struct session_settings *settings,
               const struct session_will *will);
/* Runs the loop until *counter reaches count, at most ms; returns the counter. */
unsigned peer_run(struct peer *peer, const unsigned *counter, unsigned count, unsigned ms);
void peer_close(struct peer *peer);

#endif
