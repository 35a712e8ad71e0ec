/*
 * Packets as heard, and rows as kept. The first byte chooses. A packet that nobody signed must never be
 * accepted; one that was signed here, then changed, neither. A row that is read back must be written the
 * same.
 */
#include <stdlib.h>

#include "gateway/spool/record.h"
#include "gateway/verify/verify.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct verify_table *table;

static void judge(const uint8_t *bytes, size_t len)
{
    struct verify_result result;
    verify_judge(table, bytes, len, 0, &result);
    if (result.verdict == VERIFY_ACCEPTED || result.verdict == VERIFY_REPEATED)
        abort();
}

/* A signed frame with some of its bytes changed by the input. */
static void judge_changed(const uint8_t *data, size_t size)
{
    struct air_frame frame = {.type = AIR_UPLINK, .devaddr = 1, .fport = 10, .payload_len = 28};
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len;
    if (air_frame_build(&frame, &verify_table_at(table, 0)->keys, 7, bytes, sizeof bytes, &len) !=
        0)
        abort();
    uint8_t changes = 0; /* no memcmp: the fuzzer would learn the signed frame from it */
    for (size_t i = 0; i < size && i < len; i++) {
        bytes[i] ^= data[i];
        changes |= data[i];
    }
    if (changes != 0)
        judge(bytes, len);
}

static void read_row(const uint8_t *data, size_t size)
{
    struct record record;
    uint8_t bytes[RECORD_MAX];
    size_t len;
    if (record_unpack(data, size, &record) != 0)
        return;
    record_pack(&record, bytes, &len);
    struct record again;
    if (len > size || record_unpack(bytes, len, &again) != 0 || again.kind != record.kind)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (table == NULL) {
        struct verify_secret secret = {.devaddr = 1, .nwk_skey = {1}, .app_skey = {2}};
        if (verify_table_new(&secret, 1, &table) != 0)
            abort();
    }
    if (size == 0)
        return 0;
    switch (data[0] % 3) {
    case 0:
        judge(data + 1, size - 1);
        break;
    case 1:
        judge_changed(data + 1, size - 1);
        break;
    default:
        read_row(data + 1, size - 1);
    }
    return 0;
}
