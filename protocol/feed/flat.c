#include "protocol/feed/flat.h"

int feed_flat_encode(const struct feed_fields *fields, const void *message, char *text,
                     size_t capacity, size_t *len)
{
    struct feed_writer w;
    feed_writer_open(&w, text, capacity);
    feed_writer_fields(&w, fields, message);
    return feed_writer_close(&w, len);
}

int feed_flat_decode(const struct feed_fields *fields, const char *text, size_t len, void *found,
                     struct feed_fault *fault)
{
    struct feed_reader r;
    int rc = feed_reader_open(&r, text, len, fault);
    if (rc != FEED_OK)
        return rc;
    rc = feed_reader_fields(&r, fields, found);
    feed_reader_close(&r);
    return rc;
}
