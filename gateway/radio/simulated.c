/* A radio whose air is a socket: programs connect and write what stations send (simulated_line.h).
 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#include "gateway/radio/radio.h"
#include "gateway/radio/simulated_line.h"
#include "gateway/settings.h"
#include "protocol/air/airtime.h"

enum { CLIENTS_MAX = 16, READ_AT_ONCE = 32768 };

struct client {
    int fd;        /* -1: free */
    bool skipping; /* the line is too long: up to its end */
    size_t used;
    char line[SIMULATED_LINE_MAX];
};

struct radio {
    int listener, poll;
    char path[sizeof((struct sockaddr_un *)0)->sun_path];
    struct radio_channel channel;
    struct client clients[CLIENTS_MAX];
    struct radio_counts counts;
    radio_deliver deliver;
    void *sink;
    char input[READ_AT_ONCE];
};

static int64_t monotonic_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static void simulated_close(struct radio *radio)
{
    if (radio == NULL)
        return;
    for (int i = 0; i < CLIENTS_MAX; i++)
        if (radio->clients[i].fd >= 0)
            close(radio->clients[i].fd);
    if (radio->listener >= 0) {
        close(radio->listener);
        unlink(radio->path);
    }
    if (radio->poll >= 0)
        close(radio->poll);
    free(radio);
}

/* A socket left over from a run that was killed is removed; one that answers is another process's.
 */
static int clear_path(const struct sockaddr_un *address)
{
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return -errno;
    int error = 0;
    if (connect(fd, (const struct sockaddr *)address, sizeof *address) == 0 || errno == EAGAIN)
        error = -EADDRINUSE;
    else if (errno == ECONNREFUSED && unlink(address->sun_path) != 0)
        error = -errno;
    close(fd);
    return error;
}

static int watch(const struct radio *radio, int fd, uint32_t index)
{
    struct epoll_event event = {.events = EPOLLIN, .data.u32 = index};
    return epoll_ctl(radio->poll, EPOLL_CTL_ADD, fd, &event) == 0 ? 0 : -errno;
}

static int listen_at(struct radio *radio, const char *path, char *why, size_t why_size)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path) {
        snprintf(why, why_size, "%s: the path of a socket has at most %zu characters.", path,
                 sizeof address.sun_path - 1);
        return -ENAMETOOLONG;
    }
    snprintf(address.sun_path, sizeof address.sun_path, "%s", path);
    int error = clear_path(&address);
    if (error == 0) {
        radio->listener = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
        if (radio->listener < 0 ||
            bind(radio->listener, (struct sockaddr *)&address, sizeof address) != 0 ||
            listen(radio->listener, CLIENTS_MAX) != 0)
            error = -errno;
    }
    if (error == 0) {
        memcpy(radio->path, address.sun_path, sizeof radio->path);
        error = watch(radio, radio->listener, CLIENTS_MAX);
    } else if (radio->listener >= 0) {
        close(radio->listener); /* not ours to remove from the disk */
        radio->listener = -1;
    }
    if (error == -EADDRINUSE)
        snprintf(why, why_size,
                 "%s: another process listens there: stop it, or give this radio another socket.",
                 path);
    else if (error != 0)
        snprintf(why, why_size,
                 "%s: cannot listen: %s. The folder must exist and belong to the gateway's user.",
                 path, strerror(-error));
    return error;
}

static int simulated_open(struct radio **radio, const struct radio_settings *settings,
                          radio_deliver deliver, void *sink, char *why, size_t why_size)
{
    struct radio *made = calloc(1, sizeof *made);
    if (made == NULL) {
        snprintf(why, why_size, "not enough memory.");
        return -ENOMEM;
    }
    made->listener = -1;
    made->deliver = deliver;
    made->sink = sink;
    made->counts.working = true;
    made->channel = (struct radio_channel){
        .frequency_hz = (uint32_t)settings->frequency_hz,
        .bandwidth_hz = (uint32_t)settings->bandwidth_hz,
        .spreading_factor = (uint8_t)settings->spreading_factor,
        .coding_rate = (uint8_t)settings->coding_rate,
    };
    for (int i = 0; i < CLIENTS_MAX; i++)
        made->clients[i].fd = -1;
    made->poll = epoll_create1(EPOLL_CLOEXEC);
    int error = made->poll < 0 ? -errno : 0;
    if (error != 0)
        snprintf(why, why_size, "cannot wait for input: %s.", strerror(-error));
    else
        error = listen_at(made, settings->socket, why, why_size);
    if (error != 0) {
        simulated_close(made);
        return error;
    }
    *radio = made;
    return 0;
}

static int simulated_descriptor(const struct radio *radio)
{
    return radio->poll;
}

static int64_t simulated_timeout_us(const struct radio *radio, int64_t now_us)
{
    (void)radio;
    (void)now_us;
    return INT64_MAX;
}

static bool is_ours(const struct radio *radio, const struct radio_packet *packet)
{
    return packet->frequency_hz == radio->channel.frequency_hz &&
           packet->bandwidth_hz == radio->channel.bandwidth_hz &&
           packet->spreading_factor == radio->channel.spreading_factor;
}

static void refuse_line(struct radio *radio, const struct client *client, const char *why)
{
    char answer[128];
    radio->counts.header_errors++;
    int len = snprintf(answer, sizeof answer, "error %s\n", why);
    /* Whoever does not read the answers misses them: the air waits for nobody. */
    if (len > 0)
        (void)!send(client->fd, answer, (size_t)len, MSG_DONTWAIT | MSG_NOSIGNAL);
}

static void take_line(struct radio *radio, const struct client *client, const char *line,
                      size_t len)
{
    struct radio_packet packet;
    const char *why;
    if (len > 0 && line[len - 1] == '\r')
        len--;
    if (len == 0)
        return;
    if (simulated_line_parse(line, len, &packet, &why) != 0) {
        refuse_line(radio, client, why);
        return;
    }
    if (!is_ours(radio, &packet))
        return;
    /* A simulated air has one clock: what is answered in its time is due in its time. */
    packet.timed = true;
    packet.transport_us = packet.event_us != 0 ? packet.event_us : monotonic_us();
    if (radio->deliver(radio->sink, &packet))
        radio->counts.packets++;
    else
        radio->counts.ring_full++;
}

/* The piece of a line that is not complete yet. */
static void keep_rest(struct client *client, const char *rest, size_t len)
{
    if (client->skipping)
        return;
    if (client->used + len > sizeof client->line) {
        client->skipping = true;
        return;
    }
    memcpy(client->line + client->used, rest, len);
    client->used += len;
}

static void end_line(struct radio *radio, struct client *client)
{
    if (client->skipping)
        refuse_line(radio, client, "the line is too long");
    else
        take_line(radio, client, client->line, client->used);
    client->skipping = false;
    client->used = 0;
}

static void take_input(struct radio *radio, struct client *client, const char *input, size_t len)
{
    while (len > 0) {
        const char *end = memchr(input, '\n', len);
        size_t part = end == NULL ? len : (size_t)(end - input);
        if (end != NULL && client->used == 0 && !client->skipping && part <= sizeof client->line) {
            take_line(radio, client, input, part);
        } else {
            keep_rest(client, input, part);
            if (end != NULL)
                end_line(radio, client);
        }
        part += end != NULL ? 1 : 0;
        input += part;
        len -= part;
    }
}

static void drop_client(struct client *client)
{
    close(client->fd);
    *client = (struct client){.fd = -1};
}

static void serve_client(struct radio *radio, struct client *client)
{
    ssize_t got = read(client->fd, radio->input, sizeof radio->input);
    if (got > 0)
        take_input(radio, client, radio->input, (size_t)got);
    else if (got == 0 || (errno != EAGAIN && errno != EINTR))
        drop_client(client);
}

static void accept_client(struct radio *radio)
{
    int fd = accept4(radio->listener, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (fd < 0)
        return;
    for (uint32_t i = 0; i < CLIENTS_MAX; i++) {
        if (radio->clients[i].fd >= 0)
            continue;
        if (watch(radio, fd, i) != 0)
            break;
        radio->clients[i].fd = fd;
        return;
    }
    static const char full[] = "error too many programs are connected\n";
    (void)!send(fd, full, sizeof full - 1, MSG_DONTWAIT | MSG_NOSIGNAL);
    close(fd);
}

static void simulated_service(struct radio *radio, int64_t now_us)
{
    struct epoll_event events[CLIENTS_MAX + 1];
    (void)now_us;
    int count = epoll_wait(radio->poll, events, CLIENTS_MAX + 1, 0);
    for (int i = 0; i < count; i++) {
        uint32_t index = events[i].data.u32;
        if (index == CLIENTS_MAX)
            accept_client(radio);
        else if (radio->clients[index].fd >= 0)
            serve_client(radio, &radio->clients[index]);
    }
}

static int simulated_send(struct radio *radio, const struct radio_sending *sending)
{
    char line[SIMULATED_LINE_MAX];
    struct air_modulation modulation = {
        .bandwidth_hz = sending->bandwidth_hz,
        .spreading_factor = sending->spreading_factor,
        .coding_rate = radio->channel.coding_rate,
        .preamble = 8,
    };
    size_t len = simulated_line_send(sending, line);
    for (int i = 0; i < CLIENTS_MAX; i++)
        if (radio->clients[i].fd >= 0)
            (void)!send(radio->clients[i].fd, line, len, MSG_DONTWAIT | MSG_NOSIGNAL);
    radio->counts.sent++;
    radio->counts.deaf_us += air_time_us(&modulation, sending->len);
    return 0;
}

static void simulated_counts(const struct radio *radio, struct radio_counts *counts)
{
    *counts = radio->counts;
}

const struct radio_ops radio_simulated = {
    .name = "simulated",
    .threaded = false,
    .open = simulated_open,
    .close = simulated_close,
    .descriptor = simulated_descriptor,
    .timeout_us = simulated_timeout_us,
    .service = simulated_service,
    .send = simulated_send,
    .counts = simulated_counts,
};
