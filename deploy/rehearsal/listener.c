#include "deploy/rehearsal/listener.h"

#include <errno.h>
#include <mosquitto.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/epoll.h>

enum { TICK_US = 20000, KEEPALIVE_S = 60, PACKETS_AT_ONCE = 100 };

struct listener {
    struct mosquitto *client;
    sd_event *event;
    sd_event_source *io, *tick;
    int port;
    bool connected;
    const char *const *filters;
    listener_message message;
    void *user;
};

static void on_connect(struct mosquitto *client, void *user, int code)
{
    struct listener *l = user;
    l->connected = code == 0;
    for (int i = 0; l->connected && l->filters[i] != NULL; i++)
        mosquitto_subscribe(client, NULL, l->filters[i], 0);
}

static void on_message(struct mosquitto *client, void *user,
                       const struct mosquitto_message *message)
{
    struct listener *l = user;
    (void)client;
    if (message->payloadlen > 0)
        l->message(l->user, message->topic, message->payload, (size_t)message->payloadlen);
}

static void lost(struct listener *l)
{
    l->connected = false;
    l->io = sd_event_source_disable_unref(l->io);
}

static int on_io(sd_event_source *source, int fd, uint32_t events, void *user)
{
    (void)source;
    (void)fd;
    struct listener *l = user;
    int result = MOSQ_ERR_SUCCESS;
    if (events & (EPOLLIN | EPOLLHUP | EPOLLERR))
        result = mosquitto_loop_read(l->client, PACKETS_AT_ONCE);
    if (result == MOSQ_ERR_SUCCESS && mosquitto_want_write(l->client))
        result = mosquitto_loop_write(l->client, 1);
    if (result != MOSQ_ERR_SUCCESS)
        lost(l);
    return 0;
}

static void connect_again(struct listener *l)
{
    if (mosquitto_connect(l->client, "127.0.0.1", l->port, KEEPALIVE_S) != MOSQ_ERR_SUCCESS)
        return;
    if (sd_event_add_io(l->event, &l->io, mosquitto_socket(l->client), EPOLLIN, on_io, l) < 0)
        mosquitto_disconnect(l->client);
}

static int on_tick(sd_event_source *source, uint64_t at_us, void *user)
{
    struct listener *l = user;
    (void)at_us;
    if (l->io == NULL)
        connect_again(l);
    else if (mosquitto_loop_misc(l->client) != MOSQ_ERR_SUCCESS)
        lost(l);
    if (l->io != NULL && mosquitto_want_write(l->client))
        mosquitto_loop_write(l->client, 1);
    sd_event_source_set_time_relative(source, TICK_US);
    return sd_event_source_set_enabled(source, SD_EVENT_ONESHOT);
}

int listener_open(struct listener **listener, sd_event *event, int port, const char *const *filters,
                  listener_message message, void *user)
{
    struct listener *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    *made = (struct listener){
        .event = event, .port = port, .filters = filters, .message = message, .user = user};
    mosquitto_lib_init();
    made->client = mosquitto_new(NULL, true, made);
    int result = made->client != NULL ? 0 : -ENOMEM;
    if (result == 0) {
        mosquitto_connect_callback_set(made->client, on_connect);
        mosquitto_message_callback_set(made->client, on_message);
        result =
            sd_event_add_time_relative(event, &made->tick, CLOCK_MONOTONIC, 0, 0, on_tick, made);
    }
    if (result < 0) {
        listener_close(made);
        return result;
    }
    *listener = made;
    return 0;
}

void listener_close(struct listener *l)
{
    if (l == NULL)
        return;
    sd_event_source_disable_unref(l->io);
    sd_event_source_disable_unref(l->tick);
    if (l->client != NULL)
        mosquitto_destroy(l->client);
    mosquitto_lib_cleanup();
    free(l);
}

bool listener_connected(const struct listener *l)
{
    return l->connected;
}
