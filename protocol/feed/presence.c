#include "protocol/feed/presence.h"

#include "protocol/feed/flat.h"

static const struct feed_field presence_list[] = {
    FEED_SWITCH("online", feed_presence, online),
    FEED_TEXT("software", feed_presence, software),
    FEED_STAMP_OR_NULL("started_at", feed_presence, since_ms),
};
static const struct feed_fields presence_fields = FEED_FIELDS(presence_list);

int feed_presence_encode(const struct feed_presence *p, char *text, size_t capacity, size_t *len)
{
    return feed_flat_encode(&presence_fields, p, text, capacity, len);
}

int feed_presence_decode(const char *text, size_t len, struct feed_presence *p,
                         struct feed_fault *fault)
{
    struct feed_presence found = {.since_ms = 0};
    int rc = feed_flat_decode(&presence_fields, text, len, &found, fault);
    if (rc == FEED_OK)
        *p = found;
    return rc;
}
