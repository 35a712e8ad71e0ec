/*
 * Packets as heard, and rows as kept. The first byte chooses. The fuzzer watches comparisons and so finds
 * good MICs by and by: what is accepted must then be whole, and its counter consistent. A row that is read
 * back must be written the same.
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
    if (result.verdict == VERIFY_ACCEPTED &&
        (result.unit == NULL || (result.fcnt & 0xFFFF) != result.frame.fcnt ||
         !air_frame_verify(bytes, len, &result.unit->keys, result.fcnt)))
        abort();
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
    if (data[0] % 2 == 0)
        judge(data + 1, size - 1);
    else
        read_row(data + 1, size - 1);
    return 0;
}
