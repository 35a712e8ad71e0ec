/* Bytes as from the radio: whatever parses builds the same frame again, reserved bits aside. */
#include <stdlib.h>
#include <string.h>

#include "protocol/air/frame.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct air_keys keys;
static bool keys_ready;

static void expect(bool holds)
{
    if (!holds)
        abort();
}

static void check_again(struct air_frame *frame, uint32_t fcnt32)
{
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len;
    struct air_frame back;
    expect(air_frame_build(frame, &keys, fcnt32, bytes, sizeof bytes, &len) == 0);
    expect(air_frame_verify(bytes, len, &keys, fcnt32));
    uint32_t found, last = fcnt32 & ~UINT32_C(0xFFFF);
    expect(air_frame_find_fcnt(bytes, len, &keys, &last, &found) && found == fcnt32);
    expect(air_frame_parse(bytes, len, &back) == 0);
    air_frame_crypt(&back, &keys, fcnt32);
    expect(back.type == frame->type && back.devaddr == frame->devaddr);
    expect(back.fport == frame->fport && back.fcnt == (uint16_t)fcnt32);
    expect(back.fopts_len == frame->fopts_len && back.payload_len == frame->payload_len);
    expect(memcmp(back.fopts, frame->fopts, back.fopts_len) == 0);
    expect(memcmp(back.payload, frame->payload, back.payload_len) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (!keys_ready) {
        static const uint8_t nwk[16] = {1}, app[16] = {2};
        expect(air_keys_init(&keys, nwk, app) == 0);
        keys_ready = true;
    }
    struct air_frame frame;
    uint32_t fcnt32, last = (uint32_t)size << 16;
    int error = air_frame_parse(data, size, &frame);
    (void)air_frame_find_fcnt(data, size, &keys, size % 2 ? NULL : &last, &fcnt32);
    if (error != 0)
        return 0;
    fcnt32 = last | frame.fcnt;
    air_frame_crypt(&frame, &keys, fcnt32);
    check_again(&frame, fcnt32);
    return 0;
}
