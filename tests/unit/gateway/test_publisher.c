/* The gateway's voice with a session that a test plays and a spool on disk. */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <systemd/sd-event.h>

#include "gateway/publish/courier.h"
#include "gateway/publish/publisher.h"
#include "protocol/feed/presence.h"
#include "protocol/feed/topic.h"
#include "tests/unit/gateway/fake_session.h"

#define START_S INT64_C(1790000000)
#define FAR_US  INT64_C(1000000000000000) /* timers that are set then are not due */
#define ROWS    "edgerow/home/gateway/barn/row"

static char folder[64], path[96];
static struct gateway_settings settings;
static struct spool_options options;
static struct spool *spool;
static struct publisher *publisher;
static sd_event *event;
static int64_t now_us;
static uint8_t spreading_factor; /* of what is filled in */
static int read_error;           /* of the courier, in place of a row */

static struct {
    unsigned connected, leases, orders, cleared, batches, rooms;
    uint32_t devaddr;
    uint64_t term, number;
} told;

/* The linker leads the publisher here. */
int64_t __wrap_clock_transport_us(void);
int __real_courier_read(struct courier *courier, uint64_t wanted, struct feed_row *row);
int __wrap_courier_read(struct courier *courier, uint64_t wanted, struct feed_row *row);

int64_t __wrap_clock_transport_us(void)
{
    return now_us;
}

int __wrap_courier_read(struct courier *courier, uint64_t wanted, struct feed_row *row)
{
    return read_error != 0 ? read_error : __real_courier_read(courier, wanted, row);
}

static void on_connected(void *user)
{
    (void)user;
    told.connected++;
}

static void on_lease(void *user, const struct feed_lease *lease)
{
    (void)user;
    told.leases++;
    told.devaddr = lease->devaddr;
    told.term = lease->term;
}

static void on_order(void *user, uint32_t devaddr, const struct feed_order *order)
{
    (void)user;
    told.orders += order != NULL;
    told.cleared += order == NULL;
    told.devaddr = devaddr;
    told.number = order != NULL ? order->number : 0;
}

static void on_batch(void *user)
{
    (void)user;
    told.batches++;
}

static void on_room(void *user)
{
    (void)user;
    told.rooms++;
}

static void open_publisher(void)
{
    const struct publisher_events events = {.connected = on_connected,
                                            .lease = on_lease,
                                            .order = on_order,
                                            .batch = on_batch,
                                            .room = on_room};
    ck_assert_int_eq(publisher_open(&publisher, event, &settings, spool, START_S * 1000, &events),
                     0);
}

static void setup(void)
{
    struct settings_fault fault;
    strcpy(folder, "/tmp/edgerow-publisher-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/spool.db", folder);
    settings = (struct gateway_settings){.gateway = {.name = "barn", .site = "home"},
                                         .spool = {.window = 200},
                                         .collectors = {.count = 2, .name = {"main", "office"}}};
    options = (struct spool_options){.path = path,
                                     .size_bytes = 4 << 20,
                                     .history_s = 86400,
                                     .boot = "00112233445566ff",
                                     .collectors = &settings.collectors};
    memset(&told, 0, sizeof told);
    fake_reset();
    read_error = 0;
    spreading_factor = 7;
    now_us = FAR_US;
    ck_assert_int_eq(spool_open(&spool, &options, START_S, &fault), 0);
    ck_assert_int_ge(sd_event_new(&event), 0);
    open_publisher();
}

static void teardown(void)
{
    char command[128];
    publisher_close(publisher);
    sd_event_unref(event);
    spool_close(spool);
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

/* What is due at once. */
static void turn(unsigned times)
{
    while (times-- > 0)
        ck_assert_int_ge(sd_event_run(event, 0), 0);
}

static void fill(unsigned count)
{
    static uint32_t fcnt;
    struct record record = {.kind = FEED_ROW_FRAME,
                            .frame = {.devaddr = 5,
                                      .fport = 10,
                                      .heard_ms = START_S * 1000,
                                      .boot = "00112233445566ff",
                                      .frequency_hz = 868100000,
                                      .bandwidth_hz = 125000,
                                      .spreading_factor = spreading_factor}};
    for (; count > 0; count--) {
        record.frame.fcnt = fcnt++;
        spool_add(spool, &record, START_S * 1000000);
    }
    ck_assert_int_eq(spool_commit(spool, START_S), 0);
}

/* Number of the i-th row among what was published since `from`; 0: there is none. */
static uint64_t row_at(unsigned from, unsigned i)
{
    for (; from < fake.count; from++) {
        struct feed_row row;
        struct feed_fault fault;
        const struct fake_message *m = &fake.messages[from];
        if (strcmp(m->topic, ROWS) != 0 || i-- > 0)
            continue;
        ck_assert(!m->retain);
        ck_assert_int_eq(feed_row_decode(m->text, strlen(m->text), &row, &fault), 0);
        return row.n;
    }
    return 0;
}

static unsigned rows_since(unsigned from)
{
    unsigned rows = 0;
    while (row_at(from, rows) != 0)
        rows++;
    return rows;
}

/* A collector says that it has stored row n, with the spool's own hash or with another. */
static void mark(const char *collector, uint64_t n, bool right)
{
    struct feed_mark m = {.store = "aaaaaaaaaaaaaaaa", .n = n};
    struct feed_row row;
    char text[512], topic[FEED_TOPIC_MAX];
    size_t len;
    memset(m.hash, right ? '0' : 'e', sizeof m.hash - 1);
    ck_assert_int_eq(spool_read(spool, n, &row), 1);
    memcpy(m.spool, row.spool, sizeof m.spool);
    if (right)
        memcpy(m.hash, row.hash, sizeof m.hash);
    ck_assert_int_eq(feed_mark_encode(&m, text, sizeof text, &len), 0);
    snprintf(topic, sizeof topic, "edgerow/home/stored/barn/%s", collector);
    fake_say(topic, text, false);
}

START_TEST(says_who_it_is_and_listens_to_who_decides)
{
    struct feed_presence presence;
    struct feed_fault fault;
    ck_assert_uint_eq(fake.filter_count, 3);
    ck_assert_str_eq(fake.filters[0], "edgerow/home/stored/barn/+");
    ck_assert_str_eq(fake.filters[1], "edgerow/home/lease/main/+");
    ck_assert_str_eq(fake.filters[2], "edgerow/home/order/main/+");
    ck_assert_str_eq(fake.will_topic, "edgerow/home/gateway/barn/presence");
    ck_assert_int_eq(
        feed_presence_decode(fake.will_text, strlen(fake.will_text), &presence, &fault), 0);
    ck_assert(!presence.online);
    fill(3);
    publisher_pump(publisher);
    ck_assert_uint_eq(fake.count, 0); /* nobody is there yet */
    ck_assert(!publisher_is_connected(publisher));
    fake_connect();
    ck_assert(publisher_is_connected(publisher));
    ck_assert_uint_eq(told.connected, 1);
    ck_assert_str_eq(fake.messages[0].topic, fake.will_topic);
    ck_assert(fake.messages[0].retain);
    ck_assert_int_eq(feed_presence_decode(fake.messages[0].text, strlen(fake.messages[0].text),
                                          &presence, &fault),
                     0);
    ck_assert(presence.online && presence.since_ms == START_S * 1000);
    ck_assert_uint_eq(rows_since(0), 3);
    unsigned before = fake.count;
    publisher_close(publisher); /* an orderly end says so */
    ck_assert_uint_eq(fake.count, before + 1);
    ck_assert_int_eq(feed_presence_decode(fake.messages[before].text,
                                          strlen(fake.messages[before].text), &presence, &fault),
                     0);
    ck_assert(!presence.online);
    ck_assert(!fake.open);
    open_publisher();
}
END_TEST

/* A turn publishes so many; the rest follows without anybody asking, up to the window. */
START_TEST(rows_go_in_order_and_no_further_than_the_window)
{
    fill(500);
    fake_connect();
    ck_assert_uint_eq(rows_since(0), COURIER_ROWS_AT_ONCE);
    ck_assert(!publisher_is_idle(publisher));
    turn(4);
    ck_assert(publisher_is_idle(publisher));
    ck_assert_uint_eq(rows_since(0), 200);
    for (unsigned i = 0; i < 200; i++)
        ck_assert_uint_eq(row_at(0, i), i + 1);
    fake_acknowledge(200);
    unsigned before = fake.count;
    mark("main", 150, true);
    mark("office", 150, true);
    turn(4);
    ck_assert_uint_eq(row_at(before, 0), 201);
    ck_assert_uint_eq(rows_since(before), 150);
    ck_assert_uint_ge(told.batches, 2);
}
END_TEST

/* One collector that is gone does not keep the other from what it can store. */
START_TEST(a_dead_collector_holds_up_nobody)
{
    fill(400);
    fake_connect();
    turn(4);
    fake_acknowledge(200);
    mark("main", 200, true);
    turn(4);
    ck_assert_uint_eq(rows_since(0), 400);
    ck_assert_uint_eq(row_at(0, 399), 400);
}
END_TEST

/* What the library has not got rid of is bounded; an acknowledgement makes room, and others are told. */
START_TEST(never_more_in_flight_than_the_library_bears)
{
    settings.spool.window = 1000;
    publisher_close(publisher);
    open_publisher();
    fill(600);
    fake_connect();
    turn(8);
    ck_assert_uint_eq(fake.in_flight, COURIER_IN_FLIGHT);
    ck_assert(publisher_is_idle(publisher));
    struct feed_held held = {.devaddr = 5, .key_check = 6, .at_ms = START_S * 1000, .next = 1};
    ck_assert(!publisher_held(publisher, &held));
    unsigned before = fake.count;
    fake_acknowledge(COURIER_IN_FLIGHT / 2 - 1);
    turn(4);
    ck_assert_uint_eq(fake.count, before);
    ck_assert_uint_eq(told.rooms, 0);
    fake_acknowledge(1);
    ck_assert_uint_eq(told.rooms, 1);
    ck_assert(publisher_held(publisher, &held));
    ck_assert_str_eq(fake.messages[before].topic, "edgerow/home/held/barn/00000005");
    ck_assert(fake.messages[before].retain);
    turn(8);
    ck_assert_uint_eq(fake.in_flight, COURIER_IN_FLIGHT);
    fake_acknowledge(COURIER_IN_FLIGHT);
    turn(8);
    ck_assert_uint_eq(rows_since(0), 600);
}
END_TEST

START_TEST(a_message_that_the_session_refuses_is_not_forgotten)
{
    fill(5);
    fake_connect();
    fill(5);
    fake.refuses = true;
    publisher_pump(publisher);
    ck_assert_uint_eq(rows_since(0), 5);
    fake.refuses = false;
    fake_acknowledge(1);
    turn(2);
    ck_assert_uint_eq(rows_since(0), 10);
    ck_assert_uint_eq(row_at(0, 9), 10);
}
END_TEST

/* What was on its way when a connection ended may be lost, and goes again. */
START_TEST(a_new_connection_begins_behind_the_marks)
{
    fill(20);
    fake_connect();
    mark("main", 12, true);
    mark("office", 8, true);
    fake_disconnect();
    unsigned before = fake.count;
    fill(1);
    publisher_pump(publisher);
    turn(2);
    ck_assert_uint_eq(fake.count, before);
    fake_connect();
    ck_assert_uint_eq(row_at(before, 0), 9);
    ck_assert_uint_eq(rows_since(before), 13);
}
END_TEST

/* A mark that does not come is waited for, and then what follows the last one is published again. */
START_TEST(patience_ends)
{
    now_us = 1000000; /* timers are always due: only the publisher looks at its clock */
    fill(10);
    fake_connect();
    mark("main", 4, true);
    mark("office", 10, true);
    turn(3);
    unsigned before = fake.count;
    now_us += FLOW_PATIENCE_US - 1;
    turn(3);
    ck_assert_uint_eq(fake.count, before);
    now_us += 1;
    turn(3);
    ck_assert_uint_eq(row_at(before, 0), 5);
    ck_assert_uint_eq(rows_since(before), 6);
}
END_TEST

START_TEST(marks_that_mean_nothing_are_counted)
{
    struct publisher_counts counts;
    fill(3);
    fake_connect();
    fake_say("edgerow/home/stored/barn/main", "{}", false);
    fake_say("edgerow/home/stored/barn/stranger",
             "{\"version\":1,\"store\":\"aaaaaaaaaaaaaaaa\",\"spool\":\"aaaaaaaaaaaaaaaa\",\"n\":0,"
             "\"hash\":\"00000000000000000000000000000000\"}",
             false);
    fake_say("edgerow/home/stored/barn/main",
             "{\"version\":1,\"store\":\"aaaaaaaaaaaaaaaa\",\"spool\":\"aaaaaaaaaaaaaaaa\",\"n\":0,"
             "\"hash\":\"00000000000000000000000000000000\"}",
             false);
    fake_say("edgerow/home/stored/barn/main", "", true); /* cleared: nothing to count */
    fake_say("edgerow/home/gateway/barn/row", "{}", false);
    fake_say("no/topic/of/ours", "{}", false);
    publisher_counts(publisher, &counts);
    ck_assert_uint_eq(counts.marks_ignored, 3);
    ck_assert_uint_eq(counts.marks_refused, 0);
    ck_assert_uint_eq(spool_collector_mark(spool, 0), 0);
}
END_TEST

/* Another history goes by the spool's id: under a new one all that is held is published again, once an hour. */
START_TEST(a_mark_that_contradicts_gives_the_spool_a_new_id)
{
    struct publisher_counts counts;
    struct spool_state state;
    fill(6);
    fake_connect();
    spool_state(spool, &state);
    char id[FEED_ID_SIZE];
    memcpy(id, state.id, sizeof id);
    unsigned before = fake.count;
    mark("main", 4, false);
    turn(2);
    spool_state(spool, &state);
    ck_assert_str_ne(state.id, id);
    ck_assert_uint_eq(row_at(before, 0), 1);
    ck_assert_uint_eq(rows_since(before), 6);
    memcpy(id, state.id, sizeof id);
    mark("main", 4, false);
    spool_state(spool, &state);
    ck_assert_str_eq(state.id, id);
    publisher_counts(publisher, &counts);
    ck_assert_uint_eq(counts.marks_refused, 2);
}
END_TEST

START_TEST(leases_and_orders_of_their_own_unit_are_handed_on)
{
    char text[1024];
    size_t len;
    struct feed_lease lease = {.devaddr = 0x01000005,
                               .key_check = 6,
                               .term = 3,
                               .gateway = "barn",
                               .run = "bbbbbbbbbbbbbbbb",
                               .first = 64,
                               .count = 64,
                               .until_ms = START_S * 1000};
    struct feed_order order = {
        .devaddr = 0x01000005,
        .number = 9,
        .until_ms = START_S * 1000,
        .order = {.kind = AIR_ORDER_INTERVAL, .sequence = 1, .interval_min = 30}};
    fake_connect();
    ck_assert_int_eq(feed_lease_encode(&lease, text, sizeof text, &len), 0);
    fake_say("edgerow/home/lease/main/01000005", text, true);
    ck_assert_uint_eq(told.leases, 1);
    ck_assert_uint_eq(told.devaddr, 0x01000005);
    ck_assert_uint_eq(told.term, 3);
    fake_say("edgerow/home/lease/main/01000006", text, true); /* speaks of another */
    fake_say("edgerow/home/lease/main/1000005", text, true);  /* no address */
    fake_say("edgerow/home/lease/main/0100000g", text, true);
    fake_say("edgerow/home/lease/main/01000005", "{}", true);
    fake_say("edgerow/home/lease/main/01000005", "", true);
    ck_assert_uint_eq(told.leases, 1);
    ck_assert_int_eq(feed_order_encode(&order, text, sizeof text, &len), 0);
    fake_say("edgerow/home/order/main/01000005", text, true);
    ck_assert_uint_eq(told.orders, 1);
    ck_assert_uint_eq(told.number, 9);
    fake_say("edgerow/home/order/main/01000006", text, true);
    fake_say("edgerow/home/order/main/01000005", "[]", true);
    ck_assert_uint_eq(told.orders, 1);
    ck_assert_uint_eq(told.cleared, 0);
    fake_say("edgerow/home/order/main/01000005", "", true); /* it is over */
    ck_assert_uint_eq(told.cleared, 1);
}
END_TEST

START_TEST(health_is_said_while_somebody_is_there)
{
    struct feed_gateway_health health = {.at_ms = START_S * 1000,
                                         .run = "bbbbbbbbbbbbbbbb",
                                         .spool = "cccccccccccccccc",
                                         .radio_count = 0};
    struct feed_held held = {.devaddr = 5, .key_check = 6, .at_ms = START_S * 1000};
    publisher_health(publisher, &health);
    ck_assert(!publisher_held(publisher, &held));
    ck_assert_uint_eq(fake.count, 0);
    fake_connect();
    unsigned before = fake.count;
    publisher_health(publisher, &health);
    ck_assert_uint_eq(fake.count, before + 1);
    ck_assert_str_eq(fake.messages[before].topic, "edgerow/home/gateway/barn/health");
    ck_assert(fake.messages[before].retain);
}
END_TEST

/* A disk that fails is tried again; a file that is damaged ends the daemon, because a start mends it. */
START_TEST(a_spool_that_cannot_be_read)
{
    int code = -1;
    fill(3);
    read_error = -EIO;
    fake_connect();
    ck_assert_uint_eq(rows_since(0), 0);
    ck_assert(publisher_is_idle(publisher));
    read_error = 0;
    publisher_pump(publisher);
    ck_assert_uint_eq(rows_since(0), 3);
    fill(1);
    read_error = -EBADMSG;
    publisher_pump(publisher);
    ck_assert_int_ge(sd_event_run(event, 0), 0);
    ck_assert_int_ge(sd_event_get_exit_code(event, &code), 0);
    ck_assert_int_eq(code, 1);
}
END_TEST

/* Nothing stands still for a row that is no row. */
START_TEST(a_row_that_no_message_can_hold_is_told_as_lost)
{
    struct feed_row row;
    struct feed_fault fault;
    fill(1);
    spreading_factor = 0;
    fill(1);
    spreading_factor = 7;
    fill(1);
    fake_connect();
    ck_assert_uint_eq(rows_since(0), 3);
    const char *text = fake.messages[2].text;
    ck_assert_int_eq(feed_row_decode(text, strlen(text), &row, &fault), 0);
    ck_assert_int_eq(row.kind, FEED_ROW_LOSS);
    ck_assert(row.n == 2 && row.loss.first == 2 && row.loss.last == 2 && row.loss.count == 1);
    mark("main", 3, true);
    ck_assert_uint_eq(spool_collector_mark(spool, 0), 3);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("publisher");
    TCase *tests = tcase_create("publisher");
    tcase_add_checked_fixture(tests, setup, teardown);
    tcase_add_test(tests, says_who_it_is_and_listens_to_who_decides);
    tcase_add_test(tests, rows_go_in_order_and_no_further_than_the_window);
    tcase_add_test(tests, a_dead_collector_holds_up_nobody);
    tcase_add_test(tests, never_more_in_flight_than_the_library_bears);
    tcase_add_test(tests, a_message_that_the_session_refuses_is_not_forgotten);
    tcase_add_test(tests, a_new_connection_begins_behind_the_marks);
    tcase_add_test(tests, patience_ends);
    tcase_add_test(tests, marks_that_mean_nothing_are_counted);
    tcase_add_test(tests, a_mark_that_contradicts_gives_the_spool_a_new_id);
    tcase_add_test(tests, leases_and_orders_of_their_own_unit_are_handed_on);
    tcase_add_test(tests, health_is_said_while_somebody_is_there);
    tcase_add_test(tests, a_spool_that_cannot_be_read);
    tcase_add_test(tests, a_row_that_no_message_can_hold_is_told_as_lost);
    suite_add_tcase(suite, tests);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
