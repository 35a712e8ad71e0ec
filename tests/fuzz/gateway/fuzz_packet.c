/*
 * Packets as heard, packets of somebody who has the keys, and rows as kept. The first byte chooses. What is accepted
 * must be whole, and its counter consistent. A row that is read back must be written the same.
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

/* The packet of a station whose keys are ours, whatever else it says. */
static void judge_sealed(const uint8_t *data, size_t size)
{
    struct air_frame frame;
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len;
    if (air_frame_parse(data, size, &frame) != 0)
        return;
    frame.devaddr = 1;
    const struct air_keys *keys = &verify_table_at(table, 0)->keys;
    if (air_frame_build(&frame, keys, frame.fcnt, bytes, sizeof bytes, &len) == 0)
        judge(bytes, len);
}

static void read_row(const uint8_t *data, size_t size)
{
    struct record record;
    uint8_t bytes[RECORD_MAX];
    size_t len;
    if (record_of_row(1, data, size, &record) < 0)
        abort(); /* only a good check makes a newer layout */
    if (record_unpack(data, size, &record) != 0)
        return;
    record_pack(&record, bytes, &len);
    struct record again;
    if (len > size + 4 || record_unpack(bytes, len, &again) != 0 || again.kind != record.kind)
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
    if (data[0] % 3 == 0)
        judge(data + 1, size - 1);
    else if (data[0] % 3 == 1)
        judge_sealed(data + 1, size - 1);
    else
        read_row(data + 1, size - 1);
    return 0;
}
