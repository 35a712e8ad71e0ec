/* Frames back to back through two radios at once, from the models of their chips to the broker: nothing is lost
 * that the models delivered. 100,000 frames in the long run, which takes about seventeen minutes. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/suite.h"
#include "tests/whole/radio/rig.h"

enum { LONG = 100000, SHORT = 600 };

static void check_row(const struct feed_row *row, bool *seen, unsigned each)
{
    const struct feed_frame *f = &row->frame;
    unsigned chip = f->radio, index = f->report.entries;

    ck_assert(f->has_report);
    ck_assert_uint_lt(chip, 2);
    ck_assert_uint_lt(index, each);
    ck_assert(!seen[chip * each + index]);
    seen[chip * each + index] = true;
    ck_assert_uint_eq(f->devaddr, 0x00A00001u + 2 * chip + index % 2);
    ck_assert_uint_eq(f->fcnt, 1 + index / 2);
}

START_TEST(nothing_is_lost)
{
    unsigned count = getenv("EDGEROW_LONG") ? LONG : SHORT, each = count / 2;
    bool *seen = calloc(count, sizeof *seen);
    struct rig_passed one, two;
    struct rig rig;

    rig_prepare(&rig, 3, 500000, 7);
    rig_start(&rig, 3, NULL);
    rig_ready(&rig);
    for (unsigned chip = 0; chip < 2; chip++)
        rig_play(&rig, chip, rig_frames(&rig, 2 * chip, 2, each, 1), 0);
    rig_wait(&rig, 3, count, 60 + count / 20);
    rig_press(&rig);
    for (unsigned i = 0; i < rig.row_count; i++)
        check_row(&rig.rows[i], seen, each);
    one = rig_passed(&rig, 0);
    two = rig_passed(&rig, 1);
    printf("%u frames back to back, %u delivered by the models, %u at the broker; %u overtaken\n",
           count, one.delivered + two.delivered, rig.row_count, one.overtaken + two.overtaken);
    ck_assert_uint_eq(one.delivered + two.delivered, count);
    ck_assert_uint_le(count - rig.row_count, one.overtaken + two.overtaken);
    free(seen);
    rig_remove(&rig);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("stream");
    TCase *tests = tcase_create("stream");
    tcase_set_timeout(tests, getenv("EDGEROW_LONG") ? 4000 : 120);
    tcase_add_test(tests, nothing_is_lost);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
