/*
 * The times of one boot: pure. Until the kernel calls its clock synchronised, frames are stamped
 * from a base that does not move, so that one offset corrects them all. Once synchronised, a clock
 * stays so for the rest of the boot: what it drifts without its source is seconds a day.
 */
#ifndef EDGEROW_SPOOL_BOOT_H
#define EDGEROW_SPOOL_BOOT_H

#include <stdbool.h>
#include <stdint.h>

struct boot_clock {
    bool has_base;   /* frames were stamped before the clock was synchronised */
    int64_t base_ms; /* event time at boot, as believed then */
    bool synchronised;
};

struct boot_stamp {
    int64_t heard_ms, boot_ms;
    bool synchronised;
};

/* Takes notice of the kernel's word. True when a CLOCK row is due, with *offset_ms. */
bool boot_clock_settle(struct boot_clock *clock, int64_t event_ms, int64_t boot_ms,
                       bool synchronised, int64_t *offset_ms);
/* The stamp of a frame heard at these two instants of the two clocks. */
struct boot_stamp boot_clock_stamp(struct boot_clock *clock, int64_t event_ms, int64_t boot_ms);

#endif
