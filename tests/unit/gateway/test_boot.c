#include <check.h>

#include "gateway/spool/boot.h"
#include "tests/suite.h"

START_TEST(a_synchronised_boot_needs_no_correction)
{
    struct boot_clock clock = {0};
    int64_t offset_ms = 77;
    ck_assert(!boot_clock_settle(&clock, 1000000, 5000, true, &offset_ms));
    struct boot_stamp stamp = boot_clock_stamp(&clock, 1000100, 5100);
    ck_assert(stamp.synchronised);
    ck_assert_int_eq(stamp.heard_ms, 1000100);
    ck_assert_int_eq(offset_ms, 77);
}
END_TEST

/* The clock is wrong by a year, somebody sets it by hand half way, and then it is synchronised: one offset
 * must put every frame right. */
START_TEST(one_offset_corrects_them_all)
{
    const int64_t true_boot_ms = INT64_C(1790000000000);
    const int64_t year_ms = INT64_C(31536000000);
    struct boot_clock clock = {0};
    int64_t offset_ms = 0;
    ck_assert(!boot_clock_settle(&clock, true_boot_ms - year_ms + 10000, 10000, false, &offset_ms));
    struct boot_stamp before = boot_clock_stamp(&clock, true_boot_ms - year_ms + 20000, 20000);
    struct boot_stamp after = boot_clock_stamp(&clock, true_boot_ms + 999 + 60000, 60000);
    ck_assert(!before.synchronised && !after.synchronised);
    ck_assert(boot_clock_settle(&clock, true_boot_ms + 90000, 90000, true, &offset_ms));
    ck_assert_int_eq(before.heard_ms + offset_ms, true_boot_ms + 20000);
    ck_assert_int_eq(after.heard_ms + offset_ms, true_boot_ms + 60000);
    ck_assert(!boot_clock_settle(&clock, true_boot_ms + 91000, 91000, true, &offset_ms));
    struct boot_stamp later = boot_clock_stamp(&clock, true_boot_ms + 95000, 95000);
    ck_assert(later.synchronised);
    ck_assert_int_eq(later.heard_ms, true_boot_ms + 95000);
}
END_TEST

START_TEST(once_synchronised_stays_so_for_the_boot)
{
    struct boot_clock clock = {0};
    int64_t offset_ms;
    boot_clock_settle(&clock, 1000, 10, true, &offset_ms);
    ck_assert(!boot_clock_settle(&clock, 2000, 1010, false, &offset_ms));
    ck_assert(boot_clock_stamp(&clock, 2000, 1010).synchronised);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("boot");
    TCase *tests = tcase_create("boot");
    tcase_add_test(tests, a_synchronised_boot_needs_no_correction);
    tcase_add_test(tests, one_offset_corrects_them_all);
    tcase_add_test(tests, once_synchronised_stays_so_for_the_boot);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
