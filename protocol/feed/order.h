/* What a station is to be told, by the gateway that speaks to it. Retained, one topic a unit; removed when the
 * station has answered or the order is over. */
#ifndef EDGEROW_FEED_ORDER_H
#define EDGEROW_FEED_ORDER_H

#include "protocol/air/order.h"
#include "protocol/feed/row.h"

struct feed_order {
    uint32_t devaddr;
    uint64_t number; /* of this collector, one more for each order; 1 at least */
    int64_t until_ms;
    struct air_order order; /* what its kind does not have is null */
};

/* FEED_RANGE also for an order that cannot be put into a frame. */
int feed_order_encode(const struct feed_order *order, char *text, size_t capacity, size_t *len);
int feed_order_decode(const char *text, size_t len, struct feed_order *order,
                      struct feed_fault *fault);

/* "interval", "marks", "channel", "power", "diagnostics"; NULL: no kind. */
const char *feed_order_kind_text(enum air_order_kind kind);
/* The other way; 0: no such word. */
enum air_order_kind feed_order_kind(const char *text);

#endif
