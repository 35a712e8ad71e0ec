#include <check.h>
#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/timex.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#include "common/clock.h"
#include "common/log.h"
#include "tests/suite.h"

/* Linked with --wrap, so that a step of the machine's clock needs no right to set it. */
static int64_t shift_s;
static bool cancel_next_read;

int __real_clock_gettime(clockid_t id, struct timespec *now);
ssize_t __real_read(int fd, void *buffer, size_t len);
int __wrap_clock_gettime(clockid_t id, struct timespec *now);
ssize_t __wrap_read(int fd, void *buffer, size_t len);

int __wrap_clock_gettime(clockid_t id, struct timespec *now)
{
    int rc = __real_clock_gettime(id, now);

    if (id == CLOCK_REALTIME)
        now->tv_sec += shift_s;
    return rc;
}

static int adjtimex_answer, adjtimex_status;

int __wrap_adjtimex(struct timex *state);

int __wrap_adjtimex(struct timex *state)
{
    state->status = adjtimex_status;
    return adjtimex_answer;
}

ssize_t __wrap_read(int fd, void *buffer, size_t len)
{
    ssize_t n = __real_read(fd, buffer, len);

    if (cancel_next_read && len == 8) {
        cancel_next_read = false;
        errno = ECANCELED;
        return -1;
    }
    return n;
}

static sd_event *event;
static struct clock_source *the_clock;
static char runs[512]; /* what ran, as "a@120 " */

struct periodic {
    struct clock_timer *timer;
    const char *name;
    int64_t every_us;
    unsigned times;
};

static void on_timer(void *user, int64_t now_us)
{
    struct periodic *periodic = user;
    size_t used = strlen(runs);

    ck_assert_int_le(clock_event_us(the_clock) - now_us, 1000000);
    snprintf(runs + used, sizeof runs - used, "%s@%ld ", periodic->name, (long)now_us);
    periodic->times++;
    if (periodic->every_us)
        clock_timer_arm(periodic->timer, now_us + periodic->every_us);
}

static void turn(unsigned long timeout_us)
{
    int64_t end_us = clock_transport_us() + (int64_t)timeout_us;

    while (clock_transport_us() < end_us)
        sd_event_run(event, 2000);
}

/* The world's side of a rehearsal. */
static char folder[40], path[80];
static int listener = -1, world = -1;

static void open_world(void)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};

    strcpy(address.sun_path, path);
    unlink(path);
    listener = socket(AF_UNIX, SOCK_STREAM, 0);
    ck_assert_int_eq(bind(listener, (struct sockaddr *)&address, sizeof address), 0);
    ck_assert_int_eq(listen(listener, 4), 0);
}

static void answer_within(unsigned ms, char *text, size_t capacity)
{
    int64_t end_us = clock_transport_us() + (int64_t)ms * 1000;
    size_t have = 0;

    while (clock_transport_us() < end_us && !memchr(text, '\n', have)) {
        sd_event_run(event, 1000);
        ssize_t n = recv(world, text + have, capacity - 1 - have, MSG_DONTWAIT);
        if (n > 0)
            have += (size_t)n;
    }
    text[have] = '\0';
}

static void meet(void)
{
    char text[64];

    for (int i = 0; i < 500 && world < 0; i++) {
        struct pollfd ready = {.fd = listener, .events = POLLIN};
        sd_event_run(event, 1000);
        if (poll(&ready, 1, 0) == 1)
            world = accept(listener, NULL, NULL);
    }
    ck_assert_int_ge(world, 0);
    answer_within(1000, text, sizeof text);
    ck_assert_str_eq(text, "hello edgerow-test\n");
}

static void say(const char *text)
{
    ck_assert_int_eq(send(world, text, strlen(text), 0), (ssize_t)strlen(text));
}

static void step(long now_us)
{
    char text[64], want[64];

    snprintf(text, sizeof text, "now %ld\n", now_us);
    snprintf(want, sizeof want, "done %ld\n", now_us);
    say(text);
    answer_within(1000, text, sizeof text);
    ck_assert_str_eq(text, want);
}

static void setup(void)
{
    shift_s = 0;
    cancel_next_read = false;
    runs[0] = '\0';
    log_open("edgerow-test", LOG_LEVEL_ERROR);
    ck_assert_int_ge(sd_event_new(&event), 0);
    strcpy(folder, "/tmp/edgerow-clock-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/clock", folder);
}

static void teardown(void)
{
    clock_close(the_clock);
    sd_event_unref(event);
    if (listener >= 0)
        close(listener);
    if (world >= 0)
        close(world);
    unlink(path);
    rmdir(folder);
}

static void open_rehearsal(void)
{
    open_world();
    ck_assert_int_eq(clock_open(&the_clock, event, path), 0);
    ck_assert(!clock_ready(the_clock));
    meet();
}

START_TEST(the_machines_timers_run_when_due)
{
    struct periodic a = {.name = "a"}, b = {.name = "b", .every_us = 20000};

    ck_assert_int_eq(clock_open(&the_clock, event, ""), 0);
    ck_assert(clock_ready(the_clock));
    int64_t start_us = clock_event_us(the_clock);
    ck_assert_int_le(labs((long)(start_us / 1000000 - time(NULL))), 1);
    clock_timer_new(the_clock, on_timer, &a, &a.timer);
    clock_timer_new(the_clock, on_timer, &b, &b.timer);
    clock_timer_arm(a.timer, start_us + 3600 * INT64_C(1000000));
    clock_timer_arm(b.timer, start_us + 20000);
    turn(110000);
    ck_assert_uint_eq(a.times, 0);
    ck_assert_uint_ge(b.times, 4);
    ck_assert_uint_le(b.times, 6);
    clock_timer_disarm(b.timer);
    clock_timer_arm(a.timer, 0); /* long past */
    unsigned before = b.times;
    turn(50000);
    ck_assert_uint_eq(a.times, 1);
    ck_assert_uint_eq(b.times, before);
    clock_timer_free(a.timer);
    clock_timer_free(b.timer);
}
END_TEST

static int64_t stepped_by_us;

static void on_stepped(void *user, int64_t by_us)
{
    (void)user;
    stepped_by_us = by_us;
}

START_TEST(a_step_of_the_machines_clock_is_told)
{
    struct periodic a = {.name = "a"};

    stepped_by_us = 0;
    ck_assert_int_eq(clock_open(&the_clock, event, NULL), 0);
    clock_watch_steps(the_clock, on_stepped, NULL);
    clock_timer_new(the_clock, on_timer, &a, &a.timer);
    shift_s = -3600;
    cancel_next_read = true;
    clock_timer_arm(a.timer, 1);
    turn(20000);
    ck_assert_int_le(labs((long)(stepped_by_us + 3600 * INT64_C(1000000))), 100000);
    ck_assert_uint_eq(a.times, 1);
    clock_timer_free(a.timer);
}
END_TEST

START_TEST(the_kernel_says_whether_its_clock_is_synchronised)
{
    ck_assert_int_eq(clock_open(&the_clock, event, NULL), 0);
    adjtimex_answer = TIME_OK;
    adjtimex_status = 0;
    ck_assert(clock_synchronised(the_clock));
    adjtimex_status = STA_UNSYNC;
    ck_assert(!clock_synchronised(the_clock));
    adjtimex_answer = TIME_ERROR;
    adjtimex_status = 0;
    ck_assert(!clock_synchronised(the_clock));
    adjtimex_answer = -1; /* a sandbox */
    ck_assert(!clock_synchronised(the_clock));
}
END_TEST

START_TEST(a_rehearsal_runs_timers_in_order_of_time)
{
    struct periodic a = {.name = "a", .every_us = 60}, b = {.name = "b", .every_us = 100};

    open_rehearsal();
    clock_timer_new(the_clock, on_timer, &a, &a.timer);
    clock_timer_new(the_clock, on_timer, &b, &b.timer);
    clock_timer_arm(a.timer, 0);
    clock_timer_arm(b.timer, 0);
    step(1000); /* the first step jumps: each runs once, not a thousand times */
    ck_assert(clock_ready(the_clock));
    ck_assert_uint_eq(a.times, 1);
    ck_assert_uint_eq(b.times, 1);
    ck_assert_int_eq(clock_event_us(the_clock), 1000);
    runs[0] = '\0';
    step(1200);
    ck_assert_str_eq(runs, "a@1060 b@1100 a@1120 a@1180 b@1200 ");
    ck_assert_int_eq(clock_event_us(the_clock), 1200);
    ck_assert_int_eq(clock_boot_us(the_clock), 1200);
    ck_assert(clock_synchronised(the_clock));
    runs[0] = '\0';
    turn(50000); /* time stands still between steps */
    ck_assert_str_eq(runs, "");
    clock_timer_free(a.timer);
    clock_timer_free(b.timer);
}
END_TEST

START_TEST(done_waits_for_every_holder)
{
    char text[64];

    open_rehearsal();
    clock_hold(the_clock);
    clock_hold(the_clock);
    say("now 5\n");
    answer_within(30, text, sizeof text);
    ck_assert_str_eq(text, "");
    clock_release(the_clock);
    answer_within(30, text, sizeof text);
    ck_assert_str_eq(text, "");
    clock_release(the_clock);
    answer_within(1000, text, sizeof text);
    ck_assert_str_eq(text, "done 5\n");
    step(6);
}
END_TEST

static int on_pipe(sd_event_source *source, int fd, uint32_t revents, void *user)
{
    char byte;
    (void)source;
    (void)revents;
    (void)user;

    ck_assert_int_eq(read(fd, &byte, 1), 1);
    strcat(runs, clock_event_us(the_clock) == 10 ? "before " : "after ");
    return 0;
}

START_TEST(what_was_sent_before_a_step_is_handled_before_it)
{
    sd_event_source *source;
    int ends[2];

    open_rehearsal();
    ck_assert_int_eq(pipe(ends), 0);
    ck_assert_int_ge(sd_event_add_io(event, &source, ends[0], EPOLLIN, on_pipe, NULL), 0);
    step(10);
    for (int i = 0; i < 3; i++)
        ck_assert_int_eq(write(ends[1], "x", 1), 1);
    step(20);
    ck_assert_str_eq(runs, "before before before ");
    sd_event_source_unref(source);
    close(ends[0]);
    close(ends[1]);
}
END_TEST

START_TEST(arming_for_the_past_between_steps_runs_at_once)
{
    struct periodic a = {.name = "a"};

    open_rehearsal();
    clock_timer_new(the_clock, on_timer, &a, &a.timer);
    step(10);
    clock_timer_arm(a.timer, 10);
    turn(20000);
    ck_assert_str_eq(runs, "a@10 ");
    clock_timer_free(a.timer);
}
END_TEST

START_TEST(a_rehearsal_can_set_the_clock_wrong)
{
    struct periodic a = {.name = "a", .every_us = 10};
    char text[64];

    open_rehearsal();
    clock_watch_steps(the_clock, on_stepped, NULL);
    clock_timer_new(the_clock, on_timer, &a, &a.timer);
    step(1000);
    say("now 2000 behind 1500\n"); /* back: what was armed waits */
    answer_within(1000, text, sizeof text);
    ck_assert_str_eq(text, "done 2000\n");
    ck_assert_int_eq(clock_event_us(the_clock), 500);
    ck_assert_int_eq(clock_boot_us(the_clock), 2000);
    ck_assert(!clock_synchronised(the_clock));
    ck_assert_int_eq(stepped_by_us, -1500);
    clock_timer_arm(a.timer, 505);
    step(3000); /* set right: forward, in one jump */
    ck_assert_int_eq(clock_event_us(the_clock), 3000);
    ck_assert(clock_synchronised(the_clock));
    ck_assert_int_eq(stepped_by_us, 1500);
    ck_assert_str_eq(runs, "a@3000 ");
    clock_timer_free(a.timer);
}
END_TEST

START_TEST(the_connection_comes_back)
{
    char text[64];

    ck_assert_int_eq(clock_open(&the_clock, event, path), 0);
    turn(150000); /* nobody listens yet */
    open_world();
    meet();
    step(7);
    say("later 8\n"); /* nonsense ends the connection */
    answer_within(20, text, sizeof text);
    close(world);
    world = -1;
    meet();
    ck_assert_int_eq(clock_event_us(the_clock), 7);
    say("now 8\nnow 9\n");
    answer_within(1000, text, sizeof text);
    turn(10000);
    ck_assert_int_eq(clock_event_us(the_clock), 9);
}
END_TEST

START_TEST(the_boot_has_a_name)
{
    char one[17], two[17];

    clock_boot_id(one);
    clock_boot_id(two);
    ck_assert_uint_eq(strlen(one), 16);
    ck_assert_uint_eq(strspn(one, "0123456789abcdef"), 16);
    ck_assert_uint_lt(strspn(one, "0"), 16);
    ck_assert_str_eq(one, two);
    ck_assert_int_eq(clock_open(&the_clock, event, NULL), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("clock");
    TCase *cases = tcase_create("all");

    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_test(cases, the_machines_timers_run_when_due);
    tcase_add_test(cases, a_step_of_the_machines_clock_is_told);
    tcase_add_test(cases, the_kernel_says_whether_its_clock_is_synchronised);
    tcase_add_test(cases, a_rehearsal_runs_timers_in_order_of_time);
    tcase_add_test(cases, done_waits_for_every_holder);
    tcase_add_test(cases, what_was_sent_before_a_step_is_handled_before_it);
    tcase_add_test(cases, arming_for_the_past_between_steps_runs_at_once);
    tcase_add_test(cases, a_rehearsal_can_set_the_clock_wrong);
    tcase_add_test(cases, the_connection_comes_back);
    tcase_add_test(cases, the_boot_has_a_name);
    suite_add_tcase(suite, cases);
    return suite_run(suite);
}
