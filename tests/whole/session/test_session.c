#include <check.h>
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "broker.h"
#include "common/log.h"
#include "peer.h"
#include "tests/suite.h"

static struct broker broker;
static struct peer sender, receiver;

static struct session_settings settings_for(const char *client_id)
{
    static char host[] = "127.0.0.1", none[] = "";
    struct session_settings settings = {.host = host,
                                        .port = broker.port,
                                        .user = none,
                                        .password_file = none,
                                        .ca_file = none,
                                        .keepalive_s = 60};

    settings.client_id = (char *)client_id;
    return settings;
}

static void open_peer(struct peer *peer, const char *client_id)
{
    struct session_settings settings = settings_for(client_id);

    peer_open(peer, &settings, NULL);
}

static void connect_peer(struct peer *peer, const char *client_id)
{
    open_peer(peer, client_id);
    ck_assert_uint_eq(peer_run(peer, &peer->connected, 1, 5000), 1);
}

static void publish(struct peer *peer, const char *topic, const char *text, bool retain)
{
    ck_assert_int_eq(session_publish(peer->session, topic, text, strlen(text), retain, NULL), 0);
}

static void setup(void)
{
    log_open("test", LOG_LEVEL_ERROR);
    memset(&sender, 0, sizeof sender);
    memset(&receiver, 0, sizeof receiver);
    broker_prepare(&broker, NULL);
    broker_start(&broker);
}

static void teardown(void)
{
    peer_close(&sender);
    peer_close(&receiver);
    broker_remove(&broker);
}

START_TEST(a_message_arrives_and_is_acknowledged)
{
    connect_peer(&receiver, "receiver");
    ck_assert_int_eq(session_subscribe(receiver.session, "a/+"), 0);
    connect_peer(&sender, "sender");
    peer_run(&receiver, &receiver.messages, 1, 100); /* lets the subscription pass */
    publish(&sender, "a/b", "hello", false);
    ck_assert_uint_eq(session_in_flight(sender.session), 1);
    ck_assert_uint_eq(peer_run(&sender, &sender.sent, 1, 2000), 1);
    ck_assert_uint_eq(session_in_flight(sender.session), 0);
    ck_assert_uint_eq(peer_run(&receiver, &receiver.messages, 1, 2000), 1);
    ck_assert_str_eq(receiver.last_topic, "a/b");
    ck_assert_str_eq(receiver.last_payload, "hello");
    ck_assert(!receiver.last_retained);
    ck_assert_uint_eq(receiver.batches, 1);
    ck_assert_str_eq(session_trouble(sender.session), "");
}
END_TEST

START_TEST(a_retained_message_comes_with_its_mark)
{
    connect_peer(&sender, "sender");
    publish(&sender, "a/kept", "state", true);
    ck_assert_uint_eq(peer_run(&sender, &sender.sent, 1, 2000), 1);
    open_peer(&receiver, "receiver");
    ck_assert_int_eq(session_subscribe(receiver.session, "a/#"), 0); /* before it is connected */
    ck_assert_uint_eq(peer_run(&receiver, &receiver.messages, 1, 2000), 1);
    ck_assert(receiver.last_retained);
}
END_TEST

static void die(struct peer *peer)
{
    (void)peer;
    kill(getpid(), SIGKILL);
}

/* A receiver of its own process that is killed when its first message is there and not yet kept. Its
 * messages are of its own making, sent when it has subscribed: nothing depends on a wait. */
static void receive_and_die(void)
{
    int status;
    pid_t pid = fork(); /* before this process has a thread */

    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        connect_peer(&receiver, "receiver");
        session_subscribe(receiver.session, "a/#");
        receiver.on_batch = die;
        for (int i = 0; i < 50 && receiver.batches == 0; i++) {
            publish(&receiver, "a/b", "precious",
                    false); /* after the subscription, on one connection */
            peer_run(&receiver, &receiver.batches, 1, 200);
        }
        _exit(1);
    }
    ck_assert_int_eq(waitpid(pid, &status, 0), pid);
    ck_assert(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
}

START_TEST(a_crash_before_the_commit_loses_nothing)
{
    receive_and_die();
    connect_peer(&receiver, "receiver");
    ck_assert(receiver.present);
    ck_assert_uint_eq(peer_run(&receiver, &receiver.messages, 1, 2000), 1);
    ck_assert_str_eq(receiver.last_payload, "precious");
}
END_TEST

START_TEST(a_refused_batch_comes_again)
{
    connect_peer(&receiver, "receiver");
    session_subscribe(receiver.session, "a/#");
    connect_peer(&sender, "sender");
    peer_run(&receiver, &receiver.messages, 1, 100);
    receiver.refuse = 2;
    for (int i = 0; i < 50; i++)
        publish(&sender, "a/b", "x", false);
    peer_run(&sender, &sender.sent, 50, 2000);
    ck_assert_uint_eq(peer_run(&receiver, &receiver.connected, 3, 5000), 3);
    ck_assert_uint_eq(receiver.disconnected, 2);
    ck_assert_ptr_nonnull(strstr(receiver.why, "will come again"));
    peer_run(&receiver, &receiver.kept, 50, 3000);
    peer_run(&receiver, &receiver.kept, 51, 200); /* once kept, it does not come again */
    ck_assert_uint_eq(receiver.kept, 50);
    ck_assert_uint_gt(receiver.messages, 50);
}
END_TEST

START_TEST(it_connects_when_the_broker_comes)
{
    broker_stop(&broker, SIGTERM);
    open_peer(&sender, "sender");
    peer_run(&sender, &sender.connected, 1, 500);
    ck_assert(!session_is_connected(sender.session));
    ck_assert_int_eq(session_publish(sender.session, "a", "x", 1, false, NULL), -ENOTCONN);
    ck_assert_ptr_nonnull(strstr(session_trouble(sender.session), "127.0.0.1 port "));
    ck_assert_ptr_nonnull(strstr(session_trouble(sender.session), "is the broker running"));
    broker_start(&broker);
    ck_assert_uint_eq(peer_run(&sender, &sender.connected, 1, 5000), 1);
}
END_TEST

START_TEST(what_was_under_way_when_the_broker_died_is_sent_again)
{
    connect_peer(&receiver, "receiver");
    session_subscribe(receiver.session, "a/#");
    connect_peer(&sender, "sender");
    peer_run(&receiver, &receiver.messages, 1, 1500); /* the broker has saved the subscription */
    kill(broker.pid, SIGSTOP);
    for (int i = 0; i < 10; i++)
        publish(&sender, "a/b", "x", false);
    peer_run(&sender, &sender.sent, 1, 100);
    ck_assert_uint_eq(session_in_flight(sender.session), 10);
    broker_stop(&broker, SIGKILL);
    broker_start(&broker);
    ck_assert_uint_eq(peer_run(&sender, &sender.sent, 10, 8000), 10);
    ck_assert_uint_eq(session_in_flight(sender.session), 0);
    ck_assert_uint_eq(sender.disconnected, 1);
    ck_assert_uint_ge(peer_run(&receiver, &receiver.messages, 10, 8000), 10);
}
END_TEST

/* Forked before this process has threads; waits for a byte, connects, and is killed. */
static pid_t start_mortal(const struct session_settings *settings, const struct session_will *will,
                          int go)
{
    pid_t pid = fork();

    if (pid == 0) {
        struct peer mortal = {0};
        char byte;
        if (read(go, &byte, 1) != 1)
            _exit(1);
        peer_open(&mortal, settings, will);
        peer_run(&mortal, &mortal.connected, 1, 5000);
        kill(getpid(), SIGKILL);
    }
    return pid;
}

START_TEST(a_will_is_left_behind_and_a_goodbye_leaves_none)
{
    const struct session_will will = {"a/will", "gone"};
    struct session_settings settings = settings_for("mortal");
    int go[2];

    ck_assert_int_eq(pipe(go), 0);
    pid_t pid = start_mortal(&settings, &will, go[0]);
    connect_peer(&receiver, "receiver");
    session_subscribe(receiver.session, "a/will");
    peer_open(&sender, &settings, &will);
    peer_run(&sender, &sender.connected, 1, 2000);
    peer_close(&sender);
    peer_run(&receiver, &receiver.messages, 1, 300);
    ck_assert_uint_eq(receiver.messages, 0);
    ck_assert_int_eq(write(go[1], "x", 1), 1);
    waitpid(pid, NULL, 0);
    close(go[0]);
    close(go[1]);
    ck_assert_uint_eq(peer_run(&receiver, &receiver.messages, 1, 5000), 1);
    ck_assert_str_eq(receiver.last_payload, "gone");
}
END_TEST

START_TEST(nobody_else_may_have_the_same_client_id)
{
    connect_peer(&receiver, "twin");
    connect_peer(&sender, "twin");
    ck_assert_uint_eq(peer_run(&receiver, &receiver.disconnected, 1, 2000), 1);
    ck_assert_msg(strstr(receiver.why, "client_id"), "%s", receiver.why);
}
END_TEST

START_TEST(bounds_are_kept)
{
    connect_peer(&sender, "sender");
    static char large[600 * 1024];
    ck_assert_int_eq(session_publish(sender.session, "a", large, sizeof large, false, NULL),
                     -EMSGSIZE);
    ck_assert_int_eq(session_publish(sender.session, "a/#", "x", 1, false, NULL), -EINVAL);
    for (int i = 0; i < SESSION_IN_FLIGHT_MAX; i++)
        publish(&sender, "a/b", "x", false);
    ck_assert_int_eq(session_publish(sender.session, "a", "x", 1, false, NULL), -ENOBUFS);
    ck_assert_uint_eq(peer_run(&sender, &sender.sent, SESSION_IN_FLIGHT_MAX, 10000),
                      SESSION_IN_FLIGHT_MAX);
    publish(&sender, "a/b", "x", false);
    ck_assert_int_eq(session_subscribe(sender.session, "a/#/b"), -EINVAL);
    for (int i = 0; i < SESSION_FILTERS_MAX; i++)
        ck_assert_int_eq(session_subscribe(sender.session, "b"), 0);
    ck_assert_int_eq(session_subscribe(sender.session, "b"), -ENOSPC);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("session");
    TCase *cases = tcase_create("all");

    tcase_set_timeout(cases, 40);
    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_test(cases, a_message_arrives_and_is_acknowledged);
    tcase_add_test(cases, a_retained_message_comes_with_its_mark);
    tcase_add_test(cases, a_crash_before_the_commit_loses_nothing);
    tcase_add_test(cases, a_refused_batch_comes_again);
    tcase_add_test(cases, it_connects_when_the_broker_comes);
    tcase_add_test(cases, what_was_under_way_when_the_broker_died_is_sent_again);
    tcase_add_test(cases, a_will_is_left_behind_and_a_goodbye_leaves_none);
    tcase_add_test(cases, nobody_else_may_have_the_same_client_id);
    tcase_add_test(cases, bounds_are_kept);
    suite_add_tcase(suite, cases);
    return suite_run(suite);
}
