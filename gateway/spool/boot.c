#include "gateway/spool/boot.h"

bool boot_clock_settle(struct boot_clock *clock, int64_t event_ms, int64_t boot_ms,
                       bool synchronised, int64_t *offset_ms)
{
    if (!synchronised || clock->synchronised)
        return false;
    clock->synchronised = true;
    if (!clock->has_base)
        return false;
    *offset_ms = event_ms - boot_ms - clock->base_ms;
    return true;
}

struct boot_stamp boot_clock_stamp(struct boot_clock *clock, int64_t event_ms, int64_t boot_ms)
{
    if (clock->synchronised)
        return (struct boot_stamp){event_ms, boot_ms, true};
    if (!clock->has_base) {
        clock->has_base = true;
        clock->base_ms = event_ms - boot_ms;
    }
    return (struct boot_stamp){clock->base_ms + boot_ms, boot_ms, false};
}
