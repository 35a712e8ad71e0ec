/* The predicted loss against published figures and against a simulation of stations that keep the rules of
 * the air: a tick every interval, and before every report a fresh delay of up to an eighth of it, 120 s at
 * most. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "gateway/region/load.h"
#include "tests/suite.h"

static struct load_result predict(uint32_t khz, uint8_t sf, uint8_t bytes, uint32_t stations)
{
    struct load_channel c = {.modulation = {khz * 1000, sf, 1, 8, true, false},
                             .frame_bytes = bytes,
                             .stations = stations,
                             .interval_s = 900};
    struct load_result r;
    char text[LOAD_TEXT];

    load_check(&c, &r, text);
    return r;
}

/* P(no overlap) = exp(-2 (N - 1) T / 900) for 48 stations and 20 bytes at 125 kHz: computed with an
 * independent tool from the time on air of the SX1276 datasheet. */
START_TEST(published_figures)
{
    ck_assert_double_eq_tol(1 - predict(125, 7, 20, 48).loss, 0.9941, 0.0001);
    ck_assert_double_eq_tol(1 - predict(125, 10, 20, 48).loss, 0.9620, 0.0001);
    ck_assert_double_eq_tol(1 - predict(125, 12, 20, 48).loss, 0.8713, 0.0001);
    ck_assert_double_eq_tol(1 - predict(500, 7, 37, 300).loss, 0.986, 0.001);
    ck_assert_double_eq_tol(1 - predict(500, 7, 37, 1000).loss, 0.955, 0.001);
    ck_assert_double_eq_tol(1 - predict(125, 9, 37, 300).loss, 0.837, 0.001);
    ck_assert_double_eq_tol(1 - predict(125, 9, 37, 1000).loss, 0.552, 0.001);
}
END_TEST

static double uniform(uint64_t *state)
{
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return (double)(*state >> 11) / 9007199254740992.0;
}

static int by_start(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

/* Share of frames that overlap another one, over `rounds` intervals. */
static double simulate(uint32_t stations, double airtime_s, unsigned rounds)
{
    double *starts = calloc((size_t)stations * rounds, sizeof *starts);
    double *phase = calloc(stations, sizeof *phase);
    uint64_t state = 88172645463325252ULL + stations;
    size_t n = 0, lost = 0;

    for (uint32_t s = 0; s < stations; s++)
        phase[s] = 900.0 * uniform(&state);
    for (unsigned round = 0; round < rounds; round++)
        for (uint32_t s = 0; s < stations; s++)
            starts[n++] = 900.0 * round + phase[s] + 112.5 * uniform(&state);
    qsort(starts, n, sizeof *starts, by_start);
    for (size_t i = 0; i < n; i++)
        lost += (i > 0 && starts[i] - starts[i - 1] < airtime_s) ||
                (i + 1 < n && starts[i + 1] - starts[i] < airtime_s);
    free(starts);
    free(phase);
    return (double)lost / (double)n;
}

/* Two points, from 50 to 1,000 stations. */
START_TEST(prediction_agrees_with_simulation)
{
    static const struct {
        uint32_t khz;
        uint8_t sf;
    } channels[] = {{500, 7}, {500, 9}, {125, 7}, {125, 9}, {125, 10}};
    static const uint32_t stations[] = {50, 100, 200, 300, 500, 700, 1000};

    for (size_t c = 0; c < 5; c++)
        for (size_t s = 0; s < 7; s++) {
            struct load_result r = predict(channels[c].khz, channels[c].sf, 41, stations[s]);
            double simulated = simulate(stations[s], r.airtime_us / 1e6, 400);

            ck_assert_msg(fabs(simulated - r.loss) < 0.02,
                          "%u kHz SF%u %u stations: %.4f, simulated %.4f", channels[c].khz,
                          channels[c].sf, stations[s], r.loss, simulated);
        }
}
END_TEST

START_TEST(warns_and_refuses)
{
    struct load_channel c = {
        .modulation = {125000, 9, 1, 8, true, false}, .frame_bytes = 37, .interval_s = 900};
    struct load_result r;
    char text[LOAD_TEXT];

    c.stations = 100;
    ck_assert_int_eq(load_check(&c, &r, text), LOAD_FINE);
    c.stations = r.most_stations;
    ck_assert_int_eq(load_check(&c, &r, text), LOAD_FINE);
    c.stations = r.most_stations + 1;
    ck_assert_int_eq(load_check(&c, &r, text), LOAD_WARN);
    ck_assert_ptr_nonnull(strstr(text, "second radio"));
    c.stations = 1000;
    ck_assert_int_eq(load_check(&c, &r, text), LOAD_REFUSED);
    ck_assert_ptr_nonnull(strstr(text, "too much"));
    c.stations = 0;
    ck_assert_int_eq(load_check(&c, &r, text), LOAD_FINE);
    ck_assert(r.loss == 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("load");
    TCase *tests = tcase_create("load");
    tcase_set_timeout(tests, 60);
    tcase_add_test(tests, published_figures);
    tcase_add_test(tests, prediction_agrees_with_simulation);
    tcase_add_test(tests, warns_and_refuses);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
