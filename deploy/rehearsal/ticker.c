#include "deploy/rehearsal/ticker.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

enum { LINE_MAX_BYTES = 128 };

struct ticker {
    sd_event *event;
    char path[108];
    int listener, peer;
    sd_event_source *on_listener, *on_peer;
    int64_t now_us, behind_us, done_us;
    bool greeted;
    size_t have;
    char line[LINE_MAX_BYTES];
};

static void lose_peer(struct ticker *t)
{
    t->on_peer = sd_event_source_disable_unref(t->on_peer);
    if (t->peer >= 0)
        close(t->peer);
    t->peer = -1;
    t->greeted = false;
    t->have = 0;
}

static void say_now(struct ticker *t)
{
    char text[96];
    int len = t->behind_us == 0
                  ? snprintf(text, sizeof text, "now %" PRId64 "\n", t->now_us)
                  : snprintf(text, sizeof text, "now %" PRId64 " behind %" PRId64 "\n", t->now_us,
                             t->behind_us);
    if (t->peer >= 0 && t->greeted && t->now_us != 0 &&
        send(t->peer, text, (size_t)len, MSG_NOSIGNAL) != len)
        lose_peer(t);
}

static void take_line(struct ticker *t, const char *line)
{
    long long done;
    if (strncmp(line, "hello ", 6) == 0) {
        t->greeted = true;
        say_now(t);
    } else if (sscanf(line, "done %lld", &done) == 1) {
        t->done_us = done;
    }
}

static int peer_says(sd_event_source *source, int fd, uint32_t events, void *user)
{
    (void)source;
    (void)events;
    struct ticker *t = user;
    ssize_t n = recv(fd, t->line + t->have, sizeof t->line - 1 - t->have, MSG_DONTWAIT);
    if (n <= 0) {
        if (n == 0 || errno != EAGAIN)
            lose_peer(t);
        return 0;
    }
    t->have += (size_t)n;
    char *end;
    while (t->peer >= 0 && (end = memchr(t->line, '\n', t->have)) != NULL) {
        size_t used = (size_t)(end - t->line) + 1;
        *end = '\0';
        take_line(t, t->line);
        if (t->have >= used)
            memmove(t->line, t->line + used, t->have -= used);
    }
    return 0;
}

static int peer_comes(sd_event_source *source, int fd, uint32_t events, void *user)
{
    (void)source;
    (void)events;
    struct ticker *t = user;
    int peer = accept4(fd, NULL, NULL, SOCK_CLOEXEC);
    if (peer < 0)
        return 0;
    lose_peer(t);
    t->peer = peer;
    if (sd_event_add_io(t->event, &t->on_peer, peer, EPOLLIN, peer_says, t) < 0)
        lose_peer(t);
    return 0;
}

static int listen_on(const char *path)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path)
        return -ENAMETOOLONG;
    strcpy(address.sun_path, path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return -errno;
    unlink(path);
    if (bind(fd, (struct sockaddr *)&address, sizeof address) != 0 || listen(fd, 4) != 0) {
        int error = errno;
        close(fd);
        return -error;
    }
    return fd;
}

int ticker_open(struct ticker **ticker, sd_event *event, const char *path)
{
    struct ticker *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    *made = (struct ticker){.event = event, .peer = -1, .listener = listen_on(path)};
    int result = made->listener;
    if (result >= 0) {
        strcpy(made->path, path);
        result =
            sd_event_add_io(event, &made->on_listener, made->listener, EPOLLIN, peer_comes, made);
    }
    if (result < 0) {
        ticker_close(made);
        return result;
    }
    *ticker = made;
    return 0;
}

void ticker_close(struct ticker *t)
{
    if (t == NULL)
        return;
    lose_peer(t);
    sd_event_source_disable_unref(t->on_listener);
    if (t->listener >= 0) {
        close(t->listener);
        unlink(t->path);
    }
    free(t);
}

void ticker_tell(struct ticker *t, int64_t now_us, int64_t behind_us)
{
    t->now_us = now_us;
    t->behind_us = behind_us;
    say_now(t);
}

bool ticker_done(const struct ticker *t)
{
    return t->now_us == t->done_us;
}

bool ticker_connected(const struct ticker *t)
{
    return t->peer >= 0 && t->greeted;
}
