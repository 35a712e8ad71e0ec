/* Walking along headlands, on squares whose distances can be said by hand. */
#include <check.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "collector/round/headland.h"
#include "tests/suite.h"

/* Metres a degree at the equator on WGS84: longitude 111319.49, latitude 110574.3; the walk uses a
 * tangent plane, so half a percent is allowed. */
#define LON (1 / 111320.0)
#define LAT (1 / 111132.0)

static double west[5][2] = {{0, 0}, {200 * LON, 0}, {200 * LON, 100 * LAT}, {0, 100 * LAT}, {0, 0}};
static double east[5][2] = {
    {230 * LON, 0}, {430 * LON, 0}, {430 * LON, 100 * LAT}, {230 * LON, 100 * LAT}, {230 * LON, 0}};

static float *walk_of(const struct headland_place *places, size_t count, size_t blocks)
{
    struct roster_block rosters[2] = {{.ring_points = 5, .ring = west},
                                      {.ring_points = 5, .ring = east}};
    struct outlines outlines;
    float *minutes = NULL;
    ck_assert_int_eq(outline_of_blocks(rosters, blocks, 8, &outlines, NULL), 0);
    ck_assert_int_eq(headland_walk(&outlines, places, count, 50, &minutes), 0);
    outlines_free(&outlines);
    return minutes;
}

START_TEST(the_shorter_way_round_is_walked)
{
    struct headland_place places[3] = {{0, 0}, {200 * LON, 100 * LAT}, {100 * LON, 0}};
    float *minutes = walk_of(places, 3, 1);
    ck_assert_double_eq_tol((double)minutes[0 * 3 + 1], 300 / 50.0, 0.03);
    ck_assert_double_eq_tol((double)minutes[0 * 3 + 2], 100 / 50.0, 0.01);
    ck_assert_double_eq_tol((double)minutes[1 * 3 + 2], 200 / 50.0, 0.02);
    free(minutes);
}
END_TEST

START_TEST(blocks_are_joined_where_they_come_nearest)
{
    struct headland_place places[3] = {{100 * LON, 0}, {330 * LON, 0}, {430 * LON, 100 * LAT}};
    float *minutes = walk_of(places, 3, 2);
    ck_assert_double_eq_tol((double)minutes[0 * 3 + 1], (100 + 30 + 100) / 50.0, 0.03);
    ck_assert_double_eq_tol((double)minutes[0 * 3 + 2], (100 + 30 + 300) / 50.0, 0.04);
    free(minutes);
}
END_TEST

START_TEST(nobody_walks_through_the_rows)
{
    struct headland_place places[2] = {{100 * LON, 0}, {100 * LON, 100 * LAT}};
    float *minutes = walk_of(places, 2, 1);
    ck_assert_double_eq_tol((double)minutes[1], 300 / 50.0, 0.03);
    free(minutes);
}
END_TEST

START_TEST(a_base_beside_the_block_adds_its_own_way)
{
    struct headland_place places[2] = {{100 * LON, -40 * LAT}, {150 * LON, 0}};
    float *minutes = walk_of(places, 2, 1);
    ck_assert_double_eq_tol((double)minutes[1], (40 + 50) / 50.0, 0.02);
    free(minutes);
}
END_TEST

START_TEST(faults_are_refused)
{
    struct outlines none = {0};
    float *minutes = NULL;
    ck_assert_int_eq(headland_walk(&none, NULL, 0, 50, &minutes), -EINVAL);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("headland");
    TCase *tests = tcase_create("walks");
    tcase_add_test(tests, the_shorter_way_round_is_walked);
    tcase_add_test(tests, blocks_are_joined_where_they_come_nearest);
    tcase_add_test(tests, nobody_walks_through_the_rows);
    tcase_add_test(tests, a_base_beside_the_block_adds_its_own_way);
    tcase_add_test(tests, faults_are_refused);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
