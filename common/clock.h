/*
 * Two clocks. Event time is what stamps and judging use: UTC, microseconds since 1970. Transport
 * time is monotonic: keepalive, time-outs, RX1, watchdog. A rehearsal moves only the first: the
 * daemon connects to the world's clock socket, is told "now <us>\n", runs every event timer that is
 * due, and answers "done <us>\n"; "now <us> behind <us>\n" makes its clock wrong. Timers of event
 * time live here so that both modes behave alike.
 */
#ifndef EDGEROW_CLOCK_H
#define EDGEROW_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

#include <systemd/sd-event.h>

struct clock_source;
struct clock_timer;

typedef void (*clock_callback)(void *user, int64_t now_us);

/* follow: path of a rehearsal's clock socket, or NULL or "" for the machine's clock. The rehearsal
 * clock has a lower priority than every other source of the loop, so whatever was sent before the
 * step is handled before it, and whatever the step set going on the loop before "done" is sent.
 * Connects in the background, says "hello <program>\n" (see log_program), and connects again when
 * the connection ends; before the first "now" arrives, clock_ready() is false and event time is 0.
 * Returns 0 or a negative errno. */
int clock_open(struct clock_source **clock, sd_event *event, const char *follow);
void clock_close(struct clock_source *clock); /* after the last timer was freed; NULL is fine */

bool clock_ready(const struct clock_source *clock);
int64_t clock_event_us(const struct clock_source *clock);
/* The kernel calls its clock synchronised (adjtimex); in a rehearsal, whether the world set it
 * right. */
bool clock_synchronised(const struct clock_source *clock);
int64_t clock_transport_us(void);
/* Microseconds since boot, suspended time included (CLOCK_BOOTTIME). In a rehearsal it is the
 * world's time: all its processes are one boot that began in 1970, so a restarted daemon finds the
 * same offset. */
int64_t clock_boot_us(const struct clock_source *clock);
/* This boot's identity, 16 hex digits of the kernel's boot id. */
void clock_boot_id(char id[17]);

/* Called when somebody set the machine's clock, after by how much it was stepped (negative: back).
 * A timer that was armed for an hour after a step back comes an hour late unless it is armed anew
 * here. In a rehearsal, when the world sets the clock right or wrong. */
void clock_watch_steps(struct clock_source *clock, void (*stepped)(void *user, int64_t by_us),
                       void *user);

/* A one-shot timer on event time. Arm again from the callback for a period; arming an armed timer
 * moves it; arming for the past runs it on the next turn of the loop. In a rehearsal a step runs
 * its timers in order of time, each at its own time (the callback's now_us, and what clock_event_us
 * returns in it), so a long step does what many short ones would; only the first step jumps. */
int clock_timer_new(struct clock_source *clock, clock_callback callback, void *user,
                    struct clock_timer **timer);
void clock_timer_arm(struct clock_timer *timer, int64_t at_us);
void clock_timer_disarm(struct clock_timer *timer);
void clock_timer_free(struct clock_timer *timer); /* NULL is fine; allowed in its own callback */

/* In a rehearsal, "done" is sent only when every holder has let go: a daemon holds while work that
 * the step caused (a commit, a publish) is under way. Nothing happens on the machine's clock. */
void clock_hold(struct clock_source *clock);
void clock_release(struct clock_source *clock);

#endif
