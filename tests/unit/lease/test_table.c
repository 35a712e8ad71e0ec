/* Which gateway is given a unit, when, and with which counters. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "collector/lease/keep.h"

enum { UNIT = 0x01A2B3C4, KEY = 0x5328320C, START = 1793000000 };
#define BARN_RUN "00000000000000b1"
#define PUMP_RUN "00000000000000c1"

static struct lease_table *table;
static int64_t now;

static void setup(void)
{
    now = START;
    ck_assert_int_eq(lease_table_new(&table, now), 0);
    lease_table_connected(table, now);
}

static void teardown(void)
{
    lease_table_free(table);
}

static void alive(const char *gateway, const char *run)
{
    lease_table_gateway(table, gateway, run, true, now);
}

static void hear(const char *gateway, int strength_cdbm)
{
    ck_assert_int_eq(lease_table_heard(table, UNIT, KEY, gateway, strength_cdbm, now), 0);
}

static struct lease_unit *unit(void)
{
    ck_assert_uint_eq(lease_table_count(table), 1);
    return lease_table_at(table, 0);
}

/* Decides, and publishes as the daemon does. */
static bool look(void)
{
    bool changed = lease_table_look(table, now) > 0;
    if (changed) {
        unit()->changed = false;
        unit()->seen = true;
    }
    return changed;
}

static void say_held(const char *gateway, uint64_t term, bool speaking, uint64_t next,
                     uint64_t left)
{
    struct feed_held held = {.devaddr = UNIT,
                             .key_check = KEY,
                             .at_ms = now * 1000,
                             .term = term,
                             .speaking = speaking,
                             .next = next,
                             .left = left};
    ck_assert_int_eq(lease_table_held(table, gateway, &held), 0);
}

/* The barn has the unit, and says so. */
static void settle(void)
{
    now += LEASE_SETTLE_S;
    alive("barn", BARN_RUN);
    alive("pump", PUMP_RUN);
    hear("barn", -8000);
    hear("pump", -9500);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "barn");
    say_held("barn", unit()->lease.term, true, unit()->next, LEASE_COUNTERS);
}

START_TEST(nothing_before_it_is_known_what_was)
{
    alive("barn", BARN_RUN);
    hear("barn", -8000);
    now += LEASE_SETTLE_S - 1;
    ck_assert(!look());
    now++;
    alive("barn", BARN_RUN);
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.first, 0);
    ck_assert_uint_eq(unit()->lease.count, LEASE_COUNTERS);
    ck_assert_str_eq(unit()->lease.run, BARN_RUN);
}
END_TEST

/* A store made anew: the broker tells, and the next block lies above. */
START_TEST(retained_lease_tells_a_new_store)
{
    struct feed_lease echo = {.devaddr = UNIT,
                              .key_check = KEY,
                              .term = 9,
                              .gateway = "pump",
                              .run = "00000000000000c0",
                              .first = 640,
                              .count = 64,
                              .until_ms = (START + 3600) * INT64_C(1000)};
    alive("barn", BARN_RUN);
    ck_assert_int_eq(lease_table_echo(table, &echo), 0);
    hear("barn", -8000);
    ck_assert(look()); /* the end for the pump, which is not there: not yet a lease for the barn */
    ck_assert_str_eq(unit()->lease.gateway, "");
    now = START + 3600 + LEASE_GRACE_S;
    alive("barn", BARN_RUN);
    hear("barn", -8000);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "barn");
    ck_assert_uint_eq(unit()->lease.first, 704);
    ck_assert_uint_eq(unit()->lease.term, 11);
}
END_TEST

/* Neither store nor broker know: the gateway itself does, and is left alone for as long as it may speak. */
START_TEST(gateway_tells_when_all_else_is_lost)
{
    say_held("pump", 12, true, 1024, 40);
    alive("barn", BARN_RUN);
    hear("barn", -7000);
    now += LEASE_SETTLE_S;
    alive("barn", BARN_RUN);
    hear("barn", -7000);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "");
    ck_assert_uint_eq(unit()->lease.term, 13);
    now = START + LEASE_FOR_S + LEASE_GRACE_S - 1;
    alive("barn", BARN_RUN);
    hear("barn", -7000);
    ck_assert(!look());
    now++;
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "barn");
    ck_assert_uint_ge(unit()->lease.first, 1024);
}
END_TEST

START_TEST(stays_within_the_hysteresis)
{
    settle();
    for (int i = 0; i < 20; i++)
        hear("pump", -8000 + LEASE_BETTER_CDBM - 1);
    ck_assert(!look());
    for (int i = 0; i < 20; i++)
        hear("pump", -8000 + LEASE_BETTER_CDBM + 10);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, ""); /* first the end */
}
END_TEST

START_TEST(moves_only_when_the_end_is_obeyed)
{
    settle();
    uint64_t first = unit()->next;
    for (int i = 0; i < 20; i++)
        hear("pump", -5000);
    ck_assert(look());
    uint64_t term = unit()->lease.term;
    ck_assert(!look());
    say_held("pump", term, false, 0,
             0); /* it has seen the end too, but it was not the one who spoke */
    ck_assert(!look());
    say_held("barn", term - 1, true, first, 10);
    ck_assert(!look());
    say_held("barn", term, false, first, 0);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "pump");
    ck_assert_uint_eq(unit()->lease.first, first);
}
END_TEST

START_TEST(moves_when_the_time_is_over)
{
    settle();
    int64_t until_s = unit()->lease.until_ms / 1000;
    lease_table_gateway(table, "barn", BARN_RUN, false, now); /* its radio has failed */
    ck_assert(look());
    now = until_s + LEASE_GRACE_S - 1;
    alive("pump", PUMP_RUN);
    hear("pump", -9500);
    ck_assert(!look());
    now++;
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "pump");
}
END_TEST

START_TEST(prolonged_in_the_same_block)
{
    settle();
    uint64_t term = unit()->lease.term;
    now += LEASE_FOR_S / 2 + 1;
    alive("barn", BARN_RUN);
    hear("barn", -8000);
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.term, term + 1);
    ck_assert_uint_eq(unit()->lease.first, 0);
    ck_assert_int_eq(unit()->lease.until_ms, (now + LEASE_FOR_S) * 1000);
    ck_assert(!look());
}
END_TEST

START_TEST(next_block_when_few_are_left)
{
    settle();
    say_held("barn", unit()->lease.term, true, 64, LEASE_LOW + 1);
    ck_assert(!look());
    say_held("barn", unit()->lease.term, true, 64, LEASE_LOW);
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.first, 64);
}
END_TEST

START_TEST(new_block_for_a_new_run)
{
    settle();
    alive("barn", "00000000000000b2");
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.run, "00000000000000b2");
    ck_assert_uint_eq(unit()->lease.first, 64);
}
END_TEST

START_TEST(who_may_not_send_is_given_nothing)
{
    now += LEASE_SETTLE_S;
    lease_table_gateway(table, "barn", BARN_RUN, false, now);
    hear("barn", -5000);
    ck_assert(!look());
    alive("pump", PUMP_RUN);
    hear("pump", -11000);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "pump");
}
END_TEST

START_TEST(kept_before_it_is_said)
{
    sqlite3 *db;
    struct lease_table *again;
    settle();
    unit()->changed = true;
    ck_assert_int_eq(sqlite3_open(":memory:", &db), SQLITE_OK);
    ck_assert_int_eq(lease_keep_load(db, table), 0);
    ck_assert_int_eq(lease_keep_changed(db, table), 0);
    ck_assert_int_eq(lease_table_new(&again, now), 0);
    ck_assert_int_eq(lease_keep_load(db, again), 0);
    ck_assert_uint_eq(lease_table_count(again), 1);
    const struct lease_unit *read = lease_table_at(again, 0);
    ck_assert_str_eq(read->lease.gateway, "barn");
    ck_assert_str_eq(read->lease.run, BARN_RUN);
    ck_assert_uint_eq(read->lease.term, unit()->lease.term);
    ck_assert_uint_eq(read->next, 64);
    lease_table_free(again);
    sqlite3_close(db);
}
END_TEST

/* SX1276 datasheet, section 5.5.5 */
START_TEST(strength)
{
    ck_assert_int_eq(lease_strength_cdbm(-9000, 500), -9000);
    ck_assert_int_eq(lease_strength_cdbm(-11500, -700), -12200);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("lease");
    TCase *all = tcase_create("all");
    tcase_add_checked_fixture(all, setup, teardown);
    tcase_add_test(all, nothing_before_it_is_known_what_was);
    tcase_add_test(all, retained_lease_tells_a_new_store);
    tcase_add_test(all, gateway_tells_when_all_else_is_lost);
    tcase_add_test(all, stays_within_the_hysteresis);
    tcase_add_test(all, moves_only_when_the_end_is_obeyed);
    tcase_add_test(all, moves_when_the_time_is_over);
    tcase_add_test(all, prolonged_in_the_same_block);
    tcase_add_test(all, next_block_when_few_are_left);
    tcase_add_test(all, new_block_for_a_new_run);
    tcase_add_test(all, who_may_not_send_is_given_nothing);
    tcase_add_test(all, kept_before_it_is_said);
    tcase_add_test(all, strength);
    suite_add_tcase(suite, all);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
