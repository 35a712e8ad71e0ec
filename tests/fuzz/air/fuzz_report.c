/* Payloads of FPort 10: whatever decodes encodes, and decodes to the same again. */
#include <stdlib.h>
#include <string.h>

#include "protocol/air/report.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct air_report report, back;
    if (air_report_decode(data, size, &report) != 0)
        return 0;
    uint8_t bytes[AIR_REPORT_MAX], again[AIR_REPORT_MAX];
    size_t len, again_len;
    if (air_report_encode(&report, bytes, &len) != 0 || len != size)
        abort();
    if (air_report_decode(bytes, len, &back) != 0 ||
        air_report_encode(&back, again, &again_len) != 0)
        abort();
    if (again_len != len || memcmp(bytes, again, len) != 0 || back.entries != report.entries)
        abort();
    return 0;
}
