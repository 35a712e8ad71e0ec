/* Payloads of FPort 11: whatever decodes encodes to the same bytes, reserved bits aside. */
#include <stdlib.h>
#include <string.h>

#include "protocol/air/order.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct air_order order;
    if (air_order_decode(data, size, &order) != 0)
        return 0;
    uint8_t bytes[AIR_ORDER_MAX];
    size_t len;
    if (air_order_encode(&order, bytes, &len) != 0 || len != size)
        abort();
    if (bytes[0] != data[0] || bytes[1] != (data[1] & 3) ||
        memcmp(bytes + 2, data + 2, len - 2) != 0)
        abort();
    return 0;
}
