/* Presence of a daemon: birth, orderly end, and the will that the broker sends for it. */
#ifndef EDGEROW_FEED_PRESENCE_H
#define EDGEROW_FEED_PRESENCE_H

#include "protocol/feed/row.h"

struct feed_presence {
    bool online;
    char software[32]; /* version of the daemon */
    int64_t since_ms;  /* start of this run; 0 in a will */
};

int feed_presence_encode(const struct feed_presence *p, char *text, size_t capacity, size_t *len);
int feed_presence_decode(const char *text, size_t len, struct feed_presence *p,
                         struct feed_fault *fault);

#endif
