/* Lines of a simulated air. What is accepted lies within its stated limits. */
#include <stdlib.h>

#include "gateway/radio/simulated_line.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct radio_packet packet;
    const char *why = NULL;
    if (simulated_line_parse((const char *)data, size, &packet, &why) != 0) {
        if (why == NULL)
            abort();
    } else if (packet.len == 0 || packet.spreading_factor < 5 || packet.spreading_factor > 12 ||
               packet.event_us < 0 || packet.rssi_cdbm < -30000 || packet.snr_cdb < -10000) {
        abort();
    }
    return 0;
}
