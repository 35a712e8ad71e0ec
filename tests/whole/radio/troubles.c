/* An edge that is lost costs two seconds at most. A radio that dies while the other one works: told in the log and in health, the other unharmed, and alive
 * again without a restart of the gateway. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/models/model.h"
#include "tests/suite.h"
#include "tests/whole/radio/rig.h"

static void hear(struct rig *rig, unsigned chip, unsigned count, unsigned from)
{
    unsigned before = rig->row_count;

    /* So far apart that none can overtake another. */
    rig_play(rig, chip, rig_frames(rig, 0, RIG_UNITS, count, from), 100000);
    rig_wait(rig, 1u << chip, before + count, 60);
    ck_assert_uint_eq(rig->row_count, before + count);
    for (unsigned i = before; i < rig->row_count; i++)
        ck_assert_uint_eq(rig->rows[i].frame.radio, chip);
}

START_TEST(one_radio_dies)
{
    unsigned dead = (unsigned)_i, other = 1 - dead;
    struct rig rig;
    char words[16];

    rig_prepare(&rig, 3, 500000, 7);
    rig_start(&rig, 3, NULL);
    rig_ready(&rig);
    hear(&rig, dead, 8, 1);
    rig_order(&rig, "fault %u %u", dead, (unsigned)MODEL_SPI_LOW);
    hear(&rig, other, 40, 100);
    snprintf(words, sizeof words, "[radio.%u]", dead);
    rig_expect_log(&rig, "does not answer", 20000); /* verified every 10 s, looked at every 5 s */
    ck_assert_ptr_nonnull(strstr(rig_log(&rig), words));
    rig_press(&rig);
    ck_assert(!rig.health.radios[dead].working);
    ck_assert(rig.health.radios[other].working);
    ck_assert_str_eq(rig.health.radios[other].trouble, "");
    ck_assert_ptr_nonnull(strstr(rig.health.radios[dead].trouble, "does not answer"));
    hear(&rig, other, 40, 200);
    rig_order(&rig, "fault %u 0", dead);
    rig_run(&rig, NULL, 0, 1000);
    rig_order(&rig, "brownout %u", other); /* and now the other one, for a moment */
    /* Health comes by itself when a radio recovers. */
    for (int s = 0; s < 65 && !rig.health.radios[dead].working; s++)
        rig_run(&rig, NULL, 0, 1000);
    ck_assert(rig.health.radios[dead].working);
    rig_expect_log(&rig, "lost its settings", 20000);
    hear(&rig, dead, 8, 300);
    hear(&rig, other, 8, 400);
    rig_remove(&rig);
}
END_TEST

/* The chip is asked every two seconds, whatever its line said. */
START_TEST(edge_is_lost)
{
    struct rig rig;

    rig_prepare(&rig, 1u << _i, 500000, 7);
    rig_start(&rig, 1u << _i, NULL);
    rig_ready(&rig);
    hear(&rig, 0, 4, 1);
    rig_order(&rig, "fault 0 %u", (unsigned)MODEL_EDGE_LOST);
    rig_play(&rig, 0, rig_frames(&rig, 0, 1, 1, 100), 100000);
    rig_run(&rig, &rig.row_count, 5, 300);
    printf("without its edge %u of 1 frames came within 0.3 s\n", rig.row_count - 4);
    rig_run(&rig, &rig.row_count, 5, 6000);
    ck_assert_uint_eq(rig.row_count, 5);
    hear(&rig, 0, 4, 200);
    rig_press(&rig);
    ck_assert(rig.health.radios[0].working);
    ck_assert_uint_eq(rig.health.radios[0].restarts, 0);
    rig_remove(&rig);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("troubles");
    TCase *tests = tcase_create("troubles");
    tcase_set_timeout(tests, 200);
    /* Both chips only in the long run. */
    tcase_add_loop_test(tests, one_radio_dies, 0, getenv("EDGEROW_LONG") ? 2 : 1);
    tcase_add_loop_test(tests, edge_is_lost, 0, getenv("EDGEROW_LONG") ? 2 : 1);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
