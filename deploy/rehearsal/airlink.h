/* What a gateway's radio hears, as text lines to the socket of its simulated radio. */
#ifndef EDGEROW_REHEARSAL_AIRLINK_H
#define EDGEROW_REHEARSAL_AIRLINK_H

#include <stdbool.h>

#include "deploy/rehearsal/waves.h"

struct airlink {
    char path[108];
    int fd; /* -1: not connected */
    size_t used, sent, capacity;
    char *text; /* lines not yet sent */
};

int airlink_open(struct airlink *link, const char *path);
void airlink_close(struct airlink *link);
/* True when connected, perhaps only now. */
bool airlink_connect(struct airlink *link);
void airlink_drop(struct airlink *link);
/* behind_us: of the gateway's clock, by which it stamps. */
int airlink_add(struct airlink *link, const struct waves_copy *copy, int64_t behind_us);
/* Hands over at most `most` bytes, waiting for the reader. False: the gateway went away, the rest
 * is dropped. */
bool airlink_push(struct airlink *link, size_t most);

#endif
