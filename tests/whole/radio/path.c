/* The same frames through an SX1276, through an SX1262, and through both at once reach the broker alike. And
 * the panel: the light is steady while all is well, the button brings health and a count. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/suite.h"
#include "tests/whole/radio/rig.h"

enum { FRAMES = 200 };

/* What must not depend on the chip. Each comes once. */
static void check_row(const struct feed_row *row, bool seen[FRAMES])
{
    const struct feed_frame *f = &row->frame;
    unsigned index = f->report.entries;

    ck_assert(f->has_report);
    ck_assert_uint_lt(index, FRAMES);
    ck_assert(!seen[index]);
    seen[index] = true;
    ck_assert_uint_eq(f->devaddr, 0x00A00001u + index % RIG_UNITS);
    ck_assert_uint_eq(f->fcnt, 1 + index / RIG_UNITS);
    ck_assert_int_eq(f->fport, 10);
    ck_assert_uint_eq(f->frequency_hz, 915000000);
    ck_assert_uint_eq(f->bandwidth_hz, 500000);
    ck_assert_uint_eq(f->spreading_factor, 7);
    ck_assert_int_le(abs(f->rssi_cdbm + 10100), 100);
    ck_assert_int_eq(f->snr_cdb, 550);
}

static void check_rows(const struct rig *rig, unsigned radios)
{
    bool seen[FRAMES] = {false};

    for (unsigned i = 0; i < rig->row_count; i++) {
        check_row(&rig->rows[i], seen);
        if (i > 0 && radios != 3) /* two radios may hand over in the other order */
            ck_assert_int_gt(rig->rows[i].frame.heard_ms, rig->rows[i - 1].frame.heard_ms);
    }
}

/* What two radios heard at once is lost only when both lose it. */
static void check_losses(struct rig *rig, unsigned radios)
{
    unsigned excused = FRAMES;

    for (unsigned radio = 0; radio < (radios == 3 ? 2 : 1); radio++) {
        struct rig_passed p = rig_passed(rig, radio);

        ck_assert_uint_eq(p.delivered, FRAMES);
        excused = p.overtaken < excused ? p.overtaken : excused;
    }
    printf("%u frames sent, %u rows at the broker\n", FRAMES, rig->row_count);
    ck_assert_uint_le(FRAMES - rig->row_count, excused);
}

/* The light is steady; the button brings health, and the light then counts the stations. */
static void check_panel(struct rig *rig)
{
    unsigned blinks;

    rig_run(rig, NULL, 0, 3000); /* the light has been told that all is well */
    blinks = rig->blinks;
    rig_press(rig);
    rig_run(rig, &rig->blinks, blinks + RIG_UNITS + 1, 20000);
    rig_run(rig, NULL, 0, 2000);
    ck_assert_uint_eq(rig->blinks, blinks + RIG_UNITS + 1); /* the count, then steady again */
}

START_TEST(frames_reach_the_broker)
{
    static const unsigned radios[3] = {1, 2, 3};
    struct rig rig;
    const char *frames;

    rig_prepare(&rig, radios[_i], 500000, 7);
    rig_start(&rig, radios[_i], NULL);
    rig_ready(&rig);
    frames = rig_frames(&rig, 0, RIG_UNITS, FRAMES, 1);
    for (unsigned chip = 0; chip < (radios[_i] == 3 ? 2 : 1); chip++)
        rig_play(&rig, chip, frames, 500);
    rig_wait(&rig, radios[_i] == 3 ? 3 : 1, FRAMES, 60);
    rig_run(&rig, NULL, 0, 1500); /* what both radios heard is stored once */
    if (_i == 0)
        check_panel(&rig);
    else
        rig_press(&rig);
    check_rows(&rig, radios[_i]);
    check_losses(&rig, radios[_i]);
    ck_assert_uint_eq(rig.health.stations, RIG_UNITS);
    rig_remove(&rig);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("path");
    TCase *tests = tcase_create("path");
    tcase_set_timeout(tests, 120);
    tcase_add_loop_test(tests, frames_reach_the_broker, 0, 3);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
