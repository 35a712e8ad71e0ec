#include "protocol/feed/lease.h"

#include "protocol/air/frame.h"
#include "protocol/feed/flat.h"

#define COUNTERS INT64_C(4294967296)

static const struct feed_field lease_list[] = {
    FEED_HEX("devaddr", feed_lease, devaddr, AIR_DEVADDR_MAX),
    FEED_HEX("key_check", feed_lease, key_check, UINT32_MAX),
    FEED_INTEGER("term", feed_lease, term, 1, FEED_COUNT_MAX),
    FEED_TEXT_OR_NULL("gateway", feed_lease, gateway),
    FEED_ID("run", feed_lease, run),
    FEED_INTEGER("first", feed_lease, first, 0, COUNTERS - 1),
    FEED_INTEGER("count", feed_lease, count, 0, 65535),
    FEED_STAMP("until", feed_lease, until_ms),
};
static const struct feed_fields lease_fields = FEED_FIELDS(lease_list);

static const struct feed_field held_list[] = {
    FEED_HEX("devaddr", feed_held, devaddr, AIR_DEVADDR_MAX),
    FEED_HEX("key_check", feed_held, key_check, UINT32_MAX),
    FEED_STAMP("at", feed_held, at_ms),
    FEED_COUNT("term", feed_held, term),
    FEED_SWITCH("speaking", feed_held, speaking),
    FEED_INTEGER("next", feed_held, next, 0, COUNTERS),
    FEED_INTEGER("left", feed_held, left, 0, 65535),
    FEED_COUNT("order", feed_held, order),
    FEED_COUNT("order_sent", feed_held, order_sent),
};
static const struct feed_fields held_fields = FEED_FIELDS(held_list);

static bool sound(const struct feed_lease *lease)
{
    return (lease->gateway[0] == '\0' || feed_name_valid(lease->gateway)) &&
           (int64_t)lease->first + lease->count <= COUNTERS;
}

int feed_lease_encode(const struct feed_lease *lease, char *text, size_t capacity, size_t *len)
{
    return sound(lease) ? feed_flat_encode(&lease_fields, lease, text, capacity, len) : FEED_RANGE;
}

int feed_lease_decode(const char *text, size_t len, struct feed_lease *lease,
                      struct feed_fault *fault)
{
    struct feed_lease found = {.term = 0};
    int rc = feed_flat_decode(&lease_fields, text, len, &found, fault);
    if (rc == FEED_OK && !sound(&found)) {
        bool named = found.gateway[0] == '\0' || feed_name_valid(found.gateway);
        rc = named ? FEED_RANGE : FEED_NAME;
        if (fault != NULL && named)
            *fault = (struct feed_fault){.error = rc, .where = "count"};
        else if (fault != NULL)
            *fault = (struct feed_fault){.error = rc, .where = "gateway"};
    }
    if (rc == FEED_OK)
        *lease = found;
    return rc;
}

int feed_held_encode(const struct feed_held *held, char *text, size_t capacity, size_t *len)
{
    return feed_flat_encode(&held_fields, held, text, capacity, len);
}

int feed_held_decode(const char *text, size_t len, struct feed_held *held, struct feed_fault *fault)
{
    struct feed_held found = {.term = 0};
    int rc = feed_flat_decode(&held_fields, text, len, &found, fault);
    if (rc == FEED_OK)
        *held = found;
    return rc;
}
