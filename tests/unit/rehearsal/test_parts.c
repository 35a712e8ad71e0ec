/* The parts of the simulated vineyard on their own. */
#include <check.h>
#include <math.h>

#include "deploy/rehearsal/calendar.h"
#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/faults.h"
#include "deploy/rehearsal/sun.h"
#include "deploy/rehearsal/trap.h"
#include "deploy/rehearsal/waves.h"
#include "tests/suite.h"

/* xoshiro256** from state 1, 2, 3, 4: the first value is 9 * rotate(2 * 5, 7); the others from
 * memory of the reference implementation's output (Blackman and Vigna). */
START_TEST(dice_are_xoshiro)
{
    struct dice dice = {{1, 2, 3, 4}};
    ck_assert_uint_eq(dice_next(&dice), 11520);
    ck_assert_uint_eq(dice_next(&dice), 0);
    ck_assert_uint_eq(dice_next(&dice), 1509978240);
    ck_assert_uint_eq(dice_next(&dice), 1215971899390074240u);
}
END_TEST

START_TEST(dice_streams_differ)
{
    struct dice a, b, c, again;
    dice_seed(&a, 7, 1, 0);
    dice_seed(&b, 7, 2, 0);
    dice_seed(&c, 7, 1, 1);
    dice_seed(&again, 7, 1, 0);
    uint64_t first = dice_next(&a);
    ck_assert_uint_eq(first, dice_next(&again));
    ck_assert_uint_ne(first, dice_next(&b));
    ck_assert_uint_ne(first, dice_next(&c));
}
END_TEST

/* A Poisson count has its mean as its variance. Means on both sides of the part size. */
START_TEST(dice_poisson_moments)
{
    const double means[] = {0.01, 0.7, 12.0, 95.0};
    enum { THROWS = 200000 };
    double mean = means[_i], sum = 0.0, squares = 0.0;
    struct dice dice;
    dice_seed(&dice, 1, 1, (uint64_t)_i);
    for (int i = 0; i < THROWS; i++) {
        double x = dice_poisson(&dice, mean);
        sum += x;
        squares += x * x;
    }
    double got = sum / THROWS, variance = squares / THROWS - got * got;
    ck_assert_double_le(fabs(got - mean), 5.0 * sqrt(mean / THROWS));
    ck_assert_double_le(fabs(variance - mean), 0.03 * mean + 5.0 * sqrt(mean / THROWS));
}
END_TEST

/* Geometric elevation is -0.833 degrees at rise and set (USNO: upper limb, 34' refraction, 16'
 * semidiameter). Golden, Colorado, 17 October 2003: rise 06:12:43 (NREL/TP-560-34302), set
 * 17:18:51, UTC-7. */
START_TEST(sun_rises_and_sets)
{
    const double latitude = 39.742476, longitude = -105.1786;
    int64_t midnight = 1066374000; /* 2003-10-17 00:00 UTC-7 */
    double degrees_a_minute = 0.25;
    double rise = sun_elevation_deg(latitude, longitude, midnight + 6 * 3600 + 12 * 60 + 43);
    double set = sun_elevation_deg(latitude, longitude, midnight + 17 * 3600 + 18 * 60 + 51);
    ck_assert_double_le(fabs(rise + 0.833), degrees_a_minute);
    ck_assert_double_le(fabs(set + 0.833), degrees_a_minute);
    ck_assert_double_gt(sun_elevation_deg(latitude, longitude, midnight + 12 * 3600), 30.0);
}
END_TEST

/* FAO Irrigation and Drainage Paper 56: example 10, 25.1 MJ; example 20, 16.55 mm. */
START_TEST(sun_gives_published_radiation)
{
    ck_assert_double_eq_tol(sun_day_mm(-22.9, 135) / 0.408, 25.1, 0.05);
    ck_assert_double_eq_tol(sun_day_mm(45.72, 196), 16.55, 0.05);
}
END_TEST

START_TEST(calendar_knows_short_days_and_half_hours)
{
    ck_assert_int_eq(calendar_zone("America/Los_Angeles"), 0);
    int64_t day;
    ck_assert_int_eq(calendar_parse("2026-03-08", &day), 0);
    ck_assert_int_eq(calendar_day_after_s(day, 1) - day, 23 * 3600);
    ck_assert_int_eq(calendar_zone("Australia/Adelaide"), 0);
    ck_assert_int_eq(calendar_hour_s(1785542400 + 100) % 3600, 1800);
    ck_assert_int_lt(calendar_zone("Nowhere/Nothing"), 0);
    ck_assert_int_lt(calendar_parse("2026-13-01", &day), 0);
    ck_assert_int_lt(calendar_parse("2026-02-01x", &day), 0);
}
END_TEST

static void heard(void *user, const struct waves_copy *copy)
{
    (void)copy;
    ++*(unsigned *)user;
}

/* 48 stations, one frame of 20 bytes in 900 s each, no capture: 0.9941 at SF7 and 0.8713 at SF12
 * arrive, from exp(-2G) of pure ALOHA (Abramson 1970) with the published time on air; SX1276
 * datasheet 4.1.1.7. */
START_TEST(waves_collide_like_aloha)
{
    static const struct {
        uint8_t spreading_factor;
        double arrives;
    } cases[] = {{7, 0.9941}, {12, 0.8713}};
    struct place *place;
    ck_assert_int_eq(place_invent(&place, 1, 48, 1), 0);
    place->gateways[0].channel =
        (struct place_channel){868100000, 125000, cases[_i].spreading_factor};
    struct waves_settings settings = {.seed = 3};
    struct waves *waves;
    ck_assert_int_eq(waves_open(&waves, place, &settings), 0);
    struct dice dice;
    dice_seed(&dice, 5, 5, 0);
    unsigned got = 0, sent = 0;
    uint8_t bytes[20] = {0};
    for (int64_t round = 0; round < 2000; round++) {
        for (size_t unit = 0; unit < 48; unit++, sent++) {
            struct waves_origin origin = {.unit = unit, .report = sent};
            int64_t at = round * 900000000 + (int64_t)(dice_unit(&dice) * 897e6);
            ck_assert_int_eq(waves_send(waves, origin, place->traps[unit].at, 30, at, bytes, 20),
                             0);
        }
        ck_assert_int_eq(waves_settle(waves, (round + 1) * 900000000, heard, &got), 0);
    }
    double share = (double)got / sent;
    ck_assert_msg(fabs(share - cases[_i].arrives) < 0.004, "%.4f arrives, %.4f published", share,
                  cases[_i].arrives);
    waves_close(waves);
    place_close(place);
}
END_TEST

START_TEST(trap_loses_fills_and_dilutes)
{
    struct trap_settings settings = {.full_mark_mm = 90, .low_mark_mm = 60, .seed = 1};
    struct weather_hour dry = {.temperature_c = 28, .deficit_kpa = 2.0, .wind_ms = 3.0};
    struct weather_hour rain = {.temperature_c = 14, .deficit_kpa = 0.05, .rain_mm = 20.0};
    struct trap trap;
    trap_hang(&trap, &settings, 0);
    ck_assert_double_eq_tol(trap_level_mm(&trap), 90.0, 6.0);
    ck_assert(trap_guarding(&trap, 86400000000));
    for (int hour = 0; hour < 24 * 12; hour++)
        trap_weather(&trap, &dry, 3600);
    ck_assert_double_lt(trap_level_mm(&trap), 60.0);
    ck_assert(!trap_guarding(&trap, 86400000000));
    trap_top_up(&trap);
    ck_assert_double_eq_tol(trap_level_mm(&trap), 90.0, 5.0);
    double before = trap_attraction(&trap, 3 * 86400000000);
    for (int hour = 0; hour < 24; hour++)
        trap_weather(&trap, &rain, 3600);
    ck_assert_double_lt(trap_attraction(&trap, 3 * 86400000000), before);
    ck_assert(!trap_guarding(&trap, 86400000000)); /* overfull */
    trap_replace(&trap, 20 * 86400000000);
    ck_assert(trap_guarding(&trap, 21 * 86400000000));
    ck_assert(!trap_guarding(&trap, 30 * 86400000000)); /* bait too old */
}
END_TEST

START_TEST(faults_read_their_groups)
{
    unsigned groups;
    ck_assert_int_eq(faults_groups("none", &groups), 0);
    ck_assert_uint_eq(groups, 0);
    ck_assert_int_eq(faults_groups("counters,units", &groups), 0);
    ck_assert_uint_eq(groups, FAULTS_COUNTERS | FAULTS_UNITS);
    ck_assert_int_lt(faults_groups("counters,", &groups), 0);
    ck_assert_int_lt(faults_groups("gremlins", &groups), 0);
}
END_TEST

int main(void)
{
    TCase *tests = tcase_create("parts");
    tcase_set_timeout(tests, 60);
    tcase_add_test(tests, dice_are_xoshiro);
    tcase_add_test(tests, dice_streams_differ);
    tcase_add_loop_test(tests, dice_poisson_moments, 0, 4);
    tcase_add_test(tests, sun_rises_and_sets);
    tcase_add_test(tests, sun_gives_published_radiation);
    tcase_add_test(tests, calendar_knows_short_days_and_half_hours);
    tcase_add_loop_test(tests, waves_collide_like_aloha, 0, 2);
    tcase_add_test(tests, trap_loses_fills_and_dilutes);
    tcase_add_test(tests, faults_read_their_groups);
    Suite *suite = suite_create("rehearsal parts");
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
