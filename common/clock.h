/*
 * Two clocks. Event time is what stamps and judging use: UTC, microseconds since 1970. Transport
 * time is monotonic: keepalive, time-outs, RX1, watchdog. A rehearsal moves only the first: the
 * daemon connects to the world's clock socket, is told "now <us>\n", runs every event timer that is
 * due, and answers "done <us>\n". Timers of event time live here so that both modes behave alike.
 */
#ifndef EDGEROW_CLOCK_H
#define EDGEROW_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

#include <systemd/sd-event.h>

struct clock_source;
struct clock_timer;

typedef void (*clock_callback)(void *user, int64_t now_us);

/* follow: path of a rehearsal's clock socket, or NULL for the machine's clock. The rehearsal
 * clock's socket has a lower priority than every other source of the loop, so whatever was sent
 * before the step is handled before it. Connects in the background and again when the connection
 * ends; before the first "now" arrives, clock_ready() is false. Returns 0 or a negative errno. */
int clock_open(struct clock_source **clock, sd_event *event, const char *follow);
void clock_close(struct clock_source *clock);

bool clock_ready(const struct clock_source *clock);
int64_t clock_event_us(const struct clock_source *clock);
/* The kernel calls its clock synchronised (adjtimex); always true in a rehearsal. */
bool clock_synchronised(const struct clock_source *clock);
int64_t clock_transport_us(void);
/* Microseconds since boot, suspended time included (CLOCK_BOOTTIME); in a rehearsal, event time
 * since the first step. */
int64_t clock_boot_us(const struct clock_source *clock);
/* This boot's identity, 16 hex digits of the kernel's boot id. */
void clock_boot_id(char id[17]);

/* A one-shot timer on event time. Arm again from the callback for a period. A step of the machine's
 * clock is noticed. */
int clock_timer_new(struct clock_source *clock, clock_callback callback, void *user,
                    struct clock_timer **timer);
void clock_timer_arm(struct clock_timer *timer, int64_t at_us);
void clock_timer_free(struct clock_timer *timer);

/* In a rehearsal, "done" is sent only when every holder has let go: a daemon holds while work that
 * the step caused (a commit, a publish) is under way. */
void clock_hold(struct clock_source *clock);
void clock_release(struct clock_source *clock);

#endif
