#include "tests/unit/feed/message.h"

#include <string.h>

#define ADAPT(message)                                                                             \
    static int message##_encode(const union message_value *value, char *text, size_t capacity,     \
                                size_t *len)                                                       \
    {                                                                                              \
        return feed_##message##_encode(&value->message, text, capacity, len);                      \
    }                                                                                              \
    static int message##_decode(const char *text, size_t len, union message_value *value,          \
                                struct feed_fault *fault)                                          \
    {                                                                                              \
        return feed_##message##_decode(text, len, &value->message, fault);                         \
    }

ADAPT(row)
ADAPT(mark)
ADAPT(lease)
ADAPT(held)
ADAPT(order)
ADAPT(presence)
ADAPT(gateway_health)
ADAPT(collector_health)
ADAPT(trap_state)
ADAPT(block_state)
ADAPT(notice_state)

const struct message messages[MESSAGES] = {
    {"row", row_encode, row_decode, random_row},
    {"mark", mark_encode, mark_decode, random_mark},
    {"lease", lease_encode, lease_decode, random_lease},
    {"held", held_encode, held_decode, random_held},
    {"order", order_encode, order_decode, random_order},
    {"presence", presence_encode, presence_decode, random_presence},
    {"gateway-health", gateway_health_encode, gateway_health_decode, random_gateway_health},
    {"collector-health", collector_health_encode, collector_health_decode, random_collector_health},
    {"trap-state", trap_state_encode, trap_state_decode, random_trap_state},
    {"block-state", block_state_encode, block_state_decode, random_block_state},
    {"notice-state", notice_state_encode, notice_state_decode, random_notice_state},
};

const struct message *message_named(const char *name)
{
    for (size_t i = 0; i < MESSAGES; i++)
        if (strcmp(messages[i].name, name) == 0)
            return &messages[i];
    return NULL;
}
