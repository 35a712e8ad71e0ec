#include "common/clock.h"

#include <assert.h>
#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/timerfd.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#include "common/clock_follow.h"
#include "common/log.h"

enum { RUNS_PER_TURN_MAX = 1000 * 1000 };

/* Beyond every deadline; a disarmed timerfd would not tell of steps. */
static const int64_t far_us = INT64_C(253402300799) * 1000000;

struct clock_timer {
    struct clock_source *clock;
    struct clock_timer *next;
    clock_callback callback;
    void *user;
    int64_t at_us;
    bool armed;
};

struct clock_source {
    struct clock_timer *timers; /* a daemon has a handful, so a list is scanned */
    struct clock_follow *follow;
    sd_event_source *turn; /* rehearsal: runs what was armed for the past between two steps */
    int64_t event_us;      /* rehearsal only */
    int64_t behind_us;     /* rehearsal: how much event time is wrong */
    bool ready, running;
    int timer_fd;
    sd_event_source *io;
    int64_t offset_us; /* realtime less boottime, to measure a step */
    bool step_unread;  /* the kernel told of a step when it was not convenient */
    void (*stepped)(void *user, int64_t by_us);
    void *stepped_user;
};

static int64_t read_us(clockid_t id)
{
    struct timespec now;

    clock_gettime(id, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static int64_t read_offset_us(void)
{
    return read_us(CLOCK_REALTIME) - read_us(CLOCK_BOOTTIME);
}

bool clock_ready(const struct clock_source *clock)
{
    return clock->ready;
}

int64_t clock_event_us(const struct clock_source *clock)
{
    return clock->follow ? clock->event_us : read_us(CLOCK_REALTIME);
}

int64_t clock_transport_us(void)
{
    return read_us(CLOCK_MONOTONIC);
}

int64_t clock_boot_us(const struct clock_source *clock)
{
    return clock->follow ? clock->event_us + clock->behind_us : read_us(CLOCK_BOOTTIME);
}

bool clock_synchronised(const struct clock_source *clock)
{
    struct timex state = {0};

    if (clock->follow)
        return clock->behind_us == 0;
    int rc = adjtimex(&state); /* refused where a sandbox filters it: then nobody knows */
    return rc >= 0 && rc != TIME_ERROR && !(state.status & STA_UNSYNC);
}

void clock_boot_id(char id[17])
{
    char text[40] = "";
    size_t have = 0;
    int fd = open("/proc/sys/kernel/random/boot_id", O_RDONLY | O_CLOEXEC);
    ssize_t n = fd < 0 ? -1 : read(fd, text, sizeof text - 1);

    if (fd >= 0)
        close(fd);
    for (ssize_t i = 0; i < n && have < 16; i++) {
        if (isxdigit((unsigned char)text[i]))
            id[have++] = text[i];
    }
    while (have < 16)
        id[have++] = '0';
    id[16] = '\0';
}

static struct clock_timer *earliest(const struct clock_source *clock)
{
    struct clock_timer *found = NULL;

    for (struct clock_timer *timer = clock->timers; timer; timer = timer->next) {
        if (timer->armed && (!found || timer->at_us < found->at_us))
            found = timer;
    }
    return found;
}

static int arm_kernel(struct clock_source *clock, int64_t at_us)
{
    struct itimerspec spec = {0};

    spec.it_value.tv_sec = at_us / 1000000;
    spec.it_value.tv_nsec = at_us % 1000000 * 1000;
    return timerfd_settime(clock->timer_fd, TFD_TIMER_ABSTIME | TFD_TIMER_CANCEL_ON_SET, &spec,
                           NULL);
}

/* Sets the kernel's timer to the earliest of ours. While timers run it is set once, afterwards. A
 * step since the last read shows here as an error, once, with the timer set nevertheless: then it
 * is set to fire at once, so that the step is told from the loop. */
static void set_kernel_timer(struct clock_source *clock)
{
    const struct clock_timer *first = earliest(clock);
    int64_t at_us = first && first->at_us < far_us ? first->at_us : far_us;

    if (clock->running || clock->timer_fd < 0)
        return;
    if (arm_kernel(clock, at_us < 1 ? 1 : at_us) < 0 && errno == ECANCELED) {
        clock->step_unread = true;
        arm_kernel(clock, 1);
    }
}

static void run_due(struct clock_source *clock, int64_t now_us, bool each_at_its_time)
{
    struct clock_timer *timer;
    unsigned runs = 0;

    clock->running = true;
    while ((timer = earliest(clock)) && timer->at_us <= now_us) {
        runs++;
        assert(runs < RUNS_PER_TURN_MAX); /* a callback that arms itself for the past for ever */
        timer->armed = false;
        if (each_at_its_time && timer->at_us > clock->event_us)
            clock->event_us = timer->at_us;
        timer->callback(timer->user, each_at_its_time ? clock->event_us : now_us);
    }
    clock->running = false;
}

static int on_turn(sd_event_source *source, void *user)
{
    struct clock_source *clock = user;
    (void)source;

    run_due(clock, clock->event_us, true);
    return 0;
}

/* Set right or wrong, the clock jumps: no timer of the time between runs at its own time. */
static void jump(struct clock_source *clock, int64_t now_us, int64_t behind_us)
{
    int64_t by_us = clock->behind_us - behind_us;

    clock->behind_us = behind_us;
    clock->event_us = now_us;
    if (clock->ready && clock->stepped)
        clock->stepped(clock->stepped_user, by_us);
}

static void on_rehearsal_step(void *user, int64_t true_us, int64_t behind_us)
{
    struct clock_source *clock = user;
    int64_t now_us = true_us - behind_us;

    if (!clock->ready || behind_us != clock->behind_us)
        jump(clock, now_us, behind_us);
    clock->ready = true;
    run_due(clock, now_us, true);
    clock->event_us = now_us;
}

static void note_step(struct clock_source *clock)
{
    int64_t offset_us = read_offset_us();
    int64_t by_us = offset_us - clock->offset_us;

    clock->offset_us = offset_us;
    clock->step_unread = false;
    log_info("the machine's clock was set %s by %.3f s", by_us < 0 ? "back" : "forward",
             (double)(by_us < 0 ? -by_us : by_us) / 1e6);
    if (clock->stepped)
        clock->stepped(clock->stepped_user, by_us);
}

static int on_kernel_timer(sd_event_source *source, int fd, uint32_t revents, void *user)
{
    struct clock_source *clock = user;
    uint64_t expirations;
    (void)source;
    (void)revents;

    if (read(fd, &expirations, sizeof expirations) < 0 && errno == ECANCELED)
        clock->step_unread = true;
    if (clock->step_unread)
        note_step(clock);
    run_due(clock, read_us(CLOCK_REALTIME), false);
    set_kernel_timer(clock);
    return 0;
}

static int open_machine(struct clock_source *clock, sd_event *event)
{
    clock->ready = true;
    clock->offset_us = read_offset_us();
    clock->timer_fd = timerfd_create(CLOCK_REALTIME, TFD_CLOEXEC | TFD_NONBLOCK);
    if (clock->timer_fd < 0)
        return -errno;
    set_kernel_timer(clock);
    return sd_event_add_io(event, &clock->io, clock->timer_fd, EPOLLIN, on_kernel_timer, clock);
}

static int open_rehearsal(struct clock_source *clock, sd_event *event, const char *path)
{
    const struct clock_follow_events events = {clock, on_rehearsal_step};
    int rc = sd_event_add_defer(event, &clock->turn, on_turn, clock);

    if (rc < 0)
        return rc;
    rc = sd_event_source_set_enabled(clock->turn, SD_EVENT_OFF);
    return rc < 0 ? rc : clock_follow_open(&clock->follow, event, path, &events);
}

int clock_open(struct clock_source **out, sd_event *event, const char *follow)
{
    struct clock_source *clock = calloc(1, sizeof *clock);

    if (!clock)
        return -ENOMEM;
    clock->timer_fd = -1;
    int rc =
        follow && follow[0] ? open_rehearsal(clock, event, follow) : open_machine(clock, event);
    if (rc < 0) {
        clock_close(clock);
        return rc;
    }
    *out = clock;
    return 0;
}

void clock_close(struct clock_source *clock)
{
    if (!clock)
        return;
    assert(!clock->timers);
    clock_follow_close(clock->follow);
    sd_event_source_disable_unref(clock->turn);
    sd_event_source_disable_unref(clock->io);
    if (clock->timer_fd >= 0)
        close(clock->timer_fd);
    free(clock);
}

void clock_watch_steps(struct clock_source *clock, void (*stepped)(void *user, int64_t by_us),
                       void *user)
{
    clock->stepped = stepped;
    clock->stepped_user = user;
}

int clock_timer_new(struct clock_source *clock, clock_callback callback, void *user,
                    struct clock_timer **out)
{
    struct clock_timer *timer = calloc(1, sizeof *timer);

    if (!timer)
        return -ENOMEM;
    *timer = (struct clock_timer){
        .clock = clock, .next = clock->timers, .callback = callback, .user = user};
    clock->timers = timer;
    *out = timer;
    return 0;
}

void clock_timer_arm(struct clock_timer *timer, int64_t at_us)
{
    struct clock_source *clock = timer->clock;

    timer->at_us = at_us;
    timer->armed = true;
    if (!clock->follow)
        set_kernel_timer(clock);
    else if (clock->ready && !clock->running && at_us <= clock->event_us)
        sd_event_source_set_enabled(clock->turn, SD_EVENT_ONESHOT);
}

void clock_timer_disarm(struct clock_timer *timer)
{
    timer->armed = false;
    set_kernel_timer(timer->clock);
}

void clock_timer_free(struct clock_timer *timer)
{
    if (!timer)
        return;
    struct clock_source *clock = timer->clock;
    struct clock_timer **link = &clock->timers;
    while (*link != timer)
        link = &(*link)->next;
    *link = timer->next;
    free(timer);
    set_kernel_timer(clock);
}

void clock_hold(struct clock_source *clock)
{
    if (clock->follow)
        clock_follow_hold(clock->follow);
}

void clock_release(struct clock_source *clock)
{
    if (clock->follow)
        clock_follow_release(clock->follow);
}
