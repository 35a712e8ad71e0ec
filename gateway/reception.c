#include "gateway/reception.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>

#include "common/clock.h"

static const struct radio_ops *const drivers[] = {
    [RADIO_DRIVER_SIMULATED] = &radio_simulated,
};

struct channel {
    const struct radio_ops *ops;
    struct radio *radio;
    sd_event_source *readable;
    struct reception *reception;
    uint8_t number;
};

struct reception {
    struct reception_events events;
    unsigned count;
    struct channel channels[GATEWAY_RADIOS_MAX];
};

static bool on_packet(void *sink, const struct radio_packet *packet)
{
    const struct channel *channel = sink;
    struct radio_packet numbered = *packet;
    numbered.radio = channel->number;
    channel->reception->events.heard(channel->reception->events.user, &numbered);
    return true;
}

static int on_readable(sd_event_source *source, int fd, uint32_t events, void *user)
{
    (void)source;
    (void)fd;
    (void)events;
    struct channel *channel = user;
    channel->ops->service(channel->radio, clock_transport_us());
    return 0;
}

static const struct radio_ops *find_driver(int driver)
{
    size_t count = sizeof drivers / sizeof drivers[0];
    return driver >= 0 && (size_t)driver < count ? drivers[driver] : NULL;
}

static int open_channel(struct channel *channel, sd_event *event,
                        const struct radio_settings *settings, struct settings_fault *fault)
{
    char why[sizeof fault->text - 32] = "";
    channel->ops = find_driver(settings->driver);
    if (channel->ops == NULL) {
        settings_fault_set(fault, "[radio.%u]: this build has no such driver: use simulated.",
                           channel->number);
        return -ENOTSUP;
    }
    int error = channel->ops->open(&channel->radio, settings, on_packet, channel, why, sizeof why);
    if (error != 0) {
        settings_fault_set(fault, "[radio.%u]: %s", channel->number, why);
        return error;
    }
    error = sd_event_add_io(event, &channel->readable, channel->ops->descriptor(channel->radio),
                            EPOLLIN, on_readable, channel);
    if (error < 0)
        settings_fault_set(fault, "[radio.%u]: cannot wait for it: %s.", channel->number,
                           strerror(-error));
    return error < 0 ? error : 0;
}

int reception_open(struct reception **reception, sd_event *event,
                   const struct gateway_settings *settings, const struct reception_events *events,
                   struct settings_fault *fault)
{
    struct reception *made = calloc(1, sizeof *made);
    if (made == NULL) {
        settings_fault_set(fault, "not enough memory for the radios.");
        return -ENOMEM;
    }
    made->events = *events;
    int error = 0;
    for (unsigned i = 0; i < settings->radio_count && error == 0; i++) {
        struct channel *channel = &made->channels[made->count++];
        channel->reception = made;
        channel->number = (uint8_t)i;
        error = open_channel(channel, event, &settings->radios[i], fault);
    }
    if (error != 0) {
        reception_close(made);
        return error;
    }
    *reception = made;
    return 0;
}

void reception_close(struct reception *reception)
{
    if (reception == NULL)
        return;
    for (unsigned i = 0; i < reception->count; i++) {
        sd_event_source_unref(reception->channels[i].readable);
        if (reception->channels[i].radio != NULL)
            reception->channels[i].ops->close(reception->channels[i].radio);
    }
    free(reception);
}

unsigned reception_count(const struct reception *reception)
{
    return reception->count;
}

void reception_counts(const struct reception *reception, unsigned radio,
                      struct radio_counts *counts)
{
    const struct channel *channel = &reception->channels[radio];
    channel->ops->counts(channel->radio, counts);
}

int reception_send(struct reception *reception, unsigned radio, const struct radio_sending *sending)
{
    if (radio >= reception->count)
        return -EINVAL;
    struct channel *channel = &reception->channels[radio];
    return channel->ops->send(channel->radio, sending);
}
