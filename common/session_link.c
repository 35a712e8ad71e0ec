#include "common/session_link.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

#include <mosquitto.h>
#include <mqtt_protocol.h>

enum {
    READS_MAX = 4096,        /* packets in one batch */
    WRITES_MAX = 100 * 1000, /* calls in one write phase */
    RECEIVE_MAX = 1000, /* unacknowledged messages the broker may send us (MQTT 5, 3.1.2.11.3) */
    SEND_MAX = 1000,    /* the broker's own limit still applies */
    SESSION_EXPIRY_S = 7 * 86400, /* how long the broker keeps our session while we are away */
    PACKET_MAX = 1 << 20
};

struct session_link {
    struct mosquitto *mosquitto;
    struct session_link_events events;
    char host[256];
    int port, keepalive_s;
    bool mqtt5, tls;
    bool deaf;         /* being dropped: what still arrives is not handed over */
    uint64_t heard;    /* messages and answers handed over */
    char library[160]; /* last error line of the library, for TLS */
    int reason;        /* the broker's reason for ending the connection, 0: none given */
    char why[SESSION_LINK_WHY_BYTES];
};

static void explain(struct session_link *link, const char *what, const char *remedy)
{
    snprintf(link->why, sizeof link->why, "%s: %s", what, remedy);
}

static void explain_tls(struct session_link *link)
{
    char what[200];

    snprintf(what, sizeof what, "no trusted TLS connection (%s)",
             link->library[0] ? link->library : "handshake failed");
    explain(
        link, what,
        "check ca_file, that the certificate names this host and is in date, this machine's clock, "
        "and that the port speaks TLS");
}

static void explain_errno(struct session_link *link, int error)
{
    char what[128];

    snprintf(what, sizeof what, "%s", strerror(error));
    if (error == ECONNREFUSED)
        explain(link, what, "is the broker running, and is the port right?");
    else if (error == EPROTO && link->tls)
        explain_tls(link);
    else
        explain(link, what, "check the network, host and port");
}

static void explain_code(struct session_link *link, int rc, int error)
{
    switch (rc) {
    case MOSQ_ERR_EAI:
    case MOSQ_ERR_LOOKUP:
        explain(link, "the name is not known", "check host, and this machine's name server");
        break;
    case MOSQ_ERR_ERRNO:
        explain_errno(link, error);
        break;
    case MOSQ_ERR_CONN_LOST:
        explain(link, "the broker closed the connection",
                "its log tells why; a second client with the same client_id would do this");
        break;
    case MOSQ_ERR_KEEPALIVE:
        explain(link, "the broker did not answer the keepalive",
                "check the network and the broker");
        break;
    case MOSQ_ERR_TLS:
    case MOSQ_ERR_TLS_HANDSHAKE:
        explain_tls(link);
        break;
    default:
        explain(link, mosquitto_strerror(rc), "check that the port belongs to an MQTT broker");
    }
}

static void explain_reason(struct session_link *link, int reason)
{
    switch (reason) {
    case MQTT_RC_SESSION_TAKEN_OVER:
        explain(link, "another client came with the same client_id", "give each its own");
        break;
    case CONNACK_REFUSED_BAD_USERNAME_PASSWORD:
    case CONNACK_REFUSED_NOT_AUTHORIZED:
    case MQTT_RC_BAD_USERNAME_OR_PASSWORD:
    case MQTT_RC_NOT_AUTHORIZED:
        explain(link, "the broker refuses this user or password",
                "check user, password_file and the broker's user list");
        break;
    case CONNACK_REFUSED_IDENTIFIER_REJECTED:
    case MQTT_RC_CLIENTID_NOT_VALID:
        explain(link, "the broker refuses this client_id", "choose another");
        break;
    default:
        explain(link,
                reason >= 128 ? mosquitto_reason_string(reason) : mosquitto_connack_string(reason),
                "the broker's log tells why");
    }
}

/* Errors of one call: what the broker said goes before what the library found. */
static int fail(struct session_link *link, int rc, int error)
{
    if (link->reason)
        explain_reason(link, link->reason);
    else
        explain_code(link, rc, error);
    return rc == MOSQ_ERR_NOMEM ? -ENOMEM : -ECONNRESET;
}

static void on_connect(struct mosquitto *mosquitto, void *user, int reason, int flags,
                       const mosquitto_property *properties)
{
    struct session_link *link = user;
    enum session_link_greeting greeting = SESSION_LINK_WELCOME;
    (void)mosquitto;
    (void)properties;

    if (reason == MQTT_RC_UNSUPPORTED_PROTOCOL_VERSION ||
        reason == CONNACK_REFUSED_PROTOCOL_VERSION)
        greeting = SESSION_LINK_OTHER_VERSION;
    else if (reason)
        greeting = SESSION_LINK_REFUSED;
    link->reason = reason;
    link->events.greeted(link->events.user, greeting, flags & 1);
}

/* Also called for losses the library noticed itself; those carry small codes of its own. */
static void on_disconnect(struct mosquitto *mosquitto, void *user, int reason,
                          const mosquitto_property *properties)
{
    struct session_link *link = user;
    (void)mosquitto;
    (void)properties;

    if (reason >= 128)
        link->reason = reason;
}

static void on_message(struct mosquitto *mosquitto, void *user,
                       const struct mosquitto_message *message)
{
    struct session_link *link = user;
    (void)mosquitto;

    link->heard++;
    if (!link->deaf)
        link->events.message(link->events.user, message->topic, message->payload,
                             (size_t)message->payloadlen, message->retain);
}

static void on_publish(struct mosquitto *mosquitto, void *user, int id, int reason,
                       const mosquitto_property *properties)
{
    struct session_link *link = user;
    (void)mosquitto;
    (void)properties;

    link->heard++;
    if (reason >= 128)
        link->events.publish_refused(link->events.user, id, mosquitto_reason_string(reason));
    else
        link->events.sent(link->events.user, id);
}

static void on_subscribe(struct mosquitto *mosquitto, void *user, int id, int count,
                         const int *granted)
{
    struct session_link *link = user;
    (void)mosquitto;

    if (count < 1 || granted[0] >= 128)
        link->events.subscribe_refused(link->events.user, id);
}

static void on_log(struct mosquitto *mosquitto, void *user, int level, const char *text)
{
    struct session_link *link = user;
    (void)mosquitto;

    if (level == MOSQ_LOG_ERR)
        snprintf(link->library, sizeof link->library, "%s", text);
}

static int set_options(struct mosquitto *mosquitto)
{
    int rc = mosquitto_threaded_set(mosquitto, true);

    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_int_option(mosquitto, MOSQ_OPT_TCP_NODELAY, 1);
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_int_option(mosquitto, MOSQ_OPT_RECEIVE_MAXIMUM, RECEIVE_MAX);
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_int_option(mosquitto, MOSQ_OPT_SEND_MAXIMUM, SEND_MAX);
    return rc == MOSQ_ERR_SUCCESS ? 0 : -EINVAL;
}

int session_link_new(struct session_link **out, const char *client_id,
                     const struct session_link_events *events)
{
    struct session_link *link = calloc(1, sizeof *link);

    if (!link)
        return -ENOMEM;
    mosquitto_lib_init();
    link->events = *events;
    link->mosquitto = mosquitto_new(client_id, false, link);
    int rc = link->mosquitto ? set_options(link->mosquitto) : -errno;
    if (rc < 0) {
        session_link_free(link);
        return rc;
    }
    mosquitto_connect_v5_callback_set(link->mosquitto, on_connect);
    mosquitto_disconnect_v5_callback_set(link->mosquitto, on_disconnect);
    mosquitto_message_callback_set(link->mosquitto, on_message);
    mosquitto_publish_v5_callback_set(link->mosquitto, on_publish);
    mosquitto_subscribe_callback_set(link->mosquitto, on_subscribe);
    mosquitto_log_callback_set(link->mosquitto, on_log);
    *out = link;
    return 0;
}

void session_link_free(struct session_link *link)
{
    if (!link)
        return;
    mosquitto_destroy(link->mosquitto);
    mosquitto_lib_cleanup();
    free(link);
}

int session_link_will(struct session_link *link, const char *topic, const char *text)
{
    int rc = mosquitto_will_set(link->mosquitto, topic, (int)strlen(text), text, 1, true);

    return rc == MOSQ_ERR_SUCCESS ? 0 : rc == MOSQ_ERR_NOMEM ? -ENOMEM : -EINVAL;
}

int session_link_prepare(struct session_link *link, const struct session_link_settings *settings)
{
    snprintf(link->host, sizeof link->host, "%s", settings->host);
    link->port = settings->port;
    link->keepalive_s = settings->keepalive_s;
    link->mqtt5 = settings->mqtt5;
    link->tls = settings->ca_file != NULL;
    link->library[0] = '\0';
    mosquitto_int_option(link->mosquitto, MOSQ_OPT_PROTOCOL_VERSION,
                         link->mqtt5 ? MQTT_PROTOCOL_V5 : MQTT_PROTOCOL_V311);
    if (mosquitto_username_pw_set(link->mosquitto, settings->user, settings->password)) {
        explain(link, "the user's name or password cannot be used", "use UTF-8 text for both");
        return -EINVAL;
    }
    if (link->tls &&
        mosquitto_tls_set(link->mosquitto, settings->ca_file, NULL, NULL, NULL, NULL)) {
        char what[160];
        snprintf(what, sizeof what, "ca_file %.100s cannot be read (%s)", settings->ca_file,
                 strerror(errno));
        explain(link, what, "check its path and rights");
        return -EINVAL;
    }
    return 0;
}

int session_link_connect(struct session_link *link)
{
    mosquitto_property *properties = NULL;
    int rc = MOSQ_ERR_SUCCESS;

    link->reason = 0;
    link->deaf = false;
    if (link->mqtt5) {
        rc = mosquitto_property_add_int32(&properties, MQTT_PROP_SESSION_EXPIRY_INTERVAL,
                                          SESSION_EXPIRY_S);
        if (rc == MOSQ_ERR_SUCCESS)
            rc = mosquitto_property_add_int32(&properties, MQTT_PROP_MAXIMUM_PACKET_SIZE,
                                              PACKET_MAX);
    }
    errno = 0;
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_connect_bind_v5(link->mosquitto, link->host, link->port, link->keepalive_s,
                                       NULL, properties);
    int error = errno;
    mosquitto_property_free_all(&properties);
    if (rc == MOSQ_ERR_SUCCESS) /* the library leaves it to be inherited */
        fcntl(session_link_socket(link), F_SETFD, FD_CLOEXEC);
    return rc == MOSQ_ERR_SUCCESS ? 0 : fail(link, rc, error);
}

int session_link_socket(const struct session_link *link)
{
    return mosquitto_socket(link->mosquitto);
}

/* The library's "max_packets" is unused: a call reads about one packet, and errno is the only sign
 * that the socket is empty. But the library leaves EAGAIN there also after handling a message (it
 * wakes a thread that does not exist through a full pipe), so only a call without any event ends
 * the batch. */
int session_link_read(struct session_link *link, bool *more)
{
    for (int i = 0; i < READS_MAX; i++) {
        uint64_t before = link->heard;
        errno = 0;
        int rc = mosquitto_loop_read(link->mosquitto, 1);
        if (rc != MOSQ_ERR_SUCCESS)
            return fail(link, rc, errno);
        if (session_link_socket(link) < 0) /* a goodbye of the broker's counts as success there */
            return fail(link, MOSQ_ERR_CONN_LOST, 0);
        if (link->heard == before && (errno == EAGAIN || errno == EWOULDBLOCK)) {
            *more = false;
            return 0;
        }
    }
    *more = true;
    return 0;
}

/* The library writes packet by packet; corked, a batch's acknowledgements share a segment. */
static void cork(const struct session_link *link, int on)
{
    setsockopt(session_link_socket(link), IPPROTO_TCP, TCP_CORK, &on, sizeof on);
}

int session_link_write(struct session_link *link, bool *blocked)
{
    int rc = MOSQ_ERR_SUCCESS;
    bool full = false;

    if (!mosquitto_want_write(link->mosquitto)) {
        *blocked = false;
        return 0;
    }
    cork(link, 1);
    for (int i = 0; i < WRITES_MAX && !full && mosquitto_want_write(link->mosquitto); i++) {
        errno = 0;
        rc = mosquitto_loop_write(link->mosquitto, 1);
        if (rc != MOSQ_ERR_SUCCESS)
            return fail(link, rc, errno);
        full = errno == EAGAIN || errno == EWOULDBLOCK;
    }
    cork(link, 0);
    *blocked = mosquitto_want_write(link->mosquitto);
    return 0;
}

int session_link_tick(struct session_link *link)
{
    errno = 0;
    int rc = mosquitto_loop_misc(link->mosquitto);

    return rc == MOSQ_ERR_SUCCESS ? 0 : fail(link, rc, errno);
}

/* The library closes its socket only when a read fails, so the socket is ended and emptied under
 * it. What it has queued is discarded when it connects again. */
void session_link_drop(struct session_link *link)
{
    char rest[4096];
    int fd = session_link_socket(link);

    if (fd < 0)
        return;
    link->deaf = true;
    shutdown(fd, SHUT_RDWR);
    while (recv(fd, rest, sizeof rest, MSG_DONTWAIT) > 0)
        ;
    while (session_link_socket(link) >= 0 &&
           mosquitto_loop_read(link->mosquitto, 1) == MOSQ_ERR_SUCCESS)
        ;
    assert(session_link_socket(link) < 0);
}

int session_link_goodbye(struct session_link *link)
{
    int rc = mosquitto_disconnect(link->mosquitto);

    return rc == MOSQ_ERR_SUCCESS ? 0 : fail(link, rc, errno);
}

int session_link_filter_check(const char *filter)
{
    return mosquitto_sub_topic_check(filter) == MOSQ_ERR_SUCCESS ? 0 : -EINVAL;
}

int session_link_subscribe(struct session_link *link, const char *filter, int *id)
{
    int rc = mosquitto_subscribe_v5(link->mosquitto, id, filter, 1, 0, NULL);

    return rc == MOSQ_ERR_SUCCESS ? 0 : rc == MOSQ_ERR_INVAL ? -EINVAL : fail(link, rc, errno);
}

int session_link_publish(struct session_link *link, const char *topic, const void *payload,
                         size_t len, bool retain, int *id)
{
    if (len > PACKET_MAX / 2)
        return -EMSGSIZE;
    switch (mosquitto_publish_v5(link->mosquitto, id, topic, (int)len, payload, 1, retain, NULL)) {
    case MOSQ_ERR_SUCCESS:
        return 0;
    case MOSQ_ERR_NOMEM:
        return -ENOMEM;
    case MOSQ_ERR_NO_CONN:
        return -ENOTCONN;
    case MOSQ_ERR_OVERSIZE_PACKET:
    case MOSQ_ERR_PAYLOAD_SIZE:
        return -EMSGSIZE;
    default:
        return -EINVAL;
    }
}

const char *session_link_why(const struct session_link *link)
{
    return link->why;
}
