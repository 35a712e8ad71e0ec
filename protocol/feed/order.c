#include "protocol/feed/order.h"

#include <string.h>

#include "protocol/air/frame.h"
#include "protocol/feed/flat.h"

static const char *const kinds[] = {[AIR_ORDER_INTERVAL] = "interval",
                                    [AIR_ORDER_MARKS] = "marks",
                                    [AIR_ORDER_CHANNEL] = "channel",
                                    [AIR_ORDER_POWER] = "power",
                                    [AIR_ORDER_DIAGNOSTICS] = "diagnostics"};
enum { KINDS = sizeof kinds / sizeof kinds[0] };

/* What stands for null; no kind of order may hold these. */
enum { NO_MARK = 255, NO_POWER = 127 };

static const struct feed_field order_list[] = {
    FEED_HEX("devaddr", feed_order, devaddr, AIR_DEVADDR_MAX),
    FEED_INTEGER("number", feed_order, number, 1, FEED_COUNT_MAX),
    FEED_STAMP("until", feed_order, until_ms),
    FEED_WORD("order", feed_order, order.kind, kinds),
    FEED_INTEGER("sequence", feed_order, order.sequence, 0, 3),
    FEED_INTEGER_OR_NULL("interval_min", feed_order, order.interval_min, 1, 60, 0),
    FEED_INTEGER_OR_NULL("full_mark_mm", feed_order, order.full_mark_mm, 1, 250, NO_MARK),
    FEED_INTEGER_OR_NULL("low_mark_mm", feed_order, order.low_mark_mm, 0, 249, NO_MARK),
    FEED_INTEGER_OR_NULL("frequency_hz", feed_order, order.frequency_hz, 100, 1677721500, 0),
    FEED_INTEGER_OR_NULL("bandwidth_hz", feed_order, order.bandwidth_hz, 125000, 500000, 0),
    FEED_INTEGER_OR_NULL("spreading_factor", feed_order, order.spreading_factor, 7, 12, 0),
    FEED_INTEGER_OR_NULL("power_dbm", feed_order, order.power_dbm, -9, 30, NO_POWER),
};
static const struct feed_fields order_fields = FEED_FIELDS(order_list);

/* Only what its kind has. */
static struct feed_order bare(const struct feed_order *order)
{
    const struct air_order *o = &order->order;
    struct feed_order out = {.devaddr = order->devaddr,
                             .number = order->number,
                             .until_ms = order->until_ms,
                             .order = {.kind = o->kind,
                                       .sequence = o->sequence,
                                       .full_mark_mm = NO_MARK,
                                       .low_mark_mm = NO_MARK,
                                       .power_dbm = NO_POWER}};
    if (o->kind == AIR_ORDER_INTERVAL)
        out.order.interval_min = o->interval_min;
    if (o->kind == AIR_ORDER_MARKS) {
        out.order.full_mark_mm = o->full_mark_mm;
        out.order.low_mark_mm = o->low_mark_mm;
    }
    if (o->kind == AIR_ORDER_CHANNEL) {
        out.order.frequency_hz = o->frequency_hz;
        out.order.bandwidth_hz = o->bandwidth_hz;
        out.order.spreading_factor = o->spreading_factor;
    }
    if (o->kind == AIR_ORDER_POWER)
        out.order.power_dbm = o->power_dbm;
    return out;
}

static bool sendable(const struct air_order *order)
{
    uint8_t bytes[AIR_ORDER_MAX];
    size_t len;
    return air_order_encode(order, bytes, &len) == AIR_OK;
}

int feed_order_encode(const struct feed_order *order, char *text, size_t capacity, size_t *len)
{
    struct feed_order out = bare(order);
    return sendable(&out.order) ? feed_flat_encode(&order_fields, &out, text, capacity, len)
                                : FEED_RANGE;
}

int feed_order_decode(const char *text, size_t len, struct feed_order *order,
                      struct feed_fault *fault)
{
    struct feed_order found = {.number = 0};
    int rc = feed_flat_decode(&order_fields, text, len, &found, fault);
    if (rc == FEED_OK && !sendable(&found.order)) {
        rc = FEED_RANGE;
        if (fault != NULL)
            *fault = (struct feed_fault){.error = rc, .where = "order"};
    }
    if (rc == FEED_OK)
        *order = bare(&found);
    return rc;
}

const char *feed_order_kind_text(enum air_order_kind kind)
{
    return (size_t)kind < KINDS ? kinds[kind] : NULL;
}

enum air_order_kind feed_order_kind(const char *text)
{
    for (size_t i = 1; i < KINDS; i++)
        if (strcmp(kinds[i], text) == 0)
            return (enum air_order_kind)i;
    return (enum air_order_kind)0;
}
