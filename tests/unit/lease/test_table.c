/* Which gateway is given a unit, when, and with which counters. */
#include <check.h>
#include <string.h>

#include "collector/lease/keep.h"
#include "tests/suite.h"

enum { UNIT = 0x01A2B3C4, KEY = 0x5328320C, START = 1793000000 };
#define BARN_RUN "00000000000000b1"
#define PUMP_RUN "00000000000000c1"

static struct lease_table *table;
static int64_t now;

static void setup(void)
{
    now = START;
    ck_assert_int_eq(lease_table_new(&table), 0);
    lease_table_connected(table);
    ck_assert_uint_eq(lease_table_look(table, now), 0); /* the time of all that is unknown begins */
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
    now += LEASE_LAPSE_S;
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
    now += LEASE_LAPSE_S - 1;
    alive("barn", BARN_RUN);
    hear("barn", -8000);
    ck_assert(!look());
    now++;
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.first, 0);
    ck_assert_uint_eq(unit()->lease.count, LEASE_COUNTERS);
    ck_assert_str_eq(unit()->lease.run, BARN_RUN);
}
END_TEST

static struct feed_lease lease_of(const char *gateway, uint64_t term, uint32_t first,
                                  int64_t until_s)
{
    struct feed_lease lease = {.devaddr = UNIT,
                               .key_check = KEY,
                               .term = term,
                               .run = "00000000000000c0",
                               .first = first,
                               .count = 64,
                               .until_ms = until_s * 1000};
    strcpy(lease.gateway, gateway);
    return lease;
}

static void echo(const char *gateway, uint64_t term, uint32_t first, int64_t until_s)
{
    struct feed_lease lease = lease_of(gateway, term, first, until_s);
    ck_assert_int_eq(lease_table_echo(table, &lease), 0);
}

/* What a store said that was read at the start. */
static void stored(const char *gateway, uint64_t term, uint32_t first, int64_t until_s)
{
    struct feed_lease lease = lease_of(gateway, term, first, until_s);
    ck_assert_int_eq(lease_table_put(table, &lease, first + 64), 0);
}

/* Time passes, the barn hears the unit well, and looks never find anything to lease. */
static void wait_for_nothing(int64_t until_s)
{
    for (; now < until_s; now += 60) {
        alive("barn", BARN_RUN);
        hear("barn", -7000);
        ck_assert(!look());
    }
}

/* A store made anew: the broker tells, and the next block lies above. The broker may have forgotten too. */
START_TEST(retained_lease_tells_a_new_store)
{
    echo("pump", 9, 640, START + 3600);
    wait_for_nothing(START + LEASE_LAPSE_S);
    now = START + LEASE_LAPSE_S;
    alive("barn", BARN_RUN);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "barn");
    ck_assert_uint_eq(unit()->lease.first, 704 + LEASE_SKIP + 3 * LEASE_SKIP_HOUR);
    ck_assert_uint_eq(unit()->lease.term, 10);
}
END_TEST

/* Who knew how many more were used has forgotten as well: the older the copy, the more are left out. */
static void an_old_copy_skips(int64_t days, uint64_t expected)
{
    stored("pump", 5, 320, START - days * 86400);
    say_held("barn", 6, false, 0, 0);
    wait_for_nothing(START + LEASE_LAPSE_S);
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.first, 384 + expected);
}

START_TEST(an_old_copy_skips_by_its_age)
{
    an_old_copy_skips(2, LEASE_SKIP + 52 * LEASE_SKIP_HOUR);
}
END_TEST

START_TEST(an_old_copy_skips_no_more_than_stations_follow)
{
    an_old_copy_skips(400, LEASE_SKIP_MOST);
}
END_TEST

/* A lease that ends one still tells which counters are gone: the broker may be the only one left who knows. */
START_TEST(the_end_of_a_lease_tells_what_is_gone)
{
    say_held("pump", 12, true, 1024, 40);
    wait_for_nothing(START + LEASE_SETTLE_S);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "");
    ck_assert_uint_eq(unit()->lease.first, 1024);
    ck_assert_uint_eq(unit()->lease.count, 0);
}
END_TEST

/* Neither store nor broker know: the gateway itself does, and is left alone for as long as it may speak. */
START_TEST(gateway_tells_when_all_else_is_lost)
{
    say_held("pump", 12, true, 1024, 40);
    wait_for_nothing(START + LEASE_SETTLE_S);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "");
    ck_assert_uint_eq(unit()->lease.term, 13);
    wait_for_nothing(START + LEASE_LAPSE_S);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "barn");
    ck_assert_uint_ge(unit()->lease.first, 1024);
}
END_TEST

/* The usual start: nothing waits for longer than the broker's answer. */
START_TEST(store_and_broker_agree)
{
    stored("barn", 9, 640, START + 3600);
    alive("barn", "00000000000000b2");
    hear("barn", -8000);
    ck_assert(!look());
    echo("barn", 9, 640, START + 3600);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.run, "00000000000000b2");
    ck_assert_uint_eq(unit()->lease.term, 10);
    ck_assert_uint_eq(unit()->lease.first, 704);
}
END_TEST

/* Killed between writing and saying, or the broker lost its last moments: it is said again. */
START_TEST(broker_is_behind_the_store)
{
    stored("barn", 9, 640, START + 7200);
    echo("barn", 8, 576, START + 3600);
    hear("barn", -8000);
    echo("barn", 8, 576, START + 3600);
    alive("barn", "00000000000000c0");
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.term, 9);
    ck_assert_uint_eq(unit()->lease.first, 640);
}
END_TEST

/*
 * A store restored from a copy believes in an old lease that is over. The first who speaks of the later term is a
 * gateway that does not hold it, and the lease itself comes after, with the same term; who holds it is cut off.
 */
START_TEST(who_does_not_hold_it_tells_first)
{
    stored("pump", 5, 320, START - 86400);
    say_held("barn", 12, false, 704, 0);
    echo("pump", 12, 640, START + 7000);
    wait_for_nothing(START + LEASE_LAPSE_S);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "barn");
    ck_assert_uint_eq(unit()->lease.first, 704 + LEASE_SKIP + 2 * LEASE_SKIP_HOUR);
    ck_assert_uint_eq(unit()->lease.term, 13);
}
END_TEST

/* The same, but both gateways speak; in whichever order, the holder goes on. */
START_TEST(holder_goes_on_whoever_tells_first)
{
    stored("pump", 5, 320, START - 86400);
    say_held("barn", 12, false, 704, 0);
    say_held("pump", 12, true, 704, 30);
    alive("pump", PUMP_RUN);
    hear("pump", -8000);
    alive("barn", BARN_RUN);
    hear("barn", -7900);
    ck_assert(!look()); /* somebody may yet speak of a later one */
    echo("pump", 12, 640, START + 3600);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "pump");
    ck_assert_uint_eq(unit()->lease.term, 13);
    ck_assert_uint_eq(unit()->lease.first, 704); /* of its run nobody is sure */
    ck_assert_int_ge(unit()->lease.until_ms, (START + LEASE_FOR_S) * INT64_C(1000));
}
END_TEST

/* All have forgotten but one, who knows only that there was a later lease, and not whose. */
START_TEST(hearsay_alone_makes_all_wait)
{
    stored("barn", 5, 320, START - 86400);
    say_held("barn", 12, false, 704, 0);
    wait_for_nothing(START + LEASE_LAPSE_S);
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.term, 13);
}
END_TEST

/* The broker was emptied, and who holds the lease is cut off: perhaps by a later one than the store's. */
START_TEST(broker_has_forgotten_all)
{
    stored("pump", 5, 320, START + 600);
    wait_for_nothing(START + LEASE_LAPSE_S);
    ck_assert(look());
    ck_assert_str_eq(unit()->lease.gateway, "barn");
}
END_TEST

/* A gateway that comes back after all that is long over, with a term from a time that the store has forgotten. */
START_TEST(old_term_is_passed_without_waiting)
{
    settle();
    uint64_t term = unit()->lease.term;
    say_held("pump", term + 40, false, 4096, 0);
    ck_assert(look()); /* the same lease, under a term that all obey */
    ck_assert_str_eq(unit()->lease.gateway, "barn");
    ck_assert_uint_eq(unit()->lease.term, term + 41);
    ck_assert_uint_eq(unit()->lease.count, LEASE_COUNTERS);
    say_held("barn", term + 41, true, 64, LEASE_LOW);
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.first, 4096);
}
END_TEST

/* Somebody else leases under this collector's name. */
START_TEST(second_decider_stops_the_first)
{
    settle();
    uint64_t term = unit()->lease.term;
    echo("pump", term + 1, 64, now + 7200);
    wait_for_nothing(now + LEASE_LAPSE_S);
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

/* What it was given lies below what it knows is gone, or its disk takes no notes: no block is wasted at once. */
START_TEST(next_block_a_minute_later_when_it_cannot_use_it)
{
    settle();
    say_held("barn", unit()->lease.term, false, 500, 0);
    ck_assert(!look());
    now += LEASE_AGAIN_S;
    ck_assert(look());
    ck_assert_uint_eq(unit()->lease.first, 500);
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
    now += LEASE_LAPSE_S;
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
    ck_assert_int_eq(lease_table_new(&again), 0);
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
    tcase_add_test(all, an_old_copy_skips_by_its_age);
    tcase_add_test(all, an_old_copy_skips_no_more_than_stations_follow);
    tcase_add_test(all, the_end_of_a_lease_tells_what_is_gone);
    tcase_add_test(all, gateway_tells_when_all_else_is_lost);
    tcase_add_test(all, store_and_broker_agree);
    tcase_add_test(all, broker_is_behind_the_store);
    tcase_add_test(all, who_does_not_hold_it_tells_first);
    tcase_add_test(all, holder_goes_on_whoever_tells_first);
    tcase_add_test(all, hearsay_alone_makes_all_wait);
    tcase_add_test(all, broker_has_forgotten_all);
    tcase_add_test(all, old_term_is_passed_without_waiting);
    tcase_add_test(all, second_decider_stops_the_first);
    tcase_add_test(all, stays_within_the_hysteresis);
    tcase_add_test(all, moves_only_when_the_end_is_obeyed);
    tcase_add_test(all, moves_when_the_time_is_over);
    tcase_add_test(all, prolonged_in_the_same_block);
    tcase_add_test(all, next_block_when_few_are_left);
    tcase_add_test(all, next_block_a_minute_later_when_it_cannot_use_it);
    tcase_add_test(all, new_block_for_a_new_run);
    tcase_add_test(all, who_may_not_send_is_given_nothing);
    tcase_add_test(all, kept_before_it_is_said);
    tcase_add_test(all, strength);
    suite_add_tcase(suite, all);
    return suite_run(suite);
}
