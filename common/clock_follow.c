#include "common/clock_follow.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "common/log.h"

enum {
    RETRY_US = 100 * 1000,
    STEP_PRIORITY = SD_EVENT_PRIORITY_IDLE,
    DONE_PRIORITY = SD_EVENT_PRIORITY_IDLE + 10,
    LINE_BYTES = 64
};

struct clock_follow {
    sd_event *event;
    struct sockaddr_un address;
    struct clock_follow_events events;
    int fd;
    sd_event_source *io, *retry, *done;
    char line[LINE_BYTES];
    size_t have;
    int64_t step_us, behind_us;
    bool owed; /* a step was taken and not yet answered */
    unsigned holds;
    struct log_gate gate;
};

static void drop(struct clock_follow *follow)
{
    follow->io = sd_event_source_disable_unref(follow->io);
    if (follow->fd >= 0)
        close(follow->fd);
    follow->fd = -1;
    follow->have = 0;
    follow->owed = false;
    sd_event_source_set_time_relative(follow->retry, RETRY_US);
    sd_event_source_set_enabled(follow->retry, SD_EVENT_ONESHOT);
}

static int say(struct clock_follow *follow, const char *text)
{
    size_t len = strlen(text);
    ssize_t n = send(follow->fd, text, len, MSG_NOSIGNAL | MSG_DONTWAIT);

    if (n == (ssize_t)len)
        return 0;
    log_error("rehearsal clock %s: cannot answer (%s), connecting again", follow->address.sun_path,
              n < 0 ? strerror(errno) : "socket full");
    drop(follow);
    return -EIO;
}

static const char *parse_us(const char *text, int64_t *us)
{
    char *end;

    errno = 0;
    long long value = strtoll(text, &end, 10);
    if (errno || end == text || value < 0)
        return NULL;
    *us = value;
    return end;
}

/* "now <us>", or "now <us> behind <us>" for a machine whose clock is wrong. */
static int parse_step(const char *line, int64_t *now_us, int64_t *behind_us)
{
    const char *rest = strncmp(line, "now ", 4) == 0 ? parse_us(line + 4, now_us) : NULL;

    *behind_us = 0;
    if (rest && strncmp(rest, " behind ", 8) == 0)
        rest = parse_us(rest + 8, behind_us);
    return rest && *rest == '\0' && *now_us > *behind_us ? 0 : -EINVAL;
}

static void take_step(struct clock_follow *follow, const char *line)
{
    if (parse_step(line, &follow->step_us, &follow->behind_us) < 0) {
        log_error("rehearsal clock %s: \"%s\" is not \"now <microseconds>\", connecting again",
                  follow->address.sun_path, line);
        drop(follow);
        return;
    }
    follow->owed = true;
    follow->events.step(follow->events.user, follow->step_us, follow->behind_us);
    sd_event_source_set_enabled(follow->done, SD_EVENT_ONESHOT);
}

/* One step at a time: the next line waits until this one is answered. */
static void take_lines(struct clock_follow *follow)
{
    char *end;

    while (!follow->owed && (end = memchr(follow->line, '\n', follow->have))) {
        char line[LINE_BYTES];
        size_t n = (size_t)(end - follow->line);
        memcpy(line, follow->line, n);
        line[n] = '\0';
        follow->have -= n + 1;
        memmove(follow->line, end + 1, follow->have);
        take_step(follow, line);
    }
}

static int on_input(sd_event_source *source, int fd, uint32_t revents, void *user)
{
    struct clock_follow *follow = user;
    (void)source;
    (void)revents;

    ssize_t n =
        recv(fd, follow->line + follow->have, sizeof follow->line - follow->have, MSG_DONTWAIT);
    if (n < 0 && (errno == EAGAIN || errno == EINTR))
        return 0;
    if (n <= 0) {
        drop(follow);
        return 0;
    }
    follow->have += (size_t)n;
    take_lines(follow);
    return 0;
}

static int on_done(sd_event_source *source, void *user)
{
    struct clock_follow *follow = user;
    char text[LINE_BYTES];
    (void)source;

    if (follow->holds > 0 || !follow->owed)
        return 0;
    snprintf(text, sizeof text, "done %" PRId64 "\n", follow->step_us);
    follow->owed = false;
    if (say(follow, text) == 0)
        take_lines(follow);
    return 0;
}

static int join(struct clock_follow *follow)
{
    char text[LINE_BYTES];

    follow->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (follow->fd < 0)
        return -errno;
    if (connect(follow->fd, (struct sockaddr *)&follow->address, sizeof follow->address) < 0)
        return -errno;
    int rc = sd_event_add_io(follow->event, &follow->io, follow->fd, EPOLLIN, on_input, follow);
    if (rc < 0)
        return rc;
    rc = sd_event_source_set_priority(follow->io, STEP_PRIORITY);
    if (rc < 0)
        return rc;
    snprintf(text, sizeof text, "hello %s\n", log_program());
    return say(follow, text);
}

static int on_retry(sd_event_source *source, uint64_t at_us, void *user)
{
    struct clock_follow *follow = user;
    uint64_t held;
    (void)source;

    int rc = join(follow);
    if (rc == 0)
        return 0;
    if (log_gate_open(&follow->gate, (int64_t)at_us, &held))
        log_warning("rehearsal clock %s: not reached yet (%s), trying again",
                    follow->address.sun_path, strerror(-rc));
    drop(follow);
    return 0;
}

static int prepare(struct clock_follow *follow)
{
    int rc = sd_event_add_time_relative(follow->event, &follow->retry, CLOCK_MONOTONIC, 0, 1000,
                                        on_retry, follow);
    if (rc < 0)
        return rc;
    rc = sd_event_add_defer(follow->event, &follow->done, on_done, follow);
    if (rc < 0)
        return rc;
    rc = sd_event_source_set_enabled(follow->done, SD_EVENT_OFF);
    return rc < 0 ? rc : sd_event_source_set_priority(follow->done, DONE_PRIORITY);
}

int clock_follow_open(struct clock_follow **out, sd_event *event, const char *path,
                      const struct clock_follow_events *events)
{
    struct clock_follow *follow = calloc(1, sizeof *follow);

    if (!follow)
        return -ENOMEM;
    follow->event = event;
    follow->events = *events;
    follow->fd = -1;
    follow->address.sun_family = AF_UNIX;
    int n = snprintf(follow->address.sun_path, sizeof follow->address.sun_path, "%s", path);
    int rc = (size_t)n < sizeof follow->address.sun_path ? prepare(follow) : -ENAMETOOLONG;
    if (rc < 0) {
        clock_follow_close(follow);
        return rc;
    }
    *out = follow;
    return 0;
}

void clock_follow_close(struct clock_follow *follow)
{
    if (!follow)
        return;
    sd_event_source_disable_unref(follow->io);
    sd_event_source_disable_unref(follow->retry);
    sd_event_source_disable_unref(follow->done);
    if (follow->fd >= 0)
        close(follow->fd);
    free(follow);
}

void clock_follow_hold(struct clock_follow *follow)
{
    follow->holds++;
}

void clock_follow_release(struct clock_follow *follow)
{
    assert(follow->holds > 0);
    if (--follow->holds == 0 && follow->owed)
        sd_event_source_set_enabled(follow->done, SD_EVENT_ONESHOT);
}
