/*
 * Retained messages on their way out. A newer message for a topic replaces one that still waits, so what waits is
 * bounded by the number of topics; while the broker is away they wait, and few are in flight at a time.
 */
#ifndef EDGEROW_OUTLET_H
#define EDGEROW_OUTLET_H

#include <stddef.h>

#include "common/session.h"

enum { OUTLET_IN_FLIGHT = 100 };

struct outlet_item {
    char *topic, *text;
    size_t len;
};

struct outlet {
    struct outlet_item *items;
    size_t count, capacity;
};

/* text may be NULL: the retained message is to be removed. Without memory the message is lost until its next
 * change. */
void outlet_put(struct outlet *outlet, const char *topic, const char *text, size_t len);
/* Hands over what the session takes. */
void outlet_flush(struct outlet *outlet, struct session *session);
void outlet_free(struct outlet *outlet);

#endif
