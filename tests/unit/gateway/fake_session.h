/* A session without a broker: what the product hands to it is kept, and the test says what the broker does. */
#ifndef EDGEROW_TEST_FAKE_SESSION_H
#define EDGEROW_TEST_FAKE_SESSION_H

#include <stdbool.h>
#include <stddef.h>

#include "common/session.h"

enum { FAKE_MESSAGES_MAX = 4096, FAKE_TEXT_MAX = 2048 };

struct fake_message {
    char topic[160], text[FAKE_TEXT_MAX];
    bool retain;
};

struct fake_session {
    bool open, connected, refuses; /* refuses: session_publish has no room */
    int opens;                     /* what session_open answers */
    unsigned in_flight;
    char filters[SESSION_FILTERS_MAX][160], will_topic[160], will_text[FAKE_TEXT_MAX];
    unsigned filter_count;
    struct session_events events;
    struct fake_message messages[FAKE_MESSAGES_MAX];
    unsigned count;
};

extern struct fake_session fake; /* the one that is open */

void fake_reset(void);
void fake_connect(void);
void fake_disconnect(void);
/* The broker acknowledges so many of what is in flight. */
void fake_acknowledge(unsigned count);
void fake_say(const char *topic, const char *text, bool retained);

#endif
