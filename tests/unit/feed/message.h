/* Every message of the feed behind one pair of functions, for tests that go through all of them. */
#ifndef EDGEROW_TESTS_FEED_MESSAGE_H
#define EDGEROW_TESTS_FEED_MESSAGE_H

#include "tests/unit/feed/random.h"

/* Room for the largest message. */
union message_value {
    struct feed_row row;
    struct feed_mark mark;
    struct feed_lease lease;
    struct feed_held held;
    struct feed_order order;
    struct feed_presence presence;
    struct feed_gateway_health gateway_health;
    struct feed_collector_health collector_health;
    struct feed_trap_state trap_state;
    struct feed_block_state block_state;
    struct feed_notice_state notice_state;
};

struct message {
    const char *name; /* also the name of its schema */
    int (*encode)(const union message_value *value, char *text, size_t capacity, size_t *len);
    int (*decode)(const char *text, size_t len, union message_value *value,
                  struct feed_fault *fault);
    void (*random)(struct random *r, void *value);
};

enum { MESSAGES = 11 };
extern const struct message messages[MESSAGES];

const struct message *message_named(const char *name);

#endif
