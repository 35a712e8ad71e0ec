/* Stations and gateways that are not heard, and gateways in trouble: who is named, and who is not. */
#include <check.h>
#include <stdio.h>

#include "tests/suite.h"
#include "vineyard.h"

enum { HOUR = 3600, DAY = 86400 };

static struct vineyard v;

static void teardown(void)
{
    vineyard_close(&v);
}

START_TEST(one_silent_station)
{
    vineyard_open(&v, 2, 12);
    vineyard_live(&v, 3 * DAY);
    v.traps[4].dead = true;
    int64_t dead_s = v.now_s;
    vineyard_live(&v, 11 * HOUR);
    ck_assert_int_ne(vineyard_trap_named(&v, "T-0005").state.condition, FEED_TRAP_SILENT);
    vineyard_live(&v, 2 * HOUR);
    ck_assert_int_eq(vineyard_trap_named(&v, "T-0005").state.condition, FEED_TRAP_SILENT);
    vineyard_live(&v, DAY);
    /* It fell silent in the evening: the letter tells it. */
    ck_assert_int_ge(vineyard_mails(&v, "1 SILENT STATION"), 1);
    int64_t made_s = vineyard_count(
        &v, "SELECT min(made_s) FROM outbox WHERE CAST(bytes AS TEXT) LIKE '%SILENT STATION%'");
    ck_assert_int_ge(made_s - dead_s, 12 * HOUR);
    ck_assert_int_le(made_s - dead_s, 22 * HOUR);
    v.traps[4].dead = false;
    vineyard_live(&v, 12 * HOUR);
    ck_assert_int_eq(vineyard_mails(&v, "DONE SINCE THE LAST LETTER"), 0);
    vineyard_live(&v, DAY);
    ck_assert_int_eq(vineyard_mails(&v, "DONE SINCE THE LAST LETTER"), 1);
}
END_TEST

/* Hung, entered, and its keys are wrong: the day after somebody is told, and again when it speaks. */
START_TEST(a_station_that_was_never_heard)
{
    vineyard_open(&v, 2, 12);
    v.traps[4].dead = true;
    vineyard_live(&v, 23 * HOUR);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 1"), 0);
    vineyard_live(&v, 25 * HOUR);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 1 AND open = 1"),
                     1);
    ck_assert_int_ge(vineyard_mails(&v, "T-0005: not heard yet"), 1);
    ck_assert_int_eq(vineyard_trap_named(&v, "T-0005").state.condition, FEED_TRAP_NEW);
    v.traps[4].dead = false;
    vineyard_live(&v, DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 1 AND open = 1"),
                     0);
}
END_TEST

/* A radio that cannot hear half of the time, because it sends: twelve hours of listening take a day. */
START_TEST(deaf_time_is_no_silence)
{
    vineyard_open(&v, 2, 12);
    v.deaf_share = 0.5;
    vineyard_live(&v, 3 * DAY);
    v.traps[4].dead = true;
    vineyard_live(&v, 20 * HOUR);
    ck_assert_int_ne(vineyard_trap_named(&v, "T-0005").state.condition, FEED_TRAP_SILENT);
    vineyard_live(&v, 8 * HOUR);
    ck_assert_int_eq(vineyard_trap_named(&v, "T-0005").state.condition, FEED_TRAP_SILENT);
}
END_TEST

/* A gateway that is away is one notice, and none of its stations is called silent; when it comes back nothing stays. */
START_TEST(a_gateway_away_silences_nobody)
{
    vineyard_open(&v, 2, 20);
    vineyard_live(&v, 3 * DAY);
    vineyard_fill_all(&v);
    vineyard_live(&v, HOUR);
    v.gateway_away = true;
    vineyard_live(&v, 2 * DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 1"), 0);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 2"), 1);
    ck_assert_int_ge(vineyard_mails(&v, "Subject: Gateway barn: not heard"), 1);
    v.gateway_away = false;
    vineyard_live(&v, DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 1"), 0);
    ck_assert_int_eq(vineyard_mails(&v, "Subject: Gateway barn: heard again"), 1);
}
END_TEST

/* Half of a gateway's stations at once, while it listens: one cause, not twenty messages. */
START_TEST(many_at_once_are_one_notice)
{
    vineyard_open(&v, 2, 20);
    vineyard_live(&v, 3 * DAY);
    for (size_t i = 0; i < 20; i++)
        v.traps[2 * i].dead = true;
    vineyard_live(&v, 2 * DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 1"), 0);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 2"), 1);
    ck_assert_int_ge(vineyard_mails(&v, "20 of its 40 stations went silent together"), 1);
    ck_assert_int_eq(vineyard_mails(&v, "not heard"), 0); /* the gateway is heard */
}
END_TEST

static void wrong_health(int64_t at_s)
{
    struct feed_gateway_health health = {.at_ms = at_s * 1000, .synchronised = false};
    judging_hear_health(v.judging, "barn", &health, true);
}

static void radio_health(bool working, const char *trouble)
{
    struct feed_gateway_health health = {.at_ms = v.now_s * 1000,
                                         .synchronised = true,
                                         .disk_free_bytes = 1u << 30,
                                         .radio_count = 1,
                                         .radios = {{.working = working}}};
    snprintf(health.radios[0].trouble, sizeof(health.radios[0].trouble), "%s", trouble);
    judging_hear_health(v.judging, "barn", &health, true);
    ck_assert_int_eq(judging_run(v.judging, v.now_s), 0);
    v.now_s += 60;
}

/* A radio that is still being set up does not hear yet, and that is no trouble once it hears. */
START_TEST(a_radio_that_starts_is_no_trouble)
{
    const char *troubles = "SELECT count(*) FROM watch WHERE item = 'radio0'";
    vineyard_open(&v, 2, 6);
    vineyard_live(&v, DAY);
    radio_health(false, "");
    for (int minute = 0; minute < 14; minute++)
        radio_health(true, "");
    ck_assert_int_eq(vineyard_count(&v, troubles), 0);
    radio_health(false, "its reset line is stuck.");
    for (int minute = 0; minute < 14; minute++)
        radio_health(true, "");
    ck_assert_int_eq(vineyard_count(&v, troubles), 1);
    ck_assert_int_eq(vineyard_mails(&v, "works, but there was trouble: its reset line is stuck."),
                     1);
    for (int minute = 0; minute < 30; minute++)
        radio_health(false, ""); /* what was told of before is not why it is silent now */
    ck_assert_int_eq(vineyard_mails(&v, "does not work: its reset line is stuck."), 0);
}
END_TEST

/* After an outage a board without a battery-backed clock boots with the time at which it stopped. Its health must not
 * prove that it listened then, or all its stations seem to have gone at once; and it is there, so it is not "not heard". */
START_TEST(a_wrong_clock_proves_nothing)
{
    vineyard_open(&v, 2, 20);
    vineyard_live(&v, 3 * DAY);
    vineyard_fill_all(&v);
    vineyard_live(&v, HOUR);
    int64_t stopped_s = v.now_s;
    v.gateway_away = true;
    vineyard_live(&v, 8 * HOUR);
    for (int i = 1; i <= 24; i++) {
        v.now_s += 300;
        wrong_health(stopped_s + i * 300);
        ck_assert_int_eq(judging_run(v.judging, v.now_s), 0);
    }
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM watch WHERE item = 'stations'"), 0);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 2 AND open = 1"),
                     0);
    v.gateway_away = false;
    vineyard_live(&v, DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind = 1"), 0);
    ck_assert_int_eq(vineyard_mails(&v, "went silent together"), 0);
}
END_TEST

/* A second gateway with a wrong clock is first to deliver what both heard: the healthy one's stations are not silent. */
START_TEST(a_wrong_stamp_takes_nothing_back)
{
    vineyard_open(&v, 2, 20);
    vineyard_live(&v, 3 * DAY);
    for (int i = 0; i < 12; i++) {
        vineyard_step(&v);
        for (size_t t = 0; t < v.trap_count; t++) {
            struct air_report report = {.kind = AIR_REGULAR,
                                        .entries = v.traps[t].entries,
                                        .exits = v.traps[t].exits,
                                        .level_qmm = 320,
                                        .interval_min = 15,
                                        .service_sequence = v.traps[t].service_sequence,
                                        .temperature_dc = 200,
                                        .humidity_pm = AIR_HUMIDITY_UNKNOWN,
                                        .battery_mv = 3000};
            struct judging_report heard = {.devaddr = v.roster.assignments[t].devaddr,
                                           .key_check = 7,
                                           .fcnt = ++v.traps[t].fcnt,
                                           .heard_ms = (v.now_s - 20 * HOUR) * 1000,
                                           .first = true,
                                           .unsure = true,
                                           .gateway = "shed",
                                           .report = &report};
            judging_hear(v.judging, &heard);
        }
        ck_assert_int_eq(judging_run(v.judging, v.now_s), 0);
        ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM watch WHERE item = 'stations'"),
                         0);
    }
    struct judging_trap trap = vineyard_trap_named(&v, "T-0001");
    ck_assert_int_gt(trap.state.last_heard_ms, (v.now_s - HOUR) * 1000);
}
END_TEST

/* Out for longer than judging looks back: silent, not new. */
START_TEST(a_long_silent_station_is_not_new)
{
    char sql[200];
    vineyard_open(&v, 1, 4);
    vineyard_live(&v, 2 * DAY);
    v.traps[1].dead = true;
    snprintf(sql, sizeof(sql), "UPDATE series SET heard_s = %lld WHERE series = 2",
             (long long)v.now_s);
    ck_assert_int_eq(sqlite3_exec(v.db, sql, NULL, NULL, NULL), SQLITE_OK);
    int64_t heard_s = v.now_s;
    v.now_s += 40 * DAY;
    vineyard_reopen(&v);
    vineyard_live(&v, 2 * DAY);
    vineyard_reopen(&v);
    vineyard_live(&v, HOUR);
    struct judging_trap trap = vineyard_trap_named(&v, "T-0002");
    ck_assert_int_eq(trap.state.condition, FEED_TRAP_SILENT);
    ck_assert_int_eq(trap.state.last_heard_ms, heard_s * 1000);
}
END_TEST

/* Without the broker nothing can be heard, and nobody is blamed. */
START_TEST(the_broker_away_blames_nobody)
{
    vineyard_open(&v, 1, 10);
    vineyard_live(&v, 3 * DAY);
    vineyard_fill_all(&v);
    vineyard_live(&v, HOUR);
    judging_connection(v.judging, false, v.now_s);
    v.gateway_away = true;
    vineyard_live(&v, 2 * DAY);
    ck_assert_int_eq(vineyard_count(&v, "SELECT count(*) FROM notice WHERE kind IN (1, 2)"), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("judging_gateways");
    TCase *tests = tcase_create("all");
    tcase_set_timeout(tests, 200);
    tcase_add_checked_fixture(tests, NULL, teardown);
    tcase_add_test(tests, one_silent_station);
    tcase_add_test(tests, a_station_that_was_never_heard);
    tcase_add_test(tests, deaf_time_is_no_silence);
    tcase_add_test(tests, a_gateway_away_silences_nobody);
    tcase_add_test(tests, many_at_once_are_one_notice);
    tcase_add_test(tests, a_radio_that_starts_is_no_trouble);
    tcase_add_test(tests, a_wrong_clock_proves_nothing);
    tcase_add_test(tests, a_wrong_stamp_takes_nothing_back);
    tcase_add_test(tests, a_long_silent_station_is_not_new);
    tcase_add_test(tests, the_broker_away_blames_nobody);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
