#include "tests/bench/radio/jitter.h"

#include <sched.h>
#include <signal.h>
#include <stddef.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { PRIORITY = 40, EVERY_US = 10000, LATE_US = 1000 };

static int64_t now_us(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000LL + t.tv_nsec / 1000;
}

static void sleep_and_note(struct jitter *j)
{
    struct sched_param priority = {.sched_priority = PRIORITY};
    int64_t at_us = now_us();

    prctl(PR_SET_PDEATHSIG, SIGKILL);
    sched_setscheduler(0, SCHED_FIFO, &priority);
    for (;;) {
        struct timespec t;
        int64_t late_us;

        at_us += EVERY_US;
        t = (struct timespec){.tv_sec = at_us / 1000000, .tv_nsec = at_us % 1000000 * 1000};
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL);
        late_us = now_us() - at_us;
        j->sleeps++;
        j->late += late_us > LATE_US;
        j->most_us = late_us > j->most_us ? late_us : j->most_us;
        if (late_us > EVERY_US)
            at_us += late_us;
    }
}

struct jitter *jitter_start(void)
{
    pid_t pid;
    struct jitter *j =
        mmap(NULL, sizeof *j, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);

    if (j == MAP_FAILED)
        return NULL;
    /* The child sees the same memory: it must not write its own 0 there. */
    pid = fork();
    if (pid == 0)
        sleep_and_note(j);
    j->pid = pid;
    if (pid < 0) {
        munmap(j, sizeof *j);
        return NULL;
    }
    return j;
}

void jitter_stop(struct jitter *j)
{
    kill(j->pid, SIGKILL);
    waitpid(j->pid, NULL, 0);
}
