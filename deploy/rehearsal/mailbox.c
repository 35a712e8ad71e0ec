#include "deploy/rehearsal/mailbox.h"

#include <errno.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <unistd.h>

#include "deploy/rehearsal/loopback.h"

enum { PEERS_MAX = 8, LINE_BYTES = 2048 };

struct peer {
    struct mailbox *box;
    int fd; /* -1: free */
    sd_event_source *io;
    bool in_data;
    FILE *file; /* of the message that comes */
    unsigned number;
    size_t have;
    char line[LINE_BYTES];
};

struct mailbox {
    sd_event *event;
    char folder[512];
    int listener, port;
    sd_event_source *io;
    unsigned begun, count;
    struct peer peers[PEERS_MAX];
};

static void lose(struct peer *peer)
{
    peer->io = sd_event_source_disable_unref(peer->io);
    if (peer->fd >= 0)
        close(peer->fd);
    if (peer->file != NULL)
        fclose(peer->file);
    *peer = (struct peer){.box = peer->box, .fd = -1};
}

static void answer(struct peer *peer, const char *text)
{
    size_t len = strlen(text);
    if (send(peer->fd, text, len, MSG_NOSIGNAL) != (ssize_t)len)
        lose(peer);
}

static void begin_message(struct peer *peer)
{
    char path[640];
    snprintf(path, sizeof path, "%s/%04u.eml.part", peer->box->folder,
             peer->number = ++peer->box->begun);
    peer->file = fopen(path, "we");
    peer->in_data = peer->file != NULL;
    answer(peer, peer->in_data ? "354 go on\r\n" : "451 cannot write\r\n");
}

/* A message is there only when it is whole: it gets its name last. */
static void end_message(struct peer *peer)
{
    char part[640], whole[640];
    snprintf(part, sizeof part, "%s/%04u.eml.part", peer->box->folder, peer->number);
    snprintf(whole, sizeof whole, "%s/%04u.eml", peer->box->folder, peer->number);
    bool written = fclose(peer->file) == 0 && rename(part, whole) == 0;
    peer->file = NULL;
    peer->in_data = false;
    peer->box->count += written ? 1 : 0;
    answer(peer, written ? "250 taken\r\n" : "451 cannot write\r\n");
}

static void data_line(struct peer *peer, const char *line)
{
    if (strcmp(line, ".") == 0)
        end_message(peer);
    else
        fprintf(peer->file, "%s\n", line[0] == '.' ? line + 1 : line);
}

static void command(struct peer *peer, const char *line)
{
    if (strncasecmp(line, "EHLO", 4) == 0 || strncasecmp(line, "HELO", 4) == 0)
        answer(peer, "250 rehearsal\r\n");
    else if (strncasecmp(line, "DATA", 4) == 0)
        begin_message(peer);
    else if (strncasecmp(line, "MAIL", 4) == 0 || strncasecmp(line, "RCPT", 4) == 0 ||
             strncasecmp(line, "RSET", 4) == 0 || strncasecmp(line, "NOOP", 4) == 0)
        answer(peer, "250 good\r\n");
    else if (strncasecmp(line, "QUIT", 4) == 0)
        answer(peer, "221 goodbye\r\n");
    else
        answer(peer, "502 not known\r\n");
}

static void take_lines(struct peer *peer)
{
    char *end;
    while (peer->fd >= 0 && (end = memchr(peer->line, '\n', peer->have)) != NULL) {
        size_t used = (size_t)(end - peer->line) + 1;
        char line[LINE_BYTES];
        memcpy(line, peer->line, used);
        line[used - 1] = '\0';
        if (used > 1 && line[used - 2] == '\r')
            line[used - 2] = '\0';
        memmove(peer->line, peer->line + used, peer->have -= used);
        if (peer->in_data)
            data_line(peer, line);
        else
            command(peer, line);
    }
}

static int on_peer(sd_event_source *source, int fd, uint32_t events, void *user)
{
    struct peer *peer = user;
    (void)source;
    (void)events;
    ssize_t n = recv(fd, peer->line + peer->have, sizeof peer->line - peer->have, MSG_DONTWAIT);
    if (n <= 0) {
        if (n == 0 || errno != EAGAIN)
            lose(peer);
        return 0;
    }
    peer->have += (size_t)n;
    take_lines(peer);
    return 0;
}

static int on_caller(sd_event_source *source, int fd, uint32_t events, void *user)
{
    struct mailbox *box = user;
    (void)source;
    (void)events;
    int caller = accept4(fd, NULL, NULL, SOCK_CLOEXEC);
    struct peer *peer = NULL;
    for (int i = 0; i < PEERS_MAX && peer == NULL; i++)
        peer = box->peers[i].fd < 0 ? &box->peers[i] : NULL;
    if (caller < 0 || peer == NULL) {
        if (caller >= 0)
            close(caller);
        return 0;
    }
    peer->fd = caller;
    if (sd_event_add_io(box->event, &peer->io, caller, EPOLLIN, on_peer, peer) < 0)
        lose(peer);
    else
        answer(peer, "220 rehearsal\r\n");
    return 0;
}

int mailbox_open(struct mailbox **mailbox, sd_event *event, const char *folder)
{
    struct mailbox *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->event = event;
    snprintf(made->folder, sizeof made->folder, "%s", folder);
    for (int i = 0; i < PEERS_MAX; i++)
        made->peers[i] = (struct peer){.box = made, .fd = -1};
    made->listener = loopback_listen(&made->port);
    int result = made->listener;
    if (result >= 0)
        result = sd_event_add_io(event, &made->io, made->listener, EPOLLIN, on_caller, made);
    if (result < 0) {
        mailbox_close(made);
        return result;
    }
    *mailbox = made;
    return 0;
}

void mailbox_close(struct mailbox *box)
{
    if (box == NULL)
        return;
    for (int i = 0; i < PEERS_MAX; i++)
        lose(&box->peers[i]);
    sd_event_source_disable_unref(box->io);
    if (box->listener >= 0)
        close(box->listener);
    free(box);
}

int mailbox_port(const struct mailbox *box)
{
    return box->port;
}

unsigned mailbox_count(const struct mailbox *box)
{
    return box->count;
}
