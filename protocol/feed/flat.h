/* Messages that are one flat list of keys. Internal to this room. */
#ifndef EDGEROW_FEED_FLAT_H
#define EDGEROW_FEED_FLAT_H

#include "protocol/feed/reader.h"
#include "protocol/feed/writer.h"

int feed_flat_encode(const struct feed_fields *fields, const void *message, char *text,
                     size_t capacity, size_t *len);
/* found: cleared by the caller; copied by the caller when this succeeds. */
int feed_flat_decode(const struct feed_fields *fields, const char *text, size_t len, void *found,
                     struct feed_fault *fault);

#endif
