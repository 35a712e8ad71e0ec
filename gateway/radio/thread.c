#include "gateway/radio/thread.h"

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

/* Above everything ordinary, below the kernel's interrupt threads (50), which bring us the edges.
 */
enum { PRIORITY = 40, STACK_BYTES = 256 * 1024 };

struct radio_thread {
    const struct radio_ops *ops;
    struct radio *radio;
    int wake;
    atomic_bool stop;
    pthread_t thread;
};

static int64_t now_us(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000LL + t.tv_nsec / 1000;
}

static void wait(struct radio_thread *t)
{
    struct pollfd wanted[2] = {{.fd = t->ops->descriptor(t->radio), .events = POLLIN},
                               {.fd = t->wake, .events = POLLIN}};
    int64_t us = t->ops->timeout_us(t->radio, now_us());
    struct timespec timeout = {.tv_sec = us / 1000000, .tv_nsec = us % 1000000 * 1000};
    uint64_t count;

    /* A descriptor that is broken stays readable; the driver notices by itself, so wait without it.
     */
    if (ppoll(wanted, 2, &timeout, NULL) > 0 &&
        (wanted[0].revents & (POLLERR | POLLNVAL | POLLHUP))) {
        timeout = (struct timespec){.tv_nsec = 10000000};
        ppoll(wanted + 1, 1, &timeout, NULL);
    }
    if (read(t->wake, &count, sizeof count) < 0)
        return;
}

static void *run(void *user)
{
    struct radio_thread *t = user;

    while (!atomic_load(&t->stop)) {
        t->ops->service(t->radio, now_us());
        wait(t);
    }
    return NULL;
}

static int create(struct radio_thread *t, bool real_time)
{
    struct sched_param priority = {.sched_priority = PRIORITY};
    pthread_attr_t attributes;
    int r;

    pthread_attr_init(&attributes);
    pthread_attr_setstacksize(&attributes, STACK_BYTES);
    if (real_time) {
        pthread_attr_setinheritsched(&attributes, PTHREAD_EXPLICIT_SCHED);
        pthread_attr_setschedpolicy(&attributes, SCHED_FIFO);
        pthread_attr_setschedparam(&attributes, &priority);
    }
    r = pthread_create(&t->thread, &attributes, run, t);
    pthread_attr_destroy(&attributes);
    return -r;
}

static void wake(struct radio_thread *t)
{
    uint64_t one = 1;

    if (write(t->wake, &one, sizeof one) < 0)
        return; /* the counter is full: it is awake already */
}

int radio_thread_start(struct radio_thread **thread, const struct radio_ops *ops,
                       const struct radio_settings *settings, struct radio_ring *ring,
                       bool *real_time, char *why, size_t why_size)
{
    struct radio_thread *t = calloc(1, sizeof *t);
    int r = t ? 0 : -ENOMEM;

    if (r < 0)
        goto out;
    t->ops = ops;
    t->wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (t->wake < 0) {
        r = -errno;
        goto free_thread;
    }
    r = ops->open(&t->radio, settings, radio_ring_put, ring, why, why_size);
    if (r < 0)
        goto close_wake;
    /* What is mapped now stays in memory once touched; without the right to do so it works all the
     * same. */
    *real_time = mlockall(MCL_CURRENT | MCL_ONFAULT) == 0 || radio_ring_lock(ring) == 0;
    r = create(t, true);
    *real_time = *real_time && r == 0;
    if (r == -EPERM)
        r = create(t, false);
    if (r == 0) {
        *thread = t;
        return 0;
    }
    ops->close(t->radio);
close_wake:
    close(t->wake);
free_thread:
    free(t);
out:
    if (!why[0])
        snprintf(why, why_size, "A thread for the radio cannot be started: %s.", strerror(-r));
    return r;
}

void radio_thread_stop(struct radio_thread *t)
{
    if (!t)
        return;
    atomic_store(&t->stop, true);
    wake(t);
    pthread_join(t->thread, NULL);
    t->ops->close(t->radio);
    close(t->wake);
    free(t);
}

int radio_thread_send(struct radio_thread *t, const struct radio_sending *sending)
{
    int r = t->ops->send(t->radio, sending);

    if (r == 0)
        wake(t);
    return r;
}

void radio_thread_counts(struct radio_thread *t, struct radio_counts *counts)
{
    t->ops->counts(t->radio, counts);
}
