#include "deploy/rehearsal/cutter.h"

#include <errno.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <unistd.h>

#include "deploy/rehearsal/loopback.h"

enum { BUFFER_BYTES = 1 << 16 };

/* One direction of the connection. */
struct pipe {
    int from, to;
    sd_event_source *readable, *writable;
    size_t have;
    char bytes[BUFFER_BYTES];
};

struct cutter {
    sd_event *event;
    int listener, port, broker_port;
    sd_event_source *io;
    bool cut;
    int near, far; /* the gateway's end and the broker's; -1: none */
    struct pipe up, down;
};

static void end_pipe(struct pipe *pipe)
{
    pipe->readable = sd_event_source_disable_unref(pipe->readable);
    pipe->writable = sd_event_source_disable_unref(pipe->writable);
    pipe->have = 0;
}

static void end_connection(struct cutter *c)
{
    end_pipe(&c->up);
    end_pipe(&c->down);
    if (c->near >= 0)
        close(c->near);
    if (c->far >= 0)
        close(c->far);
    c->near = c->far = -1;
}

/* Sends what it can. False: the connection is over. */
static bool push(struct pipe *pipe)
{
    ssize_t n = send(pipe->to, pipe->bytes, pipe->have, MSG_NOSIGNAL | MSG_DONTWAIT);
    if (n < 0)
        return errno == EAGAIN;
    pipe->have -= (size_t)n;
    memmove(pipe->bytes, pipe->bytes + n, pipe->have);
    return true;
}

static void watch(struct pipe *pipe)
{
    sd_event_source_set_enabled(pipe->readable,
                                pipe->have < BUFFER_BYTES ? SD_EVENT_ON : SD_EVENT_OFF);
    sd_event_source_set_enabled(pipe->writable, pipe->have > 0 ? SD_EVENT_ON : SD_EVENT_OFF);
}

static int turn(struct cutter *c, struct pipe *pipe, bool pull)
{
    bool alive = true;
    if (pull) {
        ssize_t n =
            recv(pipe->from, pipe->bytes + pipe->have, BUFFER_BYTES - pipe->have, MSG_DONTWAIT);
        alive = n > 0 || (n < 0 && errno == EAGAIN);
        pipe->have += n > 0 ? (size_t)n : 0;
    }
    if (alive && pipe->have > 0)
        alive = push(pipe);
    if (alive)
        watch(pipe);
    else
        end_connection(c);
    return 0;
}

static struct pipe *pipe_of(struct cutter *c, const sd_event_source *source, bool *pull)
{
    *pull = source == c->up.readable || source == c->down.readable;
    return source == c->up.readable || source == c->up.writable ? &c->up : &c->down;
}

static int on_pipe(sd_event_source *source, int fd, uint32_t events, void *user)
{
    (void)fd;
    (void)events;
    struct cutter *c = user;
    bool pull;
    struct pipe *pipe = pipe_of(c, source, &pull);
    return turn(c, pipe, pull);
}

static int lay(struct cutter *c, struct pipe *pipe, int from, int to)
{
    pipe->from = from;
    pipe->to = to;
    int result = sd_event_add_io(c->event, &pipe->readable, from, EPOLLIN, on_pipe, c);
    int spare = result >= 0 ? dup(to) : -1;
    if (spare < 0)
        return -EIO;
    result = sd_event_add_io(c->event, &pipe->writable, spare, EPOLLOUT, on_pipe, c);
    if (result < 0) {
        close(spare);
        return result;
    }
    sd_event_source_set_io_fd_own(pipe->writable, 1);
    watch(pipe);
    return 0;
}

static int on_caller(sd_event_source *source, int fd, uint32_t events, void *user)
{
    (void)source;
    (void)events;
    struct cutter *c = user;
    int near = accept4(fd, NULL, NULL, SOCK_CLOEXEC), yes = 1;
    if (near < 0)
        return 0;
    int far = loopback_connect(c->broker_port);
    if (far < 0) {
        close(near);
        return 0;
    }
    end_connection(c);
    c->near = near;
    c->far = far;
    setsockopt(near, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    setsockopt(far, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    if (lay(c, &c->up, near, far) < 0 || lay(c, &c->down, far, near) < 0)
        end_connection(c);
    return 0;
}

static void end_listening(struct cutter *c)
{
    c->io = sd_event_source_disable_unref(c->io);
    if (c->listener >= 0)
        close(c->listener);
    c->listener = -1;
}

static int begin_listening(struct cutter *c)
{
    c->listener = loopback_listen(&c->port);
    int result = c->listener;
    if (result >= 0)
        result = sd_event_add_io(c->event, &c->io, c->listener, EPOLLIN, on_caller, c);
    return result;
}

int cutter_open(struct cutter **cutter, sd_event *event, int broker_port)
{
    struct cutter *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->event = event;
    made->broker_port = broker_port;
    made->near = made->far = -1;
    int result = begin_listening(made);
    if (result < 0) {
        cutter_close(made);
        return result;
    }
    *cutter = made;
    return 0;
}

void cutter_close(struct cutter *c)
{
    if (c == NULL)
        return;
    end_connection(c);
    end_listening(c);
    free(c);
}

int cutter_port(const struct cutter *c)
{
    return c->port;
}

void cutter_cut(struct cutter *c, bool cut)
{
    if (cut == c->cut)
        return;
    c->cut = cut;
    if (cut) {
        end_connection(c);
        end_listening(c);
    } else if (begin_listening(c) < 0) {
        c->cut = true;
    }
}
