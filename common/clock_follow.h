/* The connection to a rehearsal's clock socket: takes steps, answers them. */
#ifndef EDGEROW_CLOCK_FOLLOW_H
#define EDGEROW_CLOCK_FOLLOW_H

#include <stdint.h>

#include <systemd/sd-event.h>

struct clock_follow;

struct clock_follow_events {
    void *user;
    /* behind_us: the machine's clock shows that much less than now_us, and nobody calls it
     * synchronised. */
    void (*step)(void *user, int64_t now_us, int64_t behind_us);
};

/* 0 or a negative errno; connects in the background. */
int clock_follow_open(struct clock_follow **follow, sd_event *event, const char *path,
                      const struct clock_follow_events *events);
void clock_follow_close(struct clock_follow *follow);
/* A holder keeps "done" back. */
void clock_follow_hold(struct clock_follow *follow);
void clock_follow_release(struct clock_follow *follow);

#endif
