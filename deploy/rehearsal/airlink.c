#include "deploy/rehearsal/airlink.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/un.h>
#include <unistd.h>

enum { LINE_BYTES = 320, PATIENCE_S = 20 };

int airlink_open(struct airlink *link, const char *path)
{
    *link = (struct airlink){.fd = -1};
    if (strlen(path) >= sizeof link->path)
        return -ENAMETOOLONG;
    strcpy(link->path, path);
    return 0;
}

void airlink_drop(struct airlink *link)
{
    if (link->fd >= 0)
        close(link->fd);
    link->fd = -1;
    link->used = link->sent = 0;
}

void airlink_close(struct airlink *link)
{
    airlink_drop(link);
    free(link->text);
    link->text = NULL;
}

bool airlink_connect(struct airlink *link)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    struct timeval patience = {.tv_sec = PATIENCE_S};
    if (link->fd >= 0)
        return true;
    strcpy(address.sun_path, link->path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return false;
    setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &patience, sizeof patience);
    if (connect(fd, (struct sockaddr *)&address, sizeof address) != 0) {
        close(fd);
        return false;
    }
    link->fd = fd;
    return true;
}

static int room(struct airlink *link)
{
    if (link->used + LINE_BYTES <= link->capacity)
        return 0;
    size_t wanted = link->capacity == 0 ? 1 << 16 : link->capacity * 2;
    char *grown = realloc(link->text, wanted);
    if (grown == NULL)
        return -ENOMEM;
    link->text = grown;
    link->capacity = wanted;
    return 0;
}

int airlink_add(struct airlink *link, const struct waves_copy *copy, int64_t behind_us)
{
    static const char digits[] = "0123456789abcdef";
    if (room(link) != 0)
        return -ENOMEM;
    char hex[2 * WAVES_BYTES_MAX + 1];
    for (unsigned i = 0; i < copy->len; i++) {
        hex[2 * i] = digits[copy->bytes[i] >> 4];
        hex[2 * i + 1] = digits[copy->bytes[i] & 15];
    }
    hex[2 * copy->len] = '\0';
    int64_t at_us = copy->at_us - behind_us;
    int len = snprintf(link->text + link->used, LINE_BYTES,
                       "frame %s frequency %" PRIu32 " bandwidth %" PRIu32
                       " sf %u rssi %.1f snr %.2f at %" PRId64 ".%06" PRId64 "\n",
                       hex, copy->channel.frequency_hz, copy->channel.bandwidth_hz,
                       copy->channel.spreading_factor, copy->rssi_dbm, copy->snr_db,
                       at_us / 1000000, at_us % 1000000);
    link->used += (size_t)len;
    return 0;
}

bool airlink_push(struct airlink *link, size_t most)
{
    size_t left = link->used - link->sent, piece = left < most ? left : most;
    if (link->fd < 0) {
        link->used = link->sent = 0;
        return false;
    }
    ssize_t n = send(link->fd, link->text + link->sent, piece, MSG_NOSIGNAL);
    if (n < 0 && errno == EINTR)
        return true;
    if (n <= 0) {
        airlink_drop(link);
        return false;
    }
    link->sent += (size_t)n;
    if (link->sent == link->used)
        link->used = link->sent = 0;
    return true;
}
