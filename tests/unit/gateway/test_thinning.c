/* The rule of giving up, on the policy itself and on the queue in memory. */
#include <check.h>
#include <string.h>

#include "gateway/spool/queue.h"
#include "gateway/spool/thinning.h"
#include "tests/suite.h"

static struct thinning_series series(uint32_t devaddr, uint16_t epoch)
{
    return (struct thinning_series){devaddr, devaddr ^ 0xAAAA, epoch};
}

START_TEST(never_the_first_or_the_last)
{
    struct thinning *thinning;
    ck_assert_int_eq(thinning_new(&thinning), 0);
    struct thinning_series a = series(1, 0), b = series(2, 0);
    for (uint64_t n = 10; n <= 14; n++)
        ck_assert_int_eq(thinning_note(thinning, n % 2 == 0 ? &a : &b, n), 0);
    ck_assert(!thinning_may_give(thinning, &a, 10));
    ck_assert(thinning_may_give(thinning, &a, 12));
    ck_assert(!thinning_may_give(thinning, &a, 14));
    ck_assert(!thinning_may_give(thinning, &b, 11)); /* only two of this series */
    ck_assert(!thinning_may_give(thinning, &b, 13));
    struct thinning_series other_epoch = series(1, 1);
    ck_assert(!thinning_may_give(thinning, &other_epoch, 12));
    thinning_free(thinning);
}
END_TEST

START_TEST(many_series)
{
    struct thinning *thinning;
    ck_assert_int_eq(thinning_new(&thinning), 0);
    for (uint64_t n = 0; n < 30000; n++) {
        struct thinning_series s = series((uint32_t)(n % 10000), (uint16_t)(n % 3));
        ck_assert_int_eq(thinning_note(thinning, &s, n), 0);
    }
    /* n, n + 30000 would be the same series; each was noted once with this epoch or not at all */
    struct thinning_series s = series(77, 77 % 3);
    ck_assert(!thinning_may_give(thinning, &s, 77));
    thinning_free(thinning);
}
END_TEST

static struct queue_entry entry(uint32_t devaddr, uint32_t fcnt)
{
    struct queue_entry e = {.record = {.kind = FEED_ROW_FRAME}};
    e.record.frame.devaddr = devaddr;
    e.record.frame.fcnt = fcnt;
    return e;
}

static bool holds(const struct queue *queue, uint32_t devaddr, uint32_t fcnt)
{
    for (size_t i = 0; i < queue_count(queue); i++)
        if (queue_at(queue, i)->record.frame.devaddr == devaddr &&
            queue_at(queue, i)->record.frame.fcnt == fcnt)
            return true;
    return false;
}

START_TEST(a_full_queue_keeps_each_series_ends)
{
    struct queue *queue;
    ck_assert_int_eq(queue_new(&queue), 0);
    size_t gone = 0;
    uint32_t rounds = 3 * QUEUE_MAX / 50;
    for (uint32_t fcnt = 0; fcnt < rounds; fcnt++)
        for (uint32_t unit = 0; unit < 50; unit++) {
            struct queue_entry e = entry(unit, fcnt);
            gone += queue_push(queue, &e);
            ck_assert_uint_le(queue_count(queue), QUEUE_MAX);
        }
    ck_assert_uint_gt(gone, 0);
    ck_assert_uint_eq(queue_count(queue) + gone, rounds * 50);
    for (uint32_t unit = 0; unit < 50; unit++) {
        ck_assert(holds(queue, unit, 0));
        ck_assert(holds(queue, unit, rounds - 1));
    }
    queue_free(queue);
}
END_TEST

START_TEST(a_queue_of_strangers_drops_the_oldest)
{
    struct queue *queue;
    ck_assert_int_eq(queue_new(&queue), 0);
    for (uint32_t unit = 0; unit <= QUEUE_MAX; unit++) {
        struct queue_entry e = entry(unit, 1);
        ck_assert_uint_eq(queue_push(queue, &e), unit == QUEUE_MAX ? 1 : 0);
    }
    ck_assert(!holds(queue, 0, 1));
    ck_assert(holds(queue, 1, 1));
    ck_assert(holds(queue, QUEUE_MAX, 1));
    queue_free(queue);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("thinning");
    TCase *tests = tcase_create("thinning");
    tcase_add_test(tests, never_the_first_or_the_last);
    tcase_add_test(tests, many_series);
    tcase_add_test(tests, a_full_queue_keeps_each_series_ends);
    tcase_add_test(tests, a_queue_of_strangers_drops_the_oldest);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
