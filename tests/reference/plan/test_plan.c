#include <check.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>

#include "collector/plan/plan.h"
#include "tests/suite.h"

static struct roster_block block_of(const char *name, double (*ring)[2], size_t points)
{
    struct roster_block block = {.ring_points = points, .ring = ring};
    snprintf(block.name, sizeof block.name, "%s", name);
    return block;
}

/* The 100 km square 18SWK of the military grid, the worked example of Planimeter(1) in
 * GeographicLib; corners of UTM zone 18 converted with GeoConvert 2.1.2. */
static double grid_square[5][2] = {
    {-75.0, 39.74990751910}, {-73.83284812465, 39.74403956295}, {-73.81730037734, 40.64479964953},
    {-75.0, 40.65085651557}, {-75.0, 39.74990751910},
};

START_TEST(the_grid_square_has_its_published_size)
{
    double perimeter_m, area_m2;
    outline_measure((const double(*)[2])grid_square, 5, &perimeter_m, &area_m2);
    ck_assert_double_eq_tol(perimeter_m, 400139.532959, 0.01);
    ck_assert_double_eq_tol(area_m2, 10007388597.2, 1000);
}
END_TEST

/* A block of about five acres, measured with GeodSolve and Planimeter of GeographicLib 2.1.2. */
static double five_acres[5][2] = {{-119.7000, 46.2500},
                                  {-119.6974, 46.2500},
                                  {-119.6974, 46.2509},
                                  {-119.7000, 46.2509},
                                  {-119.7000, 46.2500}};

START_TEST(a_block_of_five_acres_takes_forty_traps_at_fifty_feet)
{
    struct roster_block block = block_of("east", five_acres, 5);
    struct plan plan;
    ck_assert_int_eq(plan_make(&block, 1, &plan_defaults, &plan, NULL), 0);
    ck_assert_double_eq_tol(plan.perimeter_m, 601.0691, 0.0001);
    ck_assert_double_eq_tol(plan.area_m2, 20058, 1);
    ck_assert_uint_eq(plan.trap_count, 40);
    ck_assert_str_eq(plan.traps[0].name, "east-01");
    ck_assert_str_eq(plan.traps[39].name, "east-40");
    ck_assert_double_eq_tol(plan.season_litres, 10 * 40 * 0.5, 1e-9);
    plan_free(&plan);
}
END_TEST

START_TEST(a_ring_drawn_clockwise_gives_the_same_plan)
{
    double turned[5][2];
    for (int i = 0; i < 5; i++) {
        turned[i][0] = five_acres[4 - i][0];
        turned[i][1] = five_acres[4 - i][1];
    }
    struct roster_block a = block_of("a", five_acres, 5), b = block_of("a", turned, 5);
    struct plan one, other;
    ck_assert_int_eq(plan_make(&a, 1, &plan_defaults, &one, NULL), 0);
    ck_assert_int_eq(plan_make(&b, 1, &plan_defaults, &other, NULL), 0);
    ck_assert_uint_eq(one.trap_count, other.trap_count);
    for (size_t i = 0; i < one.trap_count; i++)
        ck_assert_double_eq_tol(one.traps[i].longitude, other.traps[i].longitude, 1e-9);
    plan_free(&one);
    plan_free(&other);
}
END_TEST

/* Two halves of the five acres with a headland of six metres between them: their common outline is
 * that of the whole, to the centimetre. Apart, each has its own. */
START_TEST(adjoining_blocks_share_one_outline)
{
    double half_gap =
        3.0 / 77113.05; /* metres a degree of longitude at 46.25 N, GeographicLib 2.1.2 */
    double west[5][2] = {{-119.7000, 46.2500},
                         {-119.6987 - half_gap, 46.2500},
                         {-119.6987 - half_gap, 46.2509},
                         {-119.7000, 46.2509},
                         {-119.7000, 46.2500}};
    double east[5][2] = {{-119.6987 + half_gap, 46.2500},
                         {-119.6974, 46.2500},
                         {-119.6974, 46.2509},
                         {-119.6987 + half_gap, 46.2509},
                         {-119.6987 + half_gap, 46.2500}};
    struct roster_block blocks[2] = {block_of("west", west, 5), block_of("east", east, 5)};
    struct plan_settings settings = plan_defaults;
    struct plan plan;
    ck_assert_int_eq(plan_make(blocks, 2, &settings, &plan, NULL), 0);
    ck_assert_uint_eq(plan.outlines.count, 1);
    ck_assert_double_eq_tol(plan.perimeter_m, 601.0691, 0.01);
    ck_assert_uint_eq(plan.trap_count, 40);
    size_t in_west = 0;
    for (size_t i = 0; i < plan.trap_count; i++)
        in_west += plan.traps[i].block == 0;
    ck_assert_uint_ge(in_west, 19);
    ck_assert_uint_le(in_west, 21);
    plan_free(&plan);

    settings.gap_m = 2;
    ck_assert_int_eq(plan_make(blocks, 2, &settings, &plan, NULL), 0);
    ck_assert_uint_eq(plan.outlines.count, 2);
    ck_assert_double_eq_tol(plan.perimeter_m, 601.0691 + 2 * 100.0406 - 4 * 3, 0.05);
    plan_free(&plan);
}
END_TEST

START_TEST(no_gap_is_wider_than_the_spacing)
{
    struct roster_block block = block_of("east", five_acres, 5);
    for (int i = 0; i < 40; i++) {
        struct plan_settings settings = plan_defaults;
        settings.spacing_m = 5 + i * 1.7;
        struct plan plan;
        ck_assert_int_eq(plan_make(&block, 1, &settings, &plan, NULL), 0);
        ck_assert_uint_eq(plan.trap_count, (size_t)ceil(601.0691 / settings.spacing_m));
        for (size_t t = 1; t < plan.trap_count; t++)
            ck_assert_double_le(plan.traps[t].along_m - plan.traps[t - 1].along_m,
                                settings.spacing_m);
        plan_free(&plan);
    }
}
END_TEST

START_TEST(faults_name_the_block)
{
    double bow_tie[5][2] = {{0, 0}, {0.01, 0.01}, {0.01, 0}, {0, 0.01}, {0, 0}};
    struct roster_block blocks[2] = {block_of("east", five_acres, 5), block_of("tie", bow_tie, 5)};
    struct plan plan;
    size_t at = 99;
    ck_assert_int_eq(plan_make(blocks, 2, &plan_defaults, &plan, &at), -EINVAL);
    ck_assert_uint_eq(at, 1);
    struct plan_settings settings = plan_defaults;
    settings.spacing_m = 0;
    ck_assert_int_eq(plan_make(blocks, 1, &settings, &plan, &at), -ERANGE);
}
END_TEST

START_TEST(a_mix_for_forty_traps)
{
    struct plan_mix mix = plan_mix_for(40, 0.5);
    ck_assert_double_eq_tol(mix.litres, 20, 1e-9);
    ck_assert_double_eq_tol(mix.water_litres / mix.juice_litres, 10, 1e-9);
    ck_assert_double_eq_tol(mix.juice_litres + mix.water_litres, 20, 1e-9);
    ck_assert_double_eq_tol(mix.yeast_teaspoons, 10, 1e-9);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("plan");
    TCase *tests = tcase_create("published values and properties");
    tcase_add_test(tests, the_grid_square_has_its_published_size);
    tcase_add_test(tests, a_block_of_five_acres_takes_forty_traps_at_fifty_feet);
    tcase_add_test(tests, a_ring_drawn_clockwise_gives_the_same_plan);
    tcase_add_test(tests, adjoining_blocks_share_one_outline);
    tcase_add_test(tests, no_gap_is_wider_than_the_spacing);
    tcase_add_test(tests, faults_name_the_block);
    tcase_add_test(tests, a_mix_for_forty_traps);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
