/* The whole of delivery against a real mail server process: every owed message arrives at least once, whatever the
 * server does. Event time is moved by the test; transfers take real time. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "collector/delivery/delivery.h"
#include "collector/delivery/outbox.h"
#include "mail_server.h"
#include "tests/suite.h"

static const int64_t START_S = 1786000000;

static struct {
    sqlite3 *db;
    sd_event *event;
    struct site_settings site;
    struct delivery *delivery;
    struct delivery_events events;
    struct mail_server servers[2];
    int64_t now_s;
    int busy, troubles, relieved;
    char trouble[400];
    char secret[80];
} t;

static int64_t now(void *user)
{
    (void)user;
    return t.now_s;
}

static void on_busy(void *user, bool busy)
{
    (void)user;
    t.busy += busy ? 1 : -1;
    ck_assert_int_ge(t.busy, 0);
    ck_assert_int_le(t.busy, 1);
}

static void on_trouble(void *user, const char *delivery, const char *why)
{
    (void)user;
    (void)delivery;
    if (why == NULL)
        t.relieved++;
    else
        t.troubles++;
    snprintf(t.trouble, sizeof(t.trouble), "%s", why != NULL ? why : "");
}

static void open_store(void)
{
    char path[400], *schema = calloc(1, 65536), *error = NULL;
    snprintf(path, sizeof(path), "%s/collector/store/schema.sql", getenv("EDGEROW_SOURCE"));
    FILE *file = fopen(path, "r");
    ck_assert_msg(file != NULL, "cannot read %s", path);
    ck_assert_uint_gt(fread(schema, 1, 65535, file), 100);
    fclose(file);
    ck_assert_int_eq(sqlite3_open(":memory:", &t.db), SQLITE_OK);
    ck_assert_msg(sqlite3_exec(t.db, schema, NULL, NULL, &error) == SQLITE_OK, "%s", error);
    free(schema);
}

static void setup(void)
{
    memset(&t, 0, sizeof(t));
    t.now_s = START_S;
    open_store();
    ck_assert_int_ge(sd_event_new(&t.event), 0);
    t.events = (struct delivery_events){
        .patience_s = 20, .now_s = now, .busy = on_busy, .trouble = on_trouble};
    for (int i = 0; i < 2; i++)
        t.site.mails[i] = (struct site_mail){.name = i == 0 ? "manager" : "crew",
                                             .to = i == 0 ? "manager@farm.example, "
                                                            "Second <second@farm.example>"
                                                          : "crew@farm.example",
                                             .from = "Edgerow <edgerow@farm.example>",
                                             .server = "127.0.0.1",
                                             .fallback = i == 1};
    t.site.mail_count = 1;
}

static void teardown(void)
{
    delivery_close(t.delivery);
    mail_server_stop(&t.servers[0]);
    mail_server_stop(&t.servers[1]);
    sd_event_unref(t.event);
    sqlite3_close(t.db);
    if (t.secret[0] != '\0')
        unlink(t.secret);
}

static void serve(int i, const char *mode, const char *auth, const char *faults)
{
    mail_server_start(&t.servers[i], mode, auth, faults);
    t.site.mails[i].port = t.servers[i].port;
    t.site.mails[i].security = strcmp(mode, "tls") == 0        ? SITE_MAIL_TLS
                               : strcmp(mode, "starttls") == 0 ? SITE_MAIL_STARTTLS
                                                               : SITE_MAIL_PLAIN;
    if (strcmp(mode, "plain") != 0)
        t.site.mails[i].ca_file = (char *)mail_server_certificate();
}

static void start(void)
{
    struct settings_fault fault;
    ck_assert_msg(delivery_open(&t.delivery, t.event, t.db, &t.site, &t.events, &fault) == 0, "%s",
                  fault.text);
}

static void authenticate(int i, const char *password)
{
    strcpy(t.secret, "/tmp/edgerow-secret-XXXXXX");
    int fd = mkstemp(t.secret);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(write(fd, password, strlen(password)), (ssize_t)strlen(password));
    fchmod(fd, 0600);
    close(fd);
    t.site.mails[i].user = (char *)"edgerow";
    t.site.mails[i].password_file = t.secret;
}

static const char MESSAGE[] = "From: edgerow@farm.example\r\n"
                              "Subject: North block\r\n"
                              "Message-ID: <n-1.1@farm.example>\r\n"
                              "\r\n"
                              "one\r\n"
                              ".\r\n"
                              "..two dots\r\n"
                              ".QUIT\r\n"
                              "\r\n"
                              "end\r\n";

static void owe(int64_t notice, const char *delivery, bool asleep)
{
    struct outbox_key key = {.notice = notice, .revision = 1};
    strcpy(key.delivery, delivery);
    ck_assert_int_eq(
        outbox_add(t.db, &key, t.now_s, asleep ? OUTBOX_ASLEEP : t.now_s, MESSAGE, strlen(MESSAGE)),
        0);
}

static int64_t number(const char *sql)
{
    sqlite3_stmt *statement;
    ck_assert_msg(sqlite3_prepare_v2(t.db, sql, -1, &statement, NULL) == SQLITE_OK, "%s",
                  sqlite3_errmsg(t.db));
    ck_assert_int_eq(sqlite3_step(statement), SQLITE_ROW);
    int64_t value = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    return value;
}

/* Looks, and runs the loop until nothing is under way. */
static void look(void)
{
    time_t until = time(NULL) + 30;
    ck_assert_int_eq(delivery_look(t.delivery), 0);
    while (t.busy > 0) {
        ck_assert_msg(time(NULL) < until, "transfers do not end");
        ck_assert_int_ge(sd_event_run(t.event, 100000), 0);
    }
}

/* Moves time on to each next try, at most so many. */
static int tries_until_done(int most)
{
    for (int i = 1; i <= most; i++) {
        look();
        if (delivery_waiting(t.delivery) == 0)
            return i;
        int64_t next_s = delivery_next_s(t.delivery);
        ck_assert_int_gt(next_s, t.now_s);
        t.now_s = next_s;
    }
    return -1;
}

static void check_arrived(int server, int n)
{
    size_t len;
    char *bytes = mail_server_message(&t.servers[server], n, &len);
    ck_assert_uint_eq(len, strlen(MESSAGE));
    ck_assert_mem_eq(bytes, MESSAGE, len);
    free(bytes);
}

START_TEST(plain)
{
    serve(0, "plain", "", "");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(tries_until_done(1), 1);
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 1);
    check_arrived(0, 1);
    ck_assert(mail_server_logged(&t.servers[0], "P MAIL FROM:<edgerow@farm.example>"));
    ck_assert(mail_server_logged(&t.servers[0], "P RCPT TO:<manager@farm.example>"));
    ck_assert(mail_server_logged(&t.servers[0], "P RCPT TO:<second@farm.example>"));
    ck_assert_int_eq(number("SELECT done_s FROM outbox"), START_S);
    ck_assert_int_eq(delivery_next_s(t.delivery), INT64_MAX);
}
END_TEST

START_TEST(starttls_and_password)
{
    serve(0, "starttls", "edgerow:let me in", "");
    authenticate(0, "let me in\n");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(tries_until_done(1), 1);
    check_arrived(0, 1);
    ck_assert(mail_server_logged(&t.servers[0], "S MAIL FROM"));
    ck_assert(!mail_server_logged(&t.servers[0], "P AUTH"));
}
END_TEST

START_TEST(tls_and_password)
{
    serve(0, "tls", "edgerow:let me in", "");
    authenticate(0, "let me in");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(tries_until_done(1), 1);
    check_arrived(0, 1);
}
END_TEST

START_TEST(a_password_in_clear_when_told_so)
{
    serve(0, "plain", "edgerow:let me in", "");
    authenticate(0, "let me in");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(tries_until_done(1), 1);
}
END_TEST

START_TEST(a_wrong_password_is_said_and_kept)
{
    serve(0, "tls", "edgerow:let me in", "");
    authenticate(0, "wrong");
    start();
    owe(1, "manager", false);
    look();
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 0);
    ck_assert_uint_eq(delivery_waiting(t.delivery), 1);
    ck_assert_int_eq(t.troubles, 1);
    ck_assert_msg(strstr(t.trouble, "535") != NULL, "%s", t.trouble);
}
END_TEST

/* A server that is not who it should be gets nothing. */
START_TEST(a_stranger_gets_nothing)
{
    serve(0, "tls", "", "");
    t.site.mails[0].ca_file = (char *)"";
    start();
    owe(1, "manager", false);
    look();
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 0);
    ck_assert_uint_eq(delivery_waiting(t.delivery), 1);
    ck_assert(!mail_server_logged(&t.servers[0], "S MAIL"));
}
END_TEST

START_TEST(no_starttls_no_message)
{
    serve(0, "plain", "", "");
    t.site.mails[0].security = SITE_MAIL_STARTTLS;
    start();
    owe(1, "manager", false);
    look();
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 0);
    ck_assert_uint_eq(delivery_waiting(t.delivery), 1);
    ck_assert(!mail_server_logged(&t.servers[0], "P MAIL"));
}
END_TEST

/* The store cannot note what became of a message, as on a full disk: it is sent again, twice rather than never, but
 * ever more slowly, so that a day of it does not fill a mailbox. */
START_TEST(a_store_that_notes_nothing_makes_each_pause_longer)
{
    static const int64_t pauses_s[] = {60, 120, 240, 480, 960, 1920, 3600, 3600};
    enum { PAUSES = sizeof pauses_s / sizeof pauses_s[0] };
    static const char full[] = "CREATE TRIGGER full BEFORE UPDATE ON outbox"
                               " BEGIN SELECT raise(FAIL, 'the disk is full'); END";
    serve(0, "plain", "", "");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(sqlite3_exec(t.db, full, NULL, NULL, NULL), SQLITE_OK);
    for (int i = 0; i < PAUSES; i++) {
        look();
        ck_assert_int_eq(mail_server_count(&t.servers[0]), i + 1);
        ck_assert_uint_eq(delivery_waiting(t.delivery), 1);
        ck_assert_int_eq(delivery_next_s(t.delivery), t.now_s + pauses_s[i]);
        t.now_s += pauses_s[i] - 1;
        look(); /* a second too early */
        ck_assert_int_eq(mail_server_count(&t.servers[0]), i + 1);
        t.now_s++;
    }
    ck_assert_int_eq(sqlite3_exec(t.db, "DROP TRIGGER full", NULL, NULL, NULL), SQLITE_OK);
    look();
    ck_assert_uint_eq(delivery_waiting(t.delivery), 0);
    ck_assert_int_eq(sqlite3_exec(t.db, full, NULL, NULL, NULL), SQLITE_OK);
    owe(2, "manager", false);
    look(); /* what was noted meanwhile makes the next pause a short one */
    ck_assert_int_eq(delivery_next_s(t.delivery), t.now_s + pauses_s[0]);
}
END_TEST

/* Nobody listens where the server should be. */
START_TEST(pauses_between_tries_double_up_to_an_hour)
{
    static const int64_t pauses_s[] = {60, 120, 240, 480, 960, 1920, 3600, 3600};
    serve(0, "plain", "", "");
    mail_server_stop(&t.servers[0]);
    start();
    owe(1, "manager", false);
    for (size_t i = 0; i < sizeof pauses_s / sizeof pauses_s[0]; i++) {
        look();
        ck_assert_int_eq(delivery_next_s(t.delivery), t.now_s + pauses_s[i]);
        t.now_s += pauses_s[i];
    }
    ck_assert_int_eq(number("SELECT tries FROM outbox"), 8);
    ck_assert_int_eq(t.troubles, 1);
}
END_TEST

/* Each fault once, then the server is well: the message arrives, after pauses that grow. */
START_TEST(it_is_tried_again_after_any_fault)
{
    serve(0, "plain", "", "421,mail451,data451,end451,close,rcpt550,end554");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(tries_until_done(8), 8);
    check_arrived(0, 1);
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 1);
    ck_assert_int_eq(number("SELECT tries FROM outbox"), 8);
    ck_assert_int_ge(t.now_s - START_S, 60 + 120 + 240 + 480 + 960 + 2 * 3600);
    ck_assert_int_ge(t.troubles, 1);
    ck_assert_int_eq(t.relieved, 1);
}
END_TEST

START_TEST(twice_rather_than_never)
{
    serve(0, "plain", "", "lost");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(tries_until_done(3), 2);
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 2);
    check_arrived(0, 1);
    check_arrived(0, 2);
}
END_TEST

START_TEST(a_server_that_hangs_is_left)
{
    serve(0, "plain", "", "hang");
    t.events.patience_s = 2;
    start();
    owe(1, "manager", false);
    time_t from = time(NULL);
    ck_assert_int_eq(tries_until_done(2), 2);
    ck_assert_int_le(time(NULL) - from, 8);
    check_arrived(0, 1);
}
END_TEST

START_TEST(nobody_there)
{
    serve(0, "plain", "", "");
    int port = t.servers[0].port;
    mail_server_stop(&t.servers[0]);
    t.site.mails[0].port = port;
    start();
    owe(1, "manager", false);
    look();
    ck_assert_uint_eq(delivery_waiting(t.delivery), 1);
    ck_assert_int_eq(number("SELECT length(last_error) > 10 FROM outbox"), 1);
}
END_TEST

START_TEST(what_one_cannot_deliver_the_next_one_does)
{
    serve(0, "plain", "", "rcpt550");
    serve(1, "plain", "", "");
    t.site.mail_count = 2;
    start();
    owe(1, "manager", false);
    owe(1, "crew", true);
    look();
    t.now_s++;
    look();
    ck_assert_int_eq(mail_server_count(&t.servers[1]), 1);
    /* The first is still owed, and arrives when its server takes it. */
    ck_assert_uint_eq(delivery_waiting(t.delivery), 1);
    t.now_s = delivery_next_s(t.delivery);
    look();
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 1);
    ck_assert_uint_eq(delivery_waiting(t.delivery), 0);
}
END_TEST

START_TEST(the_fallback_sleeps_when_all_is_well)
{
    serve(0, "plain", "", "");
    serve(1, "plain", "", "");
    t.site.mail_count = 2;
    start();
    owe(1, "manager", false);
    owe(1, "crew", true);
    ck_assert_uint_eq(delivery_waiting(t.delivery), 1);
    ck_assert_int_eq(tries_until_done(1), 1);
    t.now_s += 86400;
    look();
    ck_assert_int_eq(mail_server_count(&t.servers[1]), 0);
    ck_assert_int_eq(number("SELECT count(*) FROM outbox"), 1);
}
END_TEST

START_TEST(a_refused_one_is_given_up_once_another_has_it)
{
    serve(0, "plain", "",
          "rcpt550,rcpt550,rcpt550,rcpt550,rcpt550,rcpt550,rcpt550,rcpt550,rcpt550,rcpt550");
    serve(1, "plain", "", "");
    t.site.mail_count = 2;
    start();
    owe(1, "manager", false);
    owe(1, "crew", true);
    for (int i = 0; i < 3; i++) {
        look();
        t.now_s += 86400 + 3600;
    }
    look();
    ck_assert_int_eq(number("SELECT given_up_s > 0 FROM outbox WHERE delivery = 'manager'"), 1);
    ck_assert_int_eq(mail_server_count(&t.servers[1]), 1);
    ck_assert_uint_eq(delivery_waiting(t.delivery), 0);
}
END_TEST

START_TEST(a_restart_in_the_middle_loses_nothing)
{
    serve(0, "plain", "", "hang");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(delivery_look(t.delivery), 0);
    for (int i = 0; i < 5; i++)
        sd_event_run(t.event, 20000);
    ck_assert_int_eq(t.busy, 1);
    delivery_close(t.delivery);
    t.busy = 0;
    start();
    ck_assert_int_eq(tries_until_done(1), 1);
    check_arrived(0, 1);
}
END_TEST

/* The service is told to stop while a server that greeted us is dead: the end waits for nobody. */
START_TEST(a_dead_server_does_not_hold_up_the_end)
{
    serve(0, "plain", "", _i ? "dead" : "hang");
    start();
    owe(1, "manager", false);
    ck_assert_int_eq(delivery_look(t.delivery), 0);
    for (int i = 0; i < 40; i++)
        sd_event_run(t.event, 20000);
    ck_assert_int_eq(t.busy, 1);
    struct timespec from, to;
    clock_gettime(CLOCK_MONOTONIC, &from);
    delivery_close(t.delivery);
    clock_gettime(CLOCK_MONOTONIC, &to);
    t.delivery = NULL;
    double took_s = (double)(to.tv_sec - from.tv_sec) + 1e-9 * (double)(to.tv_nsec - from.tv_nsec);
    printf("closing with a dead mail server took %.2f s\n", took_s);
    ck_assert_double_lt(took_s, 3);
}
END_TEST

START_TEST(many_at_once_each_once)
{
    serve(0, "plain", "", "");
    start();
    for (int i = 1; i <= 60; i++)
        owe(i, "manager", false);
    ck_assert_int_eq(tries_until_done(1), 1);
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 60);
    ck_assert_int_eq(number("SELECT count(*) FROM outbox WHERE done_s > 0 AND tries = 1"), 60);
}
END_TEST

/* A delivery was renamed in site.ini: what it owed goes to the first one. */
START_TEST(a_renamed_delivery_keeps_its_debts)
{
    serve(0, "plain", "", "");
    owe(1, "chief", false);
    start();
    ck_assert_int_eq(tries_until_done(1), 1);
    ck_assert_int_eq(mail_server_count(&t.servers[0]), 1);
}
END_TEST

START_TEST(nonsense_is_refused_with_the_remedy)
{
    static const struct {
        const char *to, *from, *server, *word;
    } wrong[] = {
        {"manager", "a@b.example", "127.0.0.1", "to ="},
        {"m@farm.example\r\nBcc: x@y.example", "a@b.example", "127.0.0.1", "to ="},
        {"m@farm.example", "", "127.0.0.1", "from ="},
        {"m@farm.example", "a@b.example, c@d.example", "127.0.0.1", "from ="},
        {"m@farm.example", "a@b.example", "host/path", "server ="},
        {"m@farm.example", "a@b.example", "user@host", "server ="},
    };
    for (size_t i = 0; i < sizeof(wrong) / sizeof(wrong[0]); i++) {
        struct settings_fault fault = {""};
        t.site.mails[0].to = (char *)wrong[i].to;
        t.site.mails[0].from = (char *)wrong[i].from;
        t.site.mails[0].server = (char *)wrong[i].server;
        ck_assert_int_lt(delivery_open(&t.delivery, t.event, t.db, &t.site, &t.events, &fault), 0);
        ck_assert_msg(strstr(fault.text, wrong[i].word) != NULL, "%s", fault.text);
        ck_assert(strstr(fault.text, "manager") != NULL);
    }
}
END_TEST

/* Once for all tests, which are processes of their own. */
static void certify(void)
{
    (void)mail_server_certificate();
}

int main(void)
{
    Suite *suite = suite_create("delivery_mail");
    TCase *tests = tcase_create("all");
    tcase_set_timeout(tests, 60);
    tcase_add_unchecked_fixture(tests, certify, NULL);
    tcase_add_checked_fixture(tests, setup, teardown);
    tcase_add_test(tests, plain);
    tcase_add_test(tests, starttls_and_password);
    tcase_add_test(tests, tls_and_password);
    tcase_add_test(tests, a_password_in_clear_when_told_so);
    tcase_add_test(tests, a_wrong_password_is_said_and_kept);
    tcase_add_test(tests, a_stranger_gets_nothing);
    tcase_add_test(tests, no_starttls_no_message);
    tcase_add_test(tests, it_is_tried_again_after_any_fault);
    tcase_add_test(tests, a_store_that_notes_nothing_makes_each_pause_longer);
    tcase_add_test(tests, pauses_between_tries_double_up_to_an_hour);
    tcase_add_test(tests, twice_rather_than_never);
    tcase_add_test(tests, a_server_that_hangs_is_left);
    tcase_add_test(tests, nobody_there);
    tcase_add_test(tests, what_one_cannot_deliver_the_next_one_does);
    tcase_add_test(tests, the_fallback_sleeps_when_all_is_well);
    tcase_add_test(tests, a_refused_one_is_given_up_once_another_has_it);
    tcase_add_test(tests, a_restart_in_the_middle_loses_nothing);
    tcase_add_test(tests, many_at_once_each_once);
    tcase_add_test(tests, a_renamed_delivery_keeps_its_debts);
    tcase_add_test(tests, nonsense_is_refused_with_the_remedy);
    suite_add_tcase(suite, tests);
    TCase *end = tcase_create("end");
    tcase_set_timeout(end, 60);
    tcase_add_checked_fixture(end, setup, teardown);
    tcase_add_loop_test(end, a_dead_server_does_not_hold_up_the_end, 0, 2);
    suite_add_tcase(suite, end);
    int failed = suite_run(suite);
    mail_server_end();
    return failed != 0;
}
