#include "protocol/feed/mark.h"

#include "protocol/feed/flat.h"

static const struct feed_field mark_list[] = {
    FEED_ID("store", feed_mark, store),
    FEED_ID("spool", feed_mark, spool),
    FEED_COUNT("n", feed_mark, n),
    FEED_ID("hash", feed_mark, hash),
};
static const struct feed_fields mark_fields = FEED_FIELDS(mark_list);

int feed_mark_encode(const struct feed_mark *mark, char *text, size_t capacity, size_t *len)
{
    return feed_flat_encode(&mark_fields, mark, text, capacity, len);
}

int feed_mark_decode(const char *text, size_t len, struct feed_mark *mark, struct feed_fault *fault)
{
    struct feed_mark found = {.n = 0};
    int rc = feed_flat_decode(&mark_fields, text, len, &found, fault);
    if (rc == FEED_OK)
        *mark = found;
    return rc;
}
