/*
 * The control to the crash test of the session: a client on libmosquitto's own plain loop is killed
 * at the same moment, and the message is lost. When this test fails, the library has changed its
 * ways and the crash test no longer proves anything.
 */
#include <check.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include <mosquitto.h>

#include "broker.h"
#include "tests/suite.h"

static struct broker broker;
static bool arrived, subscribed;

static void on_message_die(struct mosquitto *mosquitto, void *user,
                           const struct mosquitto_message *message)
{
    (void)mosquitto;
    (void)user;
    (void)message;
    kill(getpid(), SIGKILL);
}

static void on_message(struct mosquitto *mosquitto, void *user,
                       const struct mosquitto_message *message)
{
    (void)mosquitto;
    (void)user;
    (void)message;
    arrived = true;
}

static void on_subscribe(struct mosquitto *mosquitto, void *user, int id, int count,
                         const int *granted)
{
    (void)mosquitto;
    (void)user;
    (void)id;
    (void)count;
    (void)granted;
    subscribed = true;
}

static struct mosquitto *plain_client(const char *id)
{
    struct mosquitto *client = mosquitto_new(id, false, NULL);

    mosquitto_subscribe_callback_set(client, on_subscribe);
    ck_assert_int_eq(mosquitto_connect(client, "127.0.0.1", broker.port, 60), MOSQ_ERR_SUCCESS);
    return client;
}

static void loop_until(struct mosquitto *client, const bool *flag, int ms)
{
    for (int spent = 0; spent < ms && !*flag; spent += 10)
        mosquitto_loop(client, 10, 1);
}

static void die_on_message(void)
{
    bool never = false;
    struct mosquitto *client = plain_client("receiver");

    mosquitto_message_callback_set(client, on_message_die);
    mosquitto_subscribe(client, NULL, "a/#", 1);
    loop_until(client, &subscribed, 2000);
    mosquitto_publish(client, NULL, "a/b", 1, "x", 1, false);
    loop_until(client, &never, 3000);
    _exit(1);
}

START_TEST(the_plain_loop_loses_a_message_in_a_crash)
{
    int status;

    mosquitto_lib_init();
    broker_prepare(&broker, NULL);
    broker_start(&broker);
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0)
        die_on_message();
    ck_assert_int_eq(waitpid(pid, &status, 0), pid);
    ck_assert(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
    struct mosquitto *client = plain_client("receiver");
    mosquitto_message_callback_set(client, on_message);
    loop_until(client, &arrived, 1000);
    ck_assert_msg(!arrived, "the plain loop no longer acknowledges before its callback");
    mosquitto_destroy(client);
    mosquitto_lib_cleanup();
    broker_remove(&broker);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("session control");
    TCase *cases = tcase_create("all");

    tcase_set_timeout(cases, 30);
    tcase_add_test(cases, the_plain_loop_loses_a_message_in_a_crash);
    suite_add_tcase(suite, cases);
    return suite_run(suite);
}
