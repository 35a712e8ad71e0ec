/* Settings against the rules. Limits are those of the documents named beside each check. */
#include <check.h>
#include <string.h>

#include "gateway/region/region.h"
#include "tests/suite.h"

static enum region_verdict ask(const char *country, double mhz, uint32_t khz, uint8_t sf,
                               double dbm, double dbi, char text[REGION_TEXT])
{
    struct region_use use = {.country = country,
                             .frequency_hz = (uint32_t)(mhz * 1e6 + 0.5),
                             .bandwidth_hz = khz * 1000,
                             .spreading_factor = sf,
                             .coding_rate = 1,
                             .longest = 41,
                             .power_cdbm = (int32_t)(dbm * 100),
                             .antenna_cdbi = (int32_t)(dbi * 100)};
    const struct region_band *band = NULL;
    enum region_verdict verdict = region_check(&use, &band, text);

    ck_assert_ptr_nonnull(strstr(text, "licensed person"));
    ck_assert((verdict == REGION_LAWFUL) == (band != NULL));
    return verdict;
}

/* 47 CFR 15.247 (a)(2): 500 kHz at least; (b)(3): 1 W; (b)(4): dB for dB above 6 dBi; (e): 8 dBm in 3 kHz. */
START_TEST(united_states)
{
    char text[REGION_TEXT];

    ck_assert_int_eq(ask("US", 915.0, 125, 7, 14, 2, text), REGION_REFUSED);
    ck_assert_ptr_nonnull(strstr(text, "15.247"));
    ck_assert_ptr_nonnull(strstr(text, "500000"));
    ck_assert_ptr_nonnull(strstr(text, "certified"));
    ck_assert_int_eq(ask("US", 915.0, 500, 8, 14, 2, text), REGION_LAWFUL);
    ck_assert_int_eq(ask("us", 915.0, 500, 8, 30, 6, text), REGION_LAWFUL);
    ck_assert_int_eq(ask("US", 915.0, 500, 8, 31, 6, text), REGION_REFUSED);
    ck_assert_ptr_nonnull(strstr(text, "power_dbm = 30"));
    ck_assert_int_eq(ask("US", 915.0, 500, 8, 28, 9, text), REGION_REFUSED);
    ck_assert_ptr_nonnull(strstr(text, "power_dbm = 27"));
    ck_assert_int_eq(ask("US", 868.1, 500, 8, 14, 2, text), REGION_REFUSED);
    ck_assert_ptr_nonnull(strstr(text, "902.000 to 928.000"));
    ck_assert_int_eq(ask("US", 902.1, 500, 8, 14, 2, text),
                     REGION_REFUSED); /* its edge lies outside */
}
END_TEST

/* EN 300 220-2: 25 mW e.r.p. is 14 dBm into a dipole (2.15 dBi); 500 mW at 869.4 to 869.65 MHz. */
START_TEST(europe)
{
    char text[REGION_TEXT];

    ck_assert_int_eq(ask("FR", 868.1, 125, 7, 13, 2.15, text), REGION_LAWFUL);
    ck_assert_ptr_nonnull(strstr(text, "36.0 s"));
    ck_assert_int_eq(ask("FR", 868.1, 125, 7, 14, 5.15, text), REGION_REFUSED);
    ck_assert_ptr_nonnull(strstr(text, "power_dbm = 10"));
    ck_assert_int_eq(ask("IT", 869.525, 125, 7, 26, 2.15, text), REGION_LAWFUL);
    ck_assert_ptr_nonnull(strstr(text, "360.0 s"));
    ck_assert_int_eq(ask("ES", 868.65, 125, 7, 10, 0, text), REGION_REFUSED); /* alarms only */
    ck_assert_int_eq(ask("ES", 869.3, 125, 7, 10, 0, text), REGION_REFUSED);
    ck_assert_int_eq(ask("DE", 868.1, 500, 7, 10, 0, text),
                     REGION_REFUSED); /* out of 868.0 to 868.6 */
    ck_assert_int_eq(ask("DE", 868.3, 500, 7, 10, 0, text), REGION_LAWFUL);
    ck_assert_int_eq(ask("DE", 915.0, 125, 7, 10, 0, text), REGION_REFUSED);
    ck_assert_int_eq(ask("AT", 863.5, 125, 7, 10, 0, text), REGION_LAWFUL);
    ck_assert_ptr_nonnull(strstr(text, "3.6 s"));
}
END_TEST

START_TEST(unknown_country_receives_only)
{
    char text[REGION_TEXT];

    ck_assert_int_eq(ask("", 915.0, 125, 7, 14, 2, text), REGION_RECEIVE_ONLY);
    ck_assert_ptr_nonnull(strstr(text, "country"));
    ck_assert_int_eq(ask(NULL, 915.0, 125, 7, 14, 2, text), REGION_RECEIVE_ONLY);
    ck_assert_int_eq(ask("ZZ", 915.0, 125, 7, 14, 2, text), REGION_RECEIVE_ONLY);
    ck_assert_ptr_nonnull(strstr(text, "ZZ"));
    ck_assert_int_eq(ask("JP", 923.2, 125, 7, 13, 2, text), REGION_REFUSED);
    ck_assert_ptr_nonnull(strstr(text, "listens before it talks"));
}
END_TEST

/* Nobody sends by a line that was written from memory. */
START_TEST(rule_from_memory_receives_only)
{
    static const struct {
        const char *country;
        double mhz;
        uint32_t khz;
    } places[] = {{"CA", 915.0, 500}, {"AU", 917.5, 500}, {"DE", 866.0, 125}, {"FR", 869.85, 125}};
    char text[REGION_TEXT];

    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        uint32_t hz = (uint32_t)(places[i].mhz * 1e6);

        ck_assert_int_eq(ask(places[i].country, places[i].mhz, places[i].khz, 7, 5, 0, text),
                         REGION_RECEIVE_ONLY);
        ck_assert_ptr_nonnull(strstr(text, "only receives"));
        ck_assert_ptr_null(region_band_of(places[i].country, hz, places[i].khz * 1000));
    }
    ck_assert_ptr_nonnull(region_band_of("DE", 868100000, 125000));
    ck_assert_int_eq(ask("DE", 915.0, 125, 7, 10, 0, text), REGION_REFUSED);
    ck_assert_ptr_null(strstr(text, "869.700")); /* nor is it offered */
}
END_TEST

/* Regional parameters of the link layer: 923.3 + 0.6 n MHz. */
START_TEST(rx1_of_stock_stacks)
{
    struct region_channel us = {904600000, 500000, 8}, au = {917500000, 500000, 8};
    struct region_channel own = {915000000, 500000, 7}, odd = {904600000, 500000, 9};
    struct region_channel down;

    down = region_rx1("US", &us);
    ck_assert_uint_eq(down.frequency_hz, 923900000);
    ck_assert_uint_eq(down.spreading_factor, 7);
    down = region_rx1("AU", &au);
    ck_assert_uint_eq(down.frequency_hz, 923900000);
    down = region_rx1("US", &own);
    ck_assert_uint_eq(down.frequency_hz, 915000000);
    down = region_rx1("US", &odd);
    ck_assert_uint_eq(down.spreading_factor, 9);
    down = region_rx1("FR", &us);
    ck_assert_uint_eq(down.frequency_hz, 904600000);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("region");
    TCase *tests = tcase_create("region");
    tcase_add_test(tests, united_states);
    tcase_add_test(tests, europe);
    tcase_add_test(tests, unknown_country_receives_only);
    tcase_add_test(tests, rule_from_memory_receives_only);
    tcase_add_test(tests, rx1_of_stock_stacks);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
