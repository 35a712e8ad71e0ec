/* What a session does when the way to the broker is wrong: it says so, keeps trying, and mends
 * itself. */
#include <arpa/inet.h>
#include <check.h>
#include <dlfcn.h>
#include <errno.h>
#include <netdb.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "broker.h"
#include "common/clock.h"
#include "common/log.h"
#include "peer.h"
#include "tests/suite.h"

static struct broker broker;
static struct peer peer;
static char host[64], user[16], password_file[96], ca_file[96], client_id[] = "peer";

/* Stands in for a name server that takes its time; libmosquitto calls this one. */
static unsigned resolver_delay_ms;

int getaddrinfo(const char *name, const char *service, const struct addrinfo *hints,
                struct addrinfo **list)
{
    int (*real)(const char *, const char *, const struct addrinfo *, struct addrinfo **);

    *(void **)&real = dlsym(RTLD_NEXT, "getaddrinfo");
    usleep(resolver_delay_ms * 1000);
    return real(name, service, hints, list);
}

static void open_peer(int port)
{
    struct session_settings settings = {.host = host,
                                        .port = port,
                                        .user = user,
                                        .password_file = password_file,
                                        .ca_file = ca_file,
                                        .client_id = client_id,
                                        .keepalive_s = 60};

    peer_open(&peer, &settings, NULL);
}

static void run(const char *command)
{
    ck_assert_msg(system(command) == 0, "%s", command);
}

static void setup(void)
{
    log_open("test", LOG_LEVEL_ERROR);
    memset(&peer, 0, sizeof peer);
    memset(&broker, 0, sizeof broker);
    strcpy(host, "127.0.0.1");
    user[0] = password_file[0] = ca_file[0] = '\0';
    resolver_delay_ms = 0;
}

static void teardown(void)
{
    if (peer.session)
        peer_close(&peer);
    if (broker.folder[0])
        broker_remove(&broker);
}

static void set_password(const char *text)
{
    strcpy(password_file, broker_file(&broker, "password", text));
}

static void wait_for_trouble(const char *part, unsigned ms)
{
    unsigned never = 0;

    for (unsigned spent = 0; spent < ms && !strstr(session_trouble(peer.session), part);
         spent += 50)
        peer_run(&peer, &never, 1, 50);
    ck_assert_msg(strstr(session_trouble(peer.session), part), "\"%s\" lacks \"%s\"",
                  session_trouble(peer.session), part);
    ck_assert(!session_is_connected(peer.session));
}

START_TEST(a_wrong_password_is_named_and_mended_without_a_restart)
{
    char users[256], command[512];

    broker_prepare(&broker, NULL);
    strcpy(users, broker_file(&broker, "users", NULL));
    snprintf(
        command, sizeof command,
        "touch %s && mosquitto_passwd -b %s grower right 2>/dev/null; sed -i '/allow_anonymous/d' "
        "%s/broker.conf; printf 'allow_anonymous false\\npassword_file %s\\n' >> %s/broker.conf",
        users, users, broker.folder, users, broker.folder);
    run(command);
    broker_start(&broker);
    strcpy(user, "grower");
    set_password("wrong\n");
    open_peer(broker.port);
    wait_for_trouble("refuses this user or password: check user, password_file", 3000);
    chmod(password_file, 0644);
    wait_for_trouble("chmod 0600", 3000);
    unlink(password_file);
    wait_for_trouble("No such file", 3000);
    set_password("right\n");
    ck_assert_uint_eq(peer_run(&peer, &peer.connected, 1, 8000), 1);
    ck_assert_uint_eq(peer.disconnected, 0);
}
END_TEST

/* A certificate authority of the test's own, and a certificate for name. */
static void make_certificates(const char *folder, const char *name)
{
    char command[1600];

    snprintf(
        command, sizeof command,
        "cd %s && openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 "
        "-subj '/CN=test authority' -keyout ca.key -out ca.crt 2>/dev/null && "
        "openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj '/CN=%s' "
        "-keyout server.key -out server.csr 2>/dev/null && "
        "printf 'subjectAltName=%s' > ext && "
        "openssl x509 -req -in server.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 2 "
        "-extfile ext -out server.crt 2>/dev/null",
        folder, name, name[0] >= '0' && name[0] <= '9' ? "IP:127.0.0.1" : "DNS:farm.invalid");
    run(command);
}

static void start_tls_broker(const char *name)
{
    char command[512];

    broker_prepare(&broker, NULL);
    make_certificates(broker.folder, name);
    snprintf(command, sizeof command,
             "printf 'cafile %s/ca.crt\\ncertfile %s/server.crt\\nkeyfile %s/server.key\\n' >> "
             "%s/broker.conf",
             broker.folder, broker.folder, broker.folder, broker.folder);
    run(command);
    broker_start(&broker);
}

START_TEST(a_trusted_certificate_is_accepted)
{
    start_tls_broker("127.0.0.1");
    strcpy(ca_file, broker_file(&broker, "ca.crt", NULL));
    open_peer(broker.port);
    ck_assert_uint_eq(peer_run(&peer, &peer.connected, 1, 5000), 1);
    session_subscribe(peer.session, "a");
    for (int i = 0; i < 500; i++)
        ck_assert_int_eq(session_publish(peer.session, "a", "x", 1, false, NULL), 0);
    ck_assert_uint_eq(peer_run(&peer, &peer.messages, 500, 5000), 500);
}
END_TEST

START_TEST(a_foreign_authority_is_refused_until_it_is_mended)
{
    char command[256], folder[] = "/tmp/edgerow-other-XXXXXX";

    start_tls_broker("127.0.0.1");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    make_certificates(folder, "127.0.0.1");
    snprintf(command, sizeof command, "mv %s/ca.crt %s/trusted.crt && rm -rf %s", folder,
             broker.folder, folder);
    run(command);
    strcpy(ca_file, broker_file(&broker, "trusted.crt", NULL));
    open_peer(broker.port);
    wait_for_trouble("no trusted TLS connection", 3000);
    ck_assert_ptr_nonnull(strstr(session_trouble(peer.session), "certificate verify failed"));
    ck_assert_ptr_nonnull(strstr(session_trouble(peer.session), "check ca_file"));
    snprintf(command, sizeof command, "cp %s/ca.crt %s/trusted.crt", broker.folder, broker.folder);
    run(command);
    ck_assert_uint_eq(peer_run(&peer, &peer.connected, 1, 8000), 1);
}
END_TEST

START_TEST(a_certificate_for_another_host_is_refused)
{
    start_tls_broker("farm.invalid");
    strcpy(ca_file, broker_file(&broker, "ca.crt", NULL));
    open_peer(broker.port);
    wait_for_trouble("no trusted TLS connection", 3000);
}
END_TEST

START_TEST(a_missing_authority_is_named)
{
    start_tls_broker("127.0.0.1");
    strcpy(ca_file, "/nonexistent/ca.crt");
    open_peer(broker.port);
    wait_for_trouble("/nonexistent/ca.crt", 3000);
}
END_TEST

START_TEST(plain_against_tls_is_told)
{
    start_tls_broker("127.0.0.1");
    open_peer(broker.port);
    wait_for_trouble("the broker closed the connection", 4000);
}
END_TEST

START_TEST(an_unknown_name_is_told)
{
    strcpy(host, "no-such-host.invalid"); /* RFC 6761 section 6.4: never resolves */
    open_peer(1883);
    wait_for_trouble("no-such-host.invalid port 1883: the name is not known: check host", 20000);
}
END_TEST

static unsigned ticks;
static int64_t last_tick_us, widest_gap_us;

static int on_tick(sd_event_source *source, uint64_t at_us, void *data)
{
    int64_t now_us = clock_transport_us();
    (void)at_us;
    (void)data;

    if (ticks++ && now_us - last_tick_us > widest_gap_us)
        widest_gap_us = now_us - last_tick_us;
    last_tick_us = now_us;
    sd_event_source_set_time_relative(source, 10000);
    return sd_event_source_set_enabled(source, SD_EVENT_ONESHOT);
}

START_TEST(a_slow_name_server_does_not_stop_the_loop)
{
    sd_event_source *source;
    unsigned never = 0;

    resolver_delay_ms = 1500;
    open_peer(broker_free_port());
    ck_assert_int_ge(
        sd_event_add_time_relative(peer.event, &source, CLOCK_MONOTONIC, 0, 1, on_tick, NULL), 0);
    peer_run(&peer, &never, 1, 1000);
    ck_assert_uint_ge(ticks, 20);
    ck_assert_int_lt(widest_gap_us, 500000);
    sd_event_source_unref(source);
    peer_close(&peer); /* while the thread is still at it */
    usleep(900000);
}
END_TEST

/* A broker that knows only MQTT 3.1.1: answers a CONNECT of version 5 as MQTT 3.1.1 section 3.2.2.3
 * says (return code 1), or closes without a word. */
static int old_listener;
static bool old_is_silent;

static void *old_broker(void *unused)
{
    (void)unused;
    for (;;) {
        unsigned char packet[512];
        int fd = accept(old_listener, NULL, NULL);
        if (fd < 0)
            return NULL;
        ssize_t n = recv(fd, packet, sizeof packet, 0);
        /* Fixed header of 2 bytes, "MQTT" with its length, then the version. */
        bool old = n > 8 && packet[8] == 4;
        if (old || !old_is_silent) {
            const unsigned char answer[4] = {0x20, 2, 0, old ? 0 : 1};
            (void)!send(fd, answer, sizeof answer, MSG_NOSIGNAL);
        }
        if (!old)
            close(fd);
    }
}

START_TEST(an_old_broker_is_met_with_the_old_version)
{
    struct sockaddr_in address = {.sin_family = AF_INET};
    pthread_t thread;

    old_is_silent = _i == 1;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    address.sin_port = htons((uint16_t)broker_free_port());
    old_listener = socket(AF_INET, SOCK_STREAM, 0);
    ck_assert_int_eq(bind(old_listener, (struct sockaddr *)&address, sizeof address), 0);
    ck_assert_int_eq(listen(old_listener, 4), 0);
    pthread_create(&thread, NULL, old_broker, NULL);
    open_peer(ntohs(address.sin_port));
    ck_assert_uint_eq(peer_run(&peer, &peer.connected, 1, 10000), 1);
    shutdown(old_listener, SHUT_RDWR);
    pthread_join(thread, NULL);
    close(old_listener);
}
END_TEST

START_TEST(a_refused_right_is_logged_and_does_not_clog)
{
    char text[128], command[400];

    broker_prepare(&broker, NULL);
    strcpy(text, broker_file(&broker, "acl", "topic read a/#\ntopic write a/#\n"));
    snprintf(command, sizeof command, "printf 'acl_file %s\\n' >> %s/broker.conf", text,
             broker.folder);
    run(command);
    broker_start(&broker);
    open_peer(broker.port);
    peer_run(&peer, &peer.connected, 1, 3000);
    ck_assert_int_eq(session_publish(peer.session, "b", "x", 1, false, NULL), 0);
    ck_assert_int_eq(session_publish(peer.session, "a", "x", 1, false, NULL), 0);
    ck_assert_uint_eq(peer_run(&peer, &peer.sent, 2, 500), 1);
    ck_assert_uint_eq(session_in_flight(peer.session), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("session trouble");
    TCase *cases = tcase_create("all");

    tcase_set_timeout(cases, 40);
    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_test(cases, a_wrong_password_is_named_and_mended_without_a_restart);
    tcase_add_test(cases, a_trusted_certificate_is_accepted);
    tcase_add_test(cases, a_foreign_authority_is_refused_until_it_is_mended);
    tcase_add_test(cases, a_certificate_for_another_host_is_refused);
    tcase_add_test(cases, a_missing_authority_is_named);
    tcase_add_test(cases, plain_against_tls_is_told);
    tcase_add_test(cases, an_unknown_name_is_told);
    tcase_add_test(cases, a_slow_name_server_does_not_stop_the_loop);
    tcase_add_loop_test(cases, an_old_broker_is_met_with_the_old_version, 0, 2);
    tcase_add_test(cases, a_refused_right_is_logged_and_does_not_clog);
    suite_add_tcase(suite, cases);
    return suite_run(suite);
}
