#include "protocol/air/order.h"

#include "protocol/air/cursor.h"
#include "protocol/air/report.h"

enum { FREQUENCY_STEP_HZ = 100, FREQUENCY_CODE_MAX = 0xFFFFFF, SEQUENCE_MASK = 3 };

static const uint32_t bandwidths_hz[] = {125000, 250000, 500000};
enum { BANDWIDTHS = sizeof bandwidths_hz / sizeof bandwidths_hz[0] };

/* Whole length by kind: version and kind, sequence, fields. */
static const uint8_t lengths[] = {[AIR_ORDER_INTERVAL] = 3,
                                  [AIR_ORDER_MARKS] = 4,
                                  [AIR_ORDER_CHANNEL] = 6,
                                  [AIR_ORDER_POWER] = 3,
                                  [AIR_ORDER_DIAGNOSTICS] = 2};
enum { KINDS = sizeof lengths / sizeof lengths[0] };

_Static_assert(KINDS == AIR_ORDER_DIAGNOSTICS + 1, "every kind has a length");

static bool kind_known(unsigned kind)
{
    return kind >= AIR_ORDER_INTERVAL && kind < KINDS;
}

static bool bandwidth_code(uint32_t bandwidth_hz, uint32_t *code)
{
    for (uint32_t i = 0; i < BANDWIDTHS; i++) {
        if (bandwidths_hz[i] == bandwidth_hz) {
            *code = i;
            return true;
        }
    }
    return false;
}

static bool frequency_valid(uint32_t frequency_hz)
{
    return frequency_hz > 0 && frequency_hz % FREQUENCY_STEP_HZ == 0 &&
           frequency_hz / FREQUENCY_STEP_HZ <= FREQUENCY_CODE_MAX;
}

static bool fields_valid(const struct air_order *order)
{
    uint32_t code;
    switch (order->kind) {
    case AIR_ORDER_INTERVAL:
        return order->interval_min >= AIR_INTERVAL_MIN_MIN &&
               order->interval_min <= AIR_INTERVAL_MAX_MIN;
    case AIR_ORDER_MARKS:
        return order->low_mark_mm < order->full_mark_mm && order->full_mark_mm <= AIR_MARK_MAX_MM;
    case AIR_ORDER_CHANNEL:
        return frequency_valid(order->frequency_hz) && bandwidth_code(order->bandwidth_hz, &code) &&
               order->spreading_factor >= 7 && order->spreading_factor <= 12;
    case AIR_ORDER_POWER:
        return order->power_dbm >= -9 && order->power_dbm <= 30;
    case AIR_ORDER_DIAGNOSTICS:
        return true;
    }
    return false;
}

static void read_channel(struct air_reader *reader, struct air_order *order)
{
    order->frequency_hz = air_reader_uint(reader, 3) * FREQUENCY_STEP_HZ;
    uint32_t byte = air_reader_uint(reader, 1);
    order->bandwidth_hz = byte >> 4 < BANDWIDTHS ? bandwidths_hz[byte >> 4] : 0;
    order->spreading_factor = byte & 0x0F;
}

static void read_fields(struct air_reader *reader, struct air_order *order)
{
    switch (order->kind) {
    case AIR_ORDER_INTERVAL:
        order->interval_min = (uint8_t)air_reader_uint(reader, 1);
        break;
    case AIR_ORDER_MARKS:
        order->full_mark_mm = (uint8_t)air_reader_uint(reader, 1);
        order->low_mark_mm = (uint8_t)air_reader_uint(reader, 1);
        break;
    case AIR_ORDER_CHANNEL:
        read_channel(reader, order);
        break;
    case AIR_ORDER_POWER:
        order->power_dbm = (int8_t)air_reader_uint(reader, 1);
        break;
    case AIR_ORDER_DIAGNOSTICS:
        break;
    }
}

static int check_layout(const uint8_t *bytes, size_t len)
{
    if (len < 1)
        return AIR_SHORT;
    unsigned version = bytes[0] >> 4, kind = bytes[0] & 0x0F;
    if (version > AIR_ORDER_VERSION)
        return AIR_VERSION;
    if (version < AIR_ORDER_VERSION)
        return AIR_RANGE;
    if (!kind_known(kind))
        return AIR_KIND;
    if (len < lengths[kind])
        return AIR_SHORT;
    return len > lengths[kind] ? AIR_LONG : AIR_OK;
}

int air_order_decode(const uint8_t *bytes, size_t len, struct air_order *order)
{
    int error = check_layout(bytes, len);
    if (error != AIR_OK)
        return error;
    struct air_reader reader = air_reader_over(bytes, len);
    struct air_order read = {0};
    read.kind = (enum air_order_kind)(air_reader_uint(&reader, 1) & 0x0F);
    read.sequence = air_reader_uint(&reader, 1) & SEQUENCE_MASK;
    read_fields(&reader, &read);
    if (reader.overrun)
        return AIR_SHORT;
    if (!fields_valid(&read))
        return AIR_RANGE;
    *order = read;
    return AIR_OK;
}

static void write_fields(struct air_writer *writer, const struct air_order *order)
{
    uint32_t code = 0;
    switch (order->kind) {
    case AIR_ORDER_INTERVAL:
        air_writer_uint(writer, order->interval_min, 1);
        break;
    case AIR_ORDER_MARKS:
        air_writer_uint(writer, order->full_mark_mm, 1);
        air_writer_uint(writer, order->low_mark_mm, 1);
        break;
    case AIR_ORDER_CHANNEL:
        (void)bandwidth_code(order->bandwidth_hz, &code);
        air_writer_uint(writer, order->frequency_hz / FREQUENCY_STEP_HZ, 3);
        air_writer_uint(writer, code << 4 | order->spreading_factor, 1);
        break;
    case AIR_ORDER_POWER:
        air_writer_uint(writer, (uint8_t)order->power_dbm, 1);
        break;
    case AIR_ORDER_DIAGNOSTICS:
        break;
    }
}

int air_order_encode(const struct air_order *order, uint8_t bytes[AIR_ORDER_MAX], size_t *len)
{
    if (!kind_known(order->kind))
        return AIR_KIND;
    if (order->sequence > SEQUENCE_MASK || !fields_valid(order))
        return AIR_RANGE;
    struct air_writer writer = air_writer_over(bytes, AIR_ORDER_MAX);
    air_writer_uint(&writer, AIR_ORDER_VERSION << 4 | (uint32_t)order->kind, 1);
    air_writer_uint(&writer, order->sequence, 1);
    write_fields(&writer, order);
    *len = writer.len;
    return AIR_OK;
}
