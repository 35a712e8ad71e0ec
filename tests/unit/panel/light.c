/* What a person sees: rhythms that differ without colour, and counts that can be read. */
#include <check.h>

#include "gateway/panel/light.h"
#include "tests/suite.h"

enum { MS = 1000 };

/* Lit stretches of a stretch of time, in ms, as somebody with a watch would note them. */
struct seen {
    int64_t on_ms[64], off_ms[64]; /* off_ms[i]: the darkness before on_ms[i] */
    unsigned flashes;
};

/* Looks only when the light asks for it, as the gateway does. */
static struct seen watch(struct light *light, int64_t from_us, int64_t us)
{
    struct seen seen = {.flashes = 0};
    int64_t at_us = from_us, next_us, dark_us = 0;

    while (at_us < from_us + us && seen.flashes < 63) {
        bool lit = light_at(light, at_us, &next_us);
        int64_t until_us = next_us < from_us + us ? next_us : from_us + us;

        ck_assert_int_gt(next_us, at_us);
        if (lit) {
            seen.off_ms[seen.flashes] = dark_us / MS;
            seen.on_ms[seen.flashes++] = (until_us - at_us) / MS;
            dark_us = 0;
        } else {
            dark_us += until_us - at_us;
        }
        at_us = until_us;
    }
    return seen;
}

START_TEST(well_is_steady)
{
    struct light light = {0};
    int64_t next_us;

    ck_assert(light_at(&light, 123456789, &next_us));
    ck_assert_int_eq(next_us, INT64_MAX);
}
END_TEST

/* The darkness and the light of each rhythm, and how many flashes ten seconds hold: no two alike, and none
 * faster than two a second (three and more can harm people with photosensitive epilepsy: WCAG 2.1, 2.3.1). */
START_TEST(rhythms_differ)
{
    static const struct {
        enum light_state state;
        unsigned flashes;
        int64_t on_ms, off_ms;
    } rhythms[] = {{LIGHT_UNHEARD, 4, 200, 2800},
                   {LIGHT_OFFLINE, 5, 1000, 1000},
                   {LIGHT_TROUBLE, 20, 250, 250}};

    for (size_t i = 0; i < sizeof rhythms / sizeof rhythms[0]; i++) {
        struct light light = {0};
        struct seen seen;

        light_say(&light, rhythms[i].state, 5000 * MS);
        seen = watch(&light, 5000 * MS, 10000 * MS);
        ck_assert_uint_eq(seen.flashes, rhythms[i].flashes);
        ck_assert_int_eq(seen.on_ms[1], rhythms[i].on_ms);
        ck_assert_int_eq(seen.off_ms[1], rhythms[i].off_ms);
    }
}
END_TEST

/* Saying the same again must not shift the rhythm. */
START_TEST(rhythm_is_not_disturbed)
{
    struct light light = {0};
    int64_t next_us;

    light_say(&light, LIGHT_OFFLINE, 0);
    ck_assert(!light_at(&light, 1500 * MS, &next_us));
    light_say(&light, LIGHT_OFFLINE, 1500 * MS);
    ck_assert(!light_at(&light, 1600 * MS, &next_us));
    ck_assert_int_eq(next_us, 2000 * MS);
}
END_TEST

/* Reads a count as the manual page says: short flashes add up, a long one is nought, a pause ends the digit. */
static long read_count(const struct seen *seen, unsigned flashes)
{
    long count = 0, digit = 0;

    for (unsigned i = 0; i < flashes; i++) {
        if (i > 0 && seen->off_ms[i] >= 1000) {
            count = count * 10 + digit;
            digit = 0;
        }
        digit += seen->on_ms[i] < 1000;
    }
    return count * 10 + digit;
}

START_TEST(counts_can_be_read)
{
    static const struct {
        uint32_t count;
        unsigned flashes;
    } counts[] = {{0, 1},   {1, 1},   {7, 7},    {10, 2},    {27, 9},
                  {200, 4}, {305, 9}, {1000, 4}, {99999, 45}};

    for (size_t i = 0; i < sizeof counts / sizeof counts[0]; i++) {
        struct light light = {0};
        struct seen seen;

        light_count(&light, counts[i].count, 777);
        seen = watch(&light, 777, 60000 * MS);
        ck_assert_int_ge(seen.off_ms[0], 1000); /* dark first, whatever was shown before */
        ck_assert_int_eq(read_count(&seen, counts[i].flashes), counts[i].count);
        ck_assert_uint_eq(seen.flashes, counts[i].flashes + 1); /* then steady again */
        ck_assert_int_ge(seen.off_ms[counts[i].flashes], 2000);
    }
}
END_TEST

/* A second press begins anew; a state that changes meanwhile is shown afterwards. */
START_TEST(count_goes_first)
{
    struct light light = {0};
    struct seen seen;

    light_count(&light, 3, 0);
    light_say(&light, LIGHT_TROUBLE, 1000 * MS);
    light_count(&light, 2, 2000 * MS);
    seen = watch(&light, 2000 * MS, 8000 * MS);
    ck_assert_int_eq(read_count(&seen, 2), 2);
    ck_assert_int_eq(seen.on_ms[2], 250);
    ck_assert_int_eq(seen.off_ms[3], 250);
}
END_TEST

START_TEST(too_many_are_the_most)
{
    struct light light = {0};

    light_count(&light, 1000000, 0);
    ck_assert_uint_eq(light.count, LIGHT_COUNT_MOST);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("light");
    TCase *tests = tcase_create("light");
    tcase_add_test(tests, well_is_steady);
    tcase_add_test(tests, rhythms_differ);
    tcase_add_test(tests, rhythm_is_not_disturbed);
    tcase_add_test(tests, counts_can_be_read);
    tcase_add_test(tests, count_goes_first);
    tcase_add_test(tests, too_many_are_the_most);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
