/* How late this machine wakes a real-time thread, measured beside a run: what no program can do better than. */
#ifndef EDGEROW_BENCH_JITTER_H
#define EDGEROW_BENCH_JITTER_H

#include <stdint.h>
#include <sys/types.h>

struct jitter {
    pid_t pid;
    uint64_t sleeps, late; /* woken more than a millisecond after the time asked for */
    int64_t most_us;
};

/* In a process of its own, with the priority of the gateway's radio threads. NULL: it cannot be started. */
struct jitter *jitter_start(void);
void jitter_stop(struct jitter *jitter);

#endif
