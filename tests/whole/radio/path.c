/* The same frames through an SX1276, through an SX1262, and through both at once reach the broker alike. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "tests/whole/radio/rig.h"

enum { FRAMES = 200 };

/* What must not depend on the chip. */
static void check_row(const struct feed_row *row, unsigned index)
{
    const struct feed_frame *f = &row->frame;

    ck_assert_uint_eq(f->devaddr, 0x00A00001u + index % RIG_UNITS);
    ck_assert_uint_eq(f->fcnt, 1 + index / RIG_UNITS);
    ck_assert_int_eq(f->fport, 10);
    ck_assert(f->has_report);
    ck_assert_uint_eq(f->report.entries, index);
    ck_assert_uint_eq(f->frequency_hz, 915000000);
    ck_assert_uint_eq(f->bandwidth_hz, 500000);
    ck_assert_uint_eq(f->spreading_factor, 7);
    ck_assert_int_le(abs(f->rssi_cdbm + 10100), 100);
    ck_assert_int_eq(f->snr_cdb, 550);
}

static void check_time(const struct rig *rig)
{
    for (unsigned i = 1; i < rig->row_count; i++)
        ck_assert_int_gt(rig->rows[i].frame.heard_ms, rig->rows[i - 1].frame.heard_ms);
}

START_TEST(frames_reach_the_broker)
{
    static const unsigned radios[3] = {1, 2, 3};
    struct rig rig;
    const char *frames;

    rig_prepare(&rig, radios[_i], 500000, 7);
    rig_start(&rig, radios[_i], NULL);
    rig_expect_log(&rig, "hears with", 10000);
    rig_run(&rig, NULL, 0, 500); /* the chip starts in its own thread */
    frames = rig_frames(&rig, FRAMES, 1);
    for (unsigned chip = 0; chip < (radios[_i] == 3 ? 2 : 1); chip++)
        rig_order(&rig, "play %u %s 500", chip, frames);
    rig_run(&rig, &rig.row_count, FRAMES, 30000);
    ck_assert_uint_eq(rig.row_count, FRAMES);
    for (unsigned i = 0; i < FRAMES; i++)
        check_row(&rig.rows[i], i);
    check_time(&rig);
    ck_assert_int_eq(rig_tally(&rig, 0, "delivered"), FRAMES);
    ck_assert_int_eq(rig_tally(&rig, 0, "misuse"), 0);
    if (radios[_i] == 3) {
        rig_run(&rig, NULL, 0, 2000);
        ck_assert_int_eq(rig_tally(&rig, 1, "delivered"), FRAMES);
        ck_assert_int_eq(rig_tally(&rig, 1, "misuse"), 0);
    }
    rig_run(&rig, NULL, 0, 1500); /* what both radios heard is stored once */
    ck_assert_uint_eq(rig.row_count, FRAMES);
    rig_remove(&rig);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("path");
    TCase *tests = tcase_create("path");
    SRunner *runner;
    int failed;

    tcase_set_timeout(tests, 60);
    tcase_add_loop_test(tests, frames_reach_the_broker, 0, 3);
    suite_add_tcase(suite, tests);
    runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
