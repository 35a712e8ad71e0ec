#include "gateway/reception.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>

#include "common/clock.h"
#include "common/log.h"
#include "gateway/radio/hardware.h"
#include "gateway/radio/thread.h"

/* How often the loop looks whether a radio has trouble worth a line in the log. */
#define WATCH_US INT64_C(5000000)

static const struct radio_ops *const drivers[] = {
    [RADIO_DRIVER_SIMULATED] = &radio_simulated,
    [RADIO_DRIVER_SX127X] = &radio_sx127x,
    [RADIO_DRIVER_SX126X] = &radio_sx126x,
};

/* A radio works in the loop, or in a thread that fills a ring. */
struct channel {
    const struct radio_ops *ops;
    struct radio *radio;         /* in the loop */
    struct radio_thread *thread; /* in a thread */
    struct radio_ring *ring;
    sd_event_source *readable;
    struct reception *reception;
    uint8_t number;
    char trouble[RADIO_TROUBLE_MAX]; /* as last told, as are the next two */
    bool working;
    uint64_t restarts;
};

struct reception {
    struct reception_events events;
    sd_event_source *watch;
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

static int on_ring(sd_event_source *source, int fd, uint32_t events, void *user)
{
    (void)source;
    (void)fd;
    (void)events;
    struct channel *channel = user;
    struct radio_packet packet;
    /* At most what the ring holds, so that the rest of the loop has its turn. */
    for (int i = 0; i < RADIO_RING_PLACES && radio_ring_take(channel->ring, &packet); i++)
        on_packet(channel, &packet);
    return 0;
}

static const struct radio_ops *find_driver(int driver)
{
    size_t count = sizeof drivers / sizeof drivers[0];
    return driver >= 0 && (size_t)driver < count ? drivers[driver] : NULL;
}

static int open_thread(struct channel *channel, const struct radio_settings *settings, char *why,
                       size_t why_size)
{
    bool real_time = false;
    int error = radio_ring_new(&channel->ring);
    if (error == 0)
        error = radio_thread_start(&channel->thread, channel->ops, settings, channel->ring,
                                   &real_time, why, why_size);
    if (error == 0 && !real_time)
        log_warning(
            "[radio.%u]: runs without real-time priority or locked memory: answers may miss "
            "their window. Grant the service LimitRTPRIO and LimitMEMLOCK.",
            channel->number);
    return error;
}

static int add_source(struct channel *channel, sd_event *event)
{
    if (channel->thread != NULL)
        return sd_event_add_io(event, &channel->readable, radio_ring_descriptor(channel->ring),
                               EPOLLIN, on_ring, channel);
    return sd_event_add_io(event, &channel->readable, channel->ops->descriptor(channel->radio),
                           EPOLLIN, on_readable, channel);
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
    int error;
    if (channel->ops->threaded)
        error = open_thread(channel, settings, why, sizeof why);
    else
        error = channel->ops->open(&channel->radio, settings, on_packet, channel, why, sizeof why);
    if (error != 0) {
        settings_fault_set(fault, "[radio.%u]: %s", channel->number, why);
        return error;
    }
    error = add_source(channel, event);
    if (error < 0)
        settings_fault_set(fault, "[radio.%u]: cannot wait for it: %s.", channel->number,
                           strerror(-error));
    return error < 0 ? error : 0;
}

/* True: there is something new, and it was logged. */
static bool watch_channel(struct channel *channel)
{
    struct radio_counts counts = {0};
    reception_counts(channel->reception, channel->number, &counts);
    if (strcmp(counts.trouble, channel->trouble) == 0 && counts.working == channel->working &&
        counts.restarts == channel->restarts)
        return false;
    if (counts.trouble[0] != '\0')
        log_error("[radio.%u]: %s%s", channel->number, counts.trouble,
                  counts.working ? " It works again." : " It is tried again and again.");
    else if (channel->trouble[0] != '\0')
        log_info("[radio.%u]: no trouble any more.", channel->number);
    memcpy(channel->trouble, counts.trouble, sizeof channel->trouble);
    channel->working = counts.working;
    channel->restarts = counts.restarts;
    return true;
}

static int on_watch(sd_event_source *source, uint64_t at_us, void *user)
{
    struct reception *reception = user;
    bool changed = false;
    (void)at_us;
    for (unsigned i = 0; i < reception->count; i++)
        if (reception->channels[i].thread != NULL && watch_channel(&reception->channels[i]))
            changed = true;
    if (changed)
        reception->events.changed(reception->events.user);
    sd_event_source_set_time(source, (uint64_t)(clock_transport_us() + WATCH_US));
    return sd_event_source_set_enabled(source, SD_EVENT_ONESHOT);
}

static bool any_thread(const struct reception *reception)
{
    for (unsigned i = 0; i < reception->count; i++)
        if (reception->channels[i].thread != NULL)
            return true;
    return false;
}

static int add_watch(struct reception *reception, sd_event *event, struct settings_fault *fault)
{
    if (!any_thread(reception))
        return 0;
    int error = sd_event_add_time(event, &reception->watch, CLOCK_MONOTONIC,
                                  (uint64_t)clock_transport_us() + 1000000, 0, on_watch, reception);
    if (error < 0)
        settings_fault_set(fault, "the radios cannot be watched: %s.", strerror(-error));
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
    if (error == 0)
        error = add_watch(made, event, fault);
    if (error != 0) {
        reception_close(made);
        return error;
    }
    *reception = made;
    return 0;
}

static void close_channel(struct channel *channel)
{
    sd_event_source_unref(channel->readable);
    radio_thread_stop(channel->thread);
    radio_ring_free(channel->ring);
    if (channel->radio != NULL)
        channel->ops->close(channel->radio);
}

void reception_close(struct reception *reception)
{
    if (reception == NULL)
        return;
    sd_event_source_unref(reception->watch);
    for (unsigned i = 0; i < reception->count; i++)
        close_channel(&reception->channels[i]);
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
    if (channel->thread != NULL)
        radio_thread_counts(channel->thread, counts);
    else
        channel->ops->counts(channel->radio, counts);
}

int reception_send(struct reception *reception, unsigned radio, const struct radio_sending *sending)
{
    if (radio >= reception->count)
        return -EINVAL;
    struct channel *channel = &reception->channels[radio];
    if (channel->thread != NULL)
        return radio_thread_send(channel->thread, sending);
    return channel->ops->send(channel->radio, sending);
}
