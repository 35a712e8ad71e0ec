/* A day of sending whenever the ledger permits, with restarts, lost and damaged ledgers and a clock that
 * steps, against an independent account of what was on the air. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "gateway/region/duty_file.h"
#include "tests/suite.h"

enum { SENDINGS = 40000, BAND = 868000, PPM = 10000 };

struct sending {
    int64_t start_us, end_us; /* true time */
};

static struct sending sendings[SENDINGS];
static size_t count;

/* Time on the air within the hour that ends at end_us, by the sendings themselves. */
static int64_t on_air_us(int64_t end_us)
{
    int64_t from = end_us - 3600000000LL, sum = 0;

    for (size_t i = count; i-- > 0 && sendings[i].end_us > from;) {
        int64_t a = sendings[i].start_us > from ? sendings[i].start_us : from;
        int64_t b = sendings[i].end_us < end_us ? sendings[i].end_us : end_us;

        if (b > a)
            sum += b - a;
    }
    return sum;
}

static unsigned dice(unsigned *seed, unsigned sides)
{
    *seed = *seed * 1103515245U + 12345U;
    return (*seed >> 8) % sides;
}

static int64_t simulate(unsigned seed, bool losses)
{
    char folder[] = "/tmp/edgerow-duty-XXXXXX", path[64];
    struct duty_ledger ledger;
    int64_t worst = 0, skew_us = 0, start_us = 1793000000000000LL;
    bool certain = true;

    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/duty", folder);
    count = 0;
    duty_file_load(path, start_us / 1000000, certain, &ledger);
    for (int64_t t = start_us; t < start_us + 86400000000LL;) {
        uint32_t airtime_us = 20000 + dice(&seed, 1500000);
        int64_t now_s = (t + skew_us) / 1000000;

        if (dice(&seed, losses ? 1500 : 400) == 0) { /* killed and started again */
            if (losses && dice(&seed, 3) == 0)
                ck_assert_int_eq(truncate(path, (off_t)dice(&seed, DUTY_BYTES)), 0);
            certain =
                !losses || dice(&seed, 2) == 0; /* no battery-backed clock: it may be anywhere */
            skew_us = certain ? 0 : ((int64_t)dice(&seed, 14400) - 7200) * 1000000;
            now_s = (t + skew_us) / 1000000;
            duty_file_load(path, now_s, certain, &ledger);
        }
        if (duty_permits(&ledger, BAND, PPM, airtime_us, now_s, NULL)) {
            ck_assert(duty_spend(&ledger, BAND, airtime_us, now_s));
            ck_assert_int_eq(duty_file_save(path, &ledger), 0);
            ck_assert_uint_lt(count, SENDINGS);
            sendings[count++] = (struct sending){t, t + airtime_us};
            t += airtime_us;
            if (on_air_us(t) > worst)
                worst = on_air_us(t);
        }
        t += 100000 + dice(&seed, 20000000);
    }
    unlink(path);
    snprintf(path, sizeof path, "%s/duty.new", folder);
    unlink(path);
    rmdir(folder);
    return worst;
}

START_TEST(never_exceeded)
{
    int64_t worst = simulate((unsigned)_i + 1, _i % 2);

    ck_assert_int_le(worst, 36000000); /* 1 % of an hour */
    ck_assert_uint_gt(count, _i % 2 ? 20 : 500);
    if (_i % 2 == 0)
        ck_assert_int_ge(worst, 34000000); /* and it is used, not wasted */
}
END_TEST

START_TEST(a_new_ledger_permits_nothing_for_an_hour)
{
    struct duty_ledger ledger;
    int64_t left;

    duty_begin(&ledger, 1000000, true);
    ck_assert(!duty_permits(&ledger, BAND, PPM, 1, 1000000, NULL));
    ck_assert(!duty_permits(&ledger, BAND, PPM, 1, 1003599, NULL));
    ck_assert(duty_permits(&ledger, BAND, PPM, 1, 1003600, &left));
    ck_assert_int_eq(left, 36000000);
    ck_assert(duty_permits(&ledger, 902000, 1000000, 400000, 1000000, NULL)); /* no limit there */
}
END_TEST

START_TEST(damaged_bytes_are_refused)
{
    struct duty_ledger ledger, again;
    uint8_t bytes[DUTY_BYTES];

    duty_begin(&ledger, 1000000, true);
    duty_spend(&ledger, BAND, 12345, 1000100);
    duty_encode(&ledger, bytes);
    memset(&again, 0, sizeof again);
    ck_assert_int_eq(duty_decode(bytes, sizeof bytes, &again), 0);
    ck_assert_mem_eq(&ledger, &again, sizeof ledger);
    ck_assert_int_ne(duty_decode(bytes, sizeof bytes - 1, &again), 0);
    for (size_t i = 0; i < sizeof bytes; i++) {
        bytes[i] ^= 1;
        ck_assert_int_ne(duty_decode(bytes, sizeof bytes, &again), 0);
        bytes[i] ^= 1;
    }
}
END_TEST

START_TEST(bands_are_apart)
{
    struct duty_ledger ledger;
    int64_t left;

    duty_begin(&ledger, 0, true);
    for (uint32_t band = 1; band <= DUTY_BANDS; band++)
        ck_assert(duty_spend(&ledger, band * 1000, 1000000 * band, 7200));
    ck_assert(!duty_spend(&ledger, 99000, 1, 7200));
    duty_permits(&ledger, 3000, PPM, 0, 7300, &left);
    ck_assert_int_eq(left, 33000000);
    duty_permits(&ledger, 3000, PPM, 0, 7200 + 3600 + 60, &left);
    ck_assert_int_eq(left, 36000000);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("duty");
    TCase *tests = tcase_create("duty");
    tcase_set_timeout(tests, 60);
    tcase_add_loop_test(tests, never_exceeded, 0, 4);
    tcase_add_test(tests, a_new_ledger_permits_nothing_for_an_hour);
    tcase_add_test(tests, damaged_bytes_are_refused);
    tcase_add_test(tests, bands_are_apart);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
