#include "common/session.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/random.h>
#include <unistd.h>

#include "common/clock.h"
#include "common/log.h"
#include "common/session_link.h"
#include "common/settings.h"

enum {
    DELAY_FIRST_MS = 250,
    DELAY_MOST_MS = 30 * 1000,
    GREETING_US = 20 * 1000 * 1000,
    STEADY_US = 10 * 1000 * 1000, /* a connection that held this long makes delays short again */
    SILENT_CLOSES_MAX = 2,        /* closed without a greeting: try the other version */
    THREAD_STACK = 256 * 1024,
    PASSWORD_BYTES = 256,
    WHY_BYTES = 800
};

enum state { WAITING, JOINING, GREETING, CONNECTED };

struct filter {
    char *text;
    int id; /* of the subscription under way */
};

struct session {
    sd_event *event;
    struct session_events events;
    char *host, *user, *password_file, *ca_file;
    int port, keepalive_s;
    struct session_link *link;
    enum state state;
    bool mqtt5;
    bool answered; /* the broker greeted this attempt, kindly or not */
    bool again;    /* the last read stopped at its bound */
    unsigned silent_closes;
    unsigned attempts; /* since the last steady connection */
    int64_t since_us;  /* transport time at which the state began */
    /* One timer: the next attempt, the greeting's deadline, or the keepalive, by state. */
    sd_event_source *timer, *socket, *flush, *joined;
    unsigned batch_messages;
    unsigned in_flight;
    struct filter filters[SESSION_FILTERS_MAX];
    size_t filter_count;
    char trouble[WHY_BYTES];
    struct log_gate trouble_gate, refused_gate;
    /* Shared with the joining thread. */
    pthread_mutex_t lock;
    bool abandoned, thread_done;
    int joined_fd;
    int joined_rc;
};

static void begin_attempt(struct session *session);
static void lost(struct session *session, const char *why);

static void set_timer(struct session *session, uint64_t us)
{
    sd_event_source_set_time_relative(session->timer, us);
    sd_event_source_set_enabled(session->timer, SD_EVENT_ONESHOT);
}

static void enter(struct session *session, enum state state)
{
    session->state = state;
    session->since_us = clock_transport_us();
}

/* Doubles to a bound; a random half of it keeps a site's clients from coming back in step. */
static uint64_t next_delay_us(struct session *session)
{
    unsigned doublings = session->attempts++;
    uint64_t ms = doublings < 7 ? (uint64_t)DELAY_FIRST_MS << doublings : DELAY_MOST_MS;
    uint32_t random = 0;

    if (getrandom(&random, sizeof random, 0) < 0)
        random = (uint32_t)clock_transport_us();
    return ms * 500 + random % (ms * 500);
}

/* No connection: says why, once a minute, and waits. */
static void wait_after(struct session *session, const char *why)
{
    uint64_t delay_us = next_delay_us(session), held = 0;

    enter(session, WAITING);
    snprintf(session->trouble, sizeof session->trouble, "broker %s port %d: %s", session->host,
             session->port, why);
    if (log_gate_open(&session->trouble_gate, session->since_us, &held))
        log_warning("%s; trying again", session->trouble);
    set_timer(session, delay_us);
}

static void flush_soon(struct session *session)
{
    sd_event_source_set_enabled(session->flush, SD_EVENT_ONESHOT);
}

/* During the greeting a TLS library that waits for input would claim to be writable for ever, so
 * then each input is followed by one write instead. */
static void watch_writable(struct session *session, bool blocked)
{
    uint32_t events = EPOLLIN | (blocked && session->state == CONNECTED ? EPOLLOUT : 0u);

    sd_event_source_set_io_events(session->socket, events);
}

static void write_out(struct session *session)
{
    bool blocked;

    if (!session->socket)
        return;
    if (session_link_write(session->link, &blocked) < 0)
        lost(session, session_link_why(session->link));
    else
        watch_writable(session, blocked);
}

static void unwatch(struct session *session)
{
    session->socket = sd_event_source_disable_unref(session->socket);
    sd_event_source_set_enabled(session->flush, SD_EVENT_OFF);
    session->batch_messages = 0;
    session->again = false;
}

/* Some brokers that do not know MQTT 5 close without a word, so the other version gets its turn. */
static void count_silent_close(struct session *session)
{
    if (session->state != GREETING || session->answered ||
        ++session->silent_closes < SILENT_CLOSES_MAX)
        return;
    session->silent_closes = 0;
    session->mqtt5 = !session->mqtt5;
}

static void lost(struct session *session, const char *why)
{
    bool announced = session->state == CONNECTED;
    int64_t held_us = clock_transport_us() - session->since_us;

    count_silent_close(session);
    session_link_drop(session->link);
    unwatch(session);
    if (announced && held_us > STEADY_US)
        session->attempts = 0;
    wait_after(session, why);
    if (announced)
        session->events.disconnected(session->events.user, session->trouble);
}

/* A batch ends: the owner commits, and only what it committed is acknowledged. */
static bool end_batch(struct session *session)
{
    bool any = session->batch_messages > 0;

    session->batch_messages = 0;
    return !any || !session->events.batch || session->events.batch(session->events.user);
}

static void read_in(struct session *session)
{
    bool more = false;
    int rc = session_link_read(session->link, &more);

    /* Also after a failed read: what was handed over is the owner's to commit. */
    bool kept = end_batch(session);
    if (rc < 0) {
        lost(session, session_link_why(session->link));
    } else if (!kept) {
        lost(session, "a batch could not be kept, so it was not acknowledged and will come again");
    } else {
        session->again = more;
        if (more)
            flush_soon(session);
        write_out(session);
    }
}

/* Data that a TLS library has already taken from the socket would not wake the loop again. */
static int on_flush(sd_event_source *source, void *user)
{
    struct session *session = user;
    (void)source;

    if (session->again && session->socket)
        read_in(session);
    else
        write_out(session);
    return 0;
}

static int on_socket(sd_event_source *source, int fd, uint32_t revents, void *user)
{
    struct session *session = user;
    (void)source;
    (void)fd;

    if (revents & (EPOLLIN | EPOLLHUP | EPOLLERR))
        read_in(session);
    else
        write_out(session);
    return 0;
}

static void subscribe(struct session *session, struct filter *filter)
{
    session_link_subscribe(session->link, filter->text, &filter->id);
    flush_soon(session);
}

static void on_greeted(void *user, enum session_link_greeting greeting, bool session_present)
{
    struct session *session = user;

    session->answered = true;
    session->silent_closes = 0;
    if (greeting == SESSION_LINK_OTHER_VERSION)
        session->mqtt5 = !session->mqtt5;
    if (greeting != SESSION_LINK_WELCOME)
        return; /* the library ends the connection with the broker's reason */
    enter(session, CONNECTED);
    session->trouble[0] = '\0';
    session->trouble_gate = (struct log_gate){0};
    log_info("broker %s port %d: connected with MQTT %s, session %s", session->host, session->port,
             session->mqtt5 ? "5" : "3.1.1", session_present ? "kept" : "new");
    set_timer(session, (uint64_t)session->keepalive_s * 250 * 1000);
    for (size_t i = 0; i < session->filter_count; i++)
        subscribe(session, &session->filters[i]);
    session->events.connected(session->events.user, session_present);
}

static void on_message(void *user, const char *topic, const void *payload, size_t len,
                       bool retained)
{
    struct session *session = user;

    session->batch_messages++;
    session->events.message(session->events.user, topic, payload, len, retained);
}

static void on_sent(void *user, int id)
{
    struct session *session = user;

    if (session->in_flight > 0)
        session->in_flight--;
    if (session->events.sent)
        session->events.sent(session->events.user, id);
}

static void on_publish_refused(void *user, int id, const char *why)
{
    struct session *session = user;
    uint64_t held;
    (void)id;

    if (session->in_flight > 0)
        session->in_flight--;
    if (log_gate_open(&session->refused_gate, clock_transport_us(), &held))
        log_error("broker %s port %d: refuses what we publish (%s; %llu more since the last line): "
                  "check the broker's access list for this user",
                  session->host, session->port, why, (unsigned long long)held);
}

static void on_subscribe_refused(void *user, int id)
{
    struct session *session = user;

    for (size_t i = 0; i < session->filter_count; i++) {
        if (session->filters[i].id == id)
            log_error(
                "broker %s port %d: refuses the subscription to %s: check the broker's access "
                "list for this user",
                session->host, session->port, session->filters[i].text);
    }
}

static int on_timer(sd_event_source *source, uint64_t at_us, void *user)
{
    struct session *session = user;
    (void)source;
    (void)at_us;

    if (session->state == WAITING) {
        begin_attempt(session);
    } else if (session->state == GREETING) {
        lost(session, "no greeting within 20 s: check that the port belongs to an MQTT broker");
    } else if (session->state == CONNECTED) {
        set_timer(session, (uint64_t)session->keepalive_s * 250 * 1000);
        if (session_link_tick(session->link) < 0)
            lost(session, session_link_why(session->link));
        else
            write_out(session);
    }
    return 0;
}

static void destroy(struct session *session)
{
    session_link_free(session->link);
    for (size_t i = 0; i < session->filter_count; i++)
        free(session->filters[i].text);
    if (session->joined_fd >= 0)
        close(session->joined_fd);
    pthread_mutex_destroy(&session->lock);
    free(session->host);
    free(session->user);
    free(session->password_file);
    free(session->ca_file);
    free(session);
}

/* The link is this thread's until joined_fd tells the loop; an abandoned session is this thread's
 * to free. */
static void *join_broker(void *user)
{
    struct session *session = user;
    int rc = session_link_connect(session->link);

    pthread_mutex_lock(&session->lock);
    bool abandoned = session->abandoned;
    session->joined_rc = rc;
    session->thread_done = true;
    if (!abandoned)
        eventfd_write(session->joined_fd, 1);
    pthread_mutex_unlock(&session->lock);
    if (abandoned)
        destroy(session);
    return NULL;
}

/* Signals stay with the loop's thread; the stack stays small where a daemon locks its memory. */
static int start_thread(struct session *session)
{
    pthread_attr_t attributes;
    sigset_t all, before;
    pthread_t thread;

    int rc = pthread_attr_init(&attributes);
    if (rc)
        return -rc;
    pthread_attr_setdetachstate(&attributes, PTHREAD_CREATE_DETACHED);
    pthread_attr_setstacksize(&attributes, THREAD_STACK);
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    rc = pthread_create(&thread, &attributes, join_broker, session);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    pthread_attr_destroy(&attributes);
    return -rc;
}

static int prepare_link(struct session *session, char why[SESSION_LINK_WHY_BYTES * 2])
{
    char password[PASSWORD_BYTES] = "";
    struct settings_fault fault;
    int rc = 0;

    if (session->password_file[0])
        rc = settings_secret_read(session->password_file, password, sizeof password, &fault);
    if (rc < 0) {
        snprintf(why, SESSION_LINK_WHY_BYTES * 2, "%s", fault.text);
        return rc;
    }
    const struct session_link_settings settings = {
        .host = session->host,
        .port = session->port,
        .user = session->user[0] ? session->user : NULL,
        .password = password[0] ? password : NULL,
        .ca_file = session->ca_file[0] ? session->ca_file : NULL,
        .keepalive_s = session->keepalive_s,
        .mqtt5 = session->mqtt5,
    };
    rc = session_link_prepare(session->link, &settings);
    explicit_bzero(password, sizeof password);
    if (rc < 0)
        snprintf(why, SESSION_LINK_WHY_BYTES * 2, "%s", session_link_why(session->link));
    return rc;
}

static void begin_attempt(struct session *session)
{
    char why[SESSION_LINK_WHY_BYTES * 2];

    session->answered = false;
    if (prepare_link(session, why) < 0) {
        wait_after(session, why);
        return;
    }
    enter(session, JOINING);
    session->thread_done = false;
    int rc = start_thread(session);
    if (rc < 0) {
        snprintf(why, sizeof why, "no thread to connect with (%s): see what uses them up",
                 strerror(-rc));
        wait_after(session, why);
    }
}

/* The library closes its socket in the middle of a call. A duplicate of ours is watched instead, so
 * that the watch ends before the number can be used again. */
static int watch_socket(struct session *session)
{
    int fd = fcntl(session_link_socket(session->link), F_DUPFD_CLOEXEC, 0);

    if (fd < 0)
        return -errno;
    int rc = sd_event_add_io(session->event, &session->socket, fd, EPOLLIN, on_socket, session);
    if (rc < 0)
        close(fd);
    else
        rc = sd_event_source_set_io_fd_own(session->socket, 1);
    return rc;
}

static int on_joined(sd_event_source *source, int fd, uint32_t revents, void *user)
{
    struct session *session = user;
    eventfd_t count;
    (void)source;
    (void)revents;

    eventfd_read(fd, &count);
    pthread_mutex_lock(&session->lock);
    int rc = session->joined_rc;
    pthread_mutex_unlock(&session->lock);
    enter(session, GREETING);
    if (rc == 0)
        rc = watch_socket(session);
    if (rc < 0) {
        wait_after(session, session_link_why(session->link));
        return 0;
    }
    set_timer(session, GREETING_US);
    write_out(session);
    return 0;
}

static int copy_settings(struct session *session, const struct session_settings *settings)
{
    session->host = strdup(settings->host);
    session->user = strdup(settings->user ? settings->user : "");
    session->password_file = strdup(settings->password_file ? settings->password_file : "");
    session->ca_file = strdup(settings->ca_file ? settings->ca_file : "");
    session->port = (int)settings->port;
    session->keepalive_s = (int)settings->keepalive_s;
    return session->host && session->user && session->password_file && session->ca_file ? 0
                                                                                        : -ENOMEM;
}

static int add_sources(struct session *session)
{
    session->joined_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (session->joined_fd < 0)
        return -errno;
    int rc = sd_event_add_io(session->event, &session->joined, session->joined_fd, EPOLLIN,
                             on_joined, session);
    if (rc >= 0)
        rc = sd_event_add_defer(session->event, &session->flush, on_flush, session);
    if (rc >= 0)
        rc = sd_event_source_set_enabled(session->flush, SD_EVENT_OFF);
    if (rc >= 0)
        rc = sd_event_add_time_relative(session->event, &session->timer, CLOCK_MONOTONIC, 0, 10000,
                                        on_timer, session);
    return rc;
}

static int open_link(struct session *session, const struct session_settings *settings,
                     const struct session_will *will)
{
    const struct session_link_events events = {.user = session,
                                               .greeted = on_greeted,
                                               .message = on_message,
                                               .sent = on_sent,
                                               .publish_refused = on_publish_refused,
                                               .subscribe_refused = on_subscribe_refused};
    int rc = session_link_new(&session->link, settings->client_id, &events);

    if (rc < 0 || !will)
        return rc;
    return session_link_will(session->link, will->topic, will->text);
}

static void remove_sources(struct session *session)
{
    session->timer = sd_event_source_disable_unref(session->timer);
    session->flush = sd_event_source_disable_unref(session->flush);
    session->socket = sd_event_source_disable_unref(session->socket);
    session->joined = sd_event_source_disable_unref(session->joined);
}

int session_open(struct session **out, sd_event *event, const struct session_settings *settings,
                 const struct session_will *will, const struct session_events *events)
{
    struct session *session = calloc(1, sizeof *session);

    if (!session)
        return -ENOMEM;
    session->event = event;
    session->events = *events;
    session->mqtt5 = true;
    session->joined_fd = -1;
    pthread_mutex_init(&session->lock, NULL);
    int rc = copy_settings(session, settings);
    if (rc == 0)
        rc = open_link(session, settings, will);
    if (rc == 0)
        rc = add_sources(session);
    if (rc < 0) {
        remove_sources(session);
        destroy(session);
        return rc;
    }
    snprintf(session->trouble, sizeof session->trouble, "broker %s port %d: not reached yet",
             session->host, session->port);
    *out = session;
    return 0;
}

void session_close(struct session *session)
{
    bool blocked;

    if (!session)
        return;
    remove_sources(session);
    if (session->state == CONNECTED && session_link_goodbye(session->link) == 0)
        session_link_write(session->link, &blocked);
    pthread_mutex_lock(&session->lock);
    bool theirs = session->state == JOINING && !session->thread_done;
    session->abandoned = theirs;
    pthread_mutex_unlock(&session->lock);
    if (!theirs)
        destroy(session);
}

bool session_is_connected(const struct session *session)
{
    return session->state == CONNECTED;
}

const char *session_trouble(const struct session *session)
{
    return session->trouble;
}

int session_subscribe(struct session *session, const char *filter)
{
    if (session_link_filter_check(filter) < 0)
        return -EINVAL;
    if (session->filter_count == SESSION_FILTERS_MAX)
        return -ENOSPC;
    char *copy = strdup(filter);
    if (!copy)
        return -ENOMEM;
    struct filter *added = &session->filters[session->filter_count++];
    *added = (struct filter){.text = copy};
    if (session->state == CONNECTED)
        subscribe(session, added);
    return 0;
}

int session_publish(struct session *session, const char *topic, const void *payload, size_t len,
                    bool retain, int *id)
{
    int given;

    if (session->state != CONNECTED)
        return -ENOTCONN;
    if (session->in_flight >= SESSION_IN_FLIGHT_MAX)
        return -ENOBUFS;
    int rc = session_link_publish(session->link, topic, payload, len, retain, &given);
    if (rc < 0)
        return rc;
    session->in_flight++;
    flush_soon(session);
    if (id)
        *id = given;
    return 0;
}

unsigned session_in_flight(const struct session *session)
{
    return session->in_flight;
}
