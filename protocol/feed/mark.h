/* The stored mark: what a collector has on disk of one spool. Retained; the gateway may forget rows up
 * to n once every configured collector has said so. A collector publishes its mark again whenever its
 * connection begins: a gateway takes a mark that has not moved as "go on from here", and publishes again
 * from n + 1. */
#ifndef EDGEROW_FEED_MARK_H
#define EDGEROW_FEED_MARK_H

#include "protocol/feed/row.h"

struct feed_mark {
    char store[FEED_ID_SIZE]; /* a store made anew has a new one */
    char spool[FEED_ID_SIZE];
    uint64_t n;                /* contiguous committed prefix; 0: nothing yet */
    char hash[FEED_HASH_SIZE]; /* the hash that came with row n; 32 zeros when n is 0 */
};

int feed_mark_encode(const struct feed_mark *mark, char *text, size_t capacity, size_t *len);
int feed_mark_decode(const char *text, size_t len, struct feed_mark *mark,
                     struct feed_fault *fault);

#endif
