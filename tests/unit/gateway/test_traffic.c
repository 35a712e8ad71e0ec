/*
 * Measured load and loss against a channel that is simulated here, with its own book of what was sent, collided
 * and came through; and against the prediction that edgerow check makes from the number of stations.
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>

#include "gateway/region/load.h"
#include "gateway/traffic.h"
#include "tests/suite.h"

#define SECOND_US INT64_C(1000000)

enum { START_S = 1790000000, INTERVAL_S = 900 };

struct sent {
    double at_s;
    uint32_t unit, fcnt;
};

struct book {
    unsigned sent, collided, loaded;
    double airtime_s;
};

static double uniform(uint64_t *state)
{
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return (double)(*state >> 11) / 9007199254740992.0;
}

static int by_time(const void *a, const void *b)
{
    double x = ((const struct sent *)a)->at_s, y = ((const struct sent *)b)->at_s;

    return (x > y) - (x < y);
}

/* A fresh delay of up to an eighth of the interval before each report, as AIR.md says. */
static struct sent *send_all(uint32_t stations, unsigned rounds, uint64_t seed)
{
    struct sent *all = calloc((size_t)stations * rounds, sizeof *all);
    uint64_t state = 88172645463325252ULL + seed;
    size_t n = 0;

    for (uint32_t s = 0; s < stations; s++) {
        double phase = INTERVAL_S * uniform(&state);

        for (unsigned round = 0; round < rounds; round++)
            all[n++] = (struct sent){round * (double)INTERVAL_S + phase +
                                         INTERVAL_S / 8.0 * uniform(&state),
                                     s, round + 1};
    }
    qsort(all, n, sizeof *all, by_time);
    return all;
}

/* What does not overlap another frame, and is not lost at random besides, is heard. */
static struct book hear_all(struct traffic *t, uint32_t stations, unsigned rounds, double airtime_s,
                            double other_loss)
{
    struct sent *all = send_all(stations, rounds, stations);
    struct {
        uint32_t fcnt;
        int64_t at_us;
    } *last = calloc(stations, sizeof *last);
    size_t n = (size_t)stations * rounds;
    struct book book = {.sent = (unsigned)n};
    uint64_t state = 99 + stations;

    for (size_t i = 0; i < n; i++) {
        bool hit = (i > 0 && all[i].at_s - all[i - 1].at_s < airtime_s) ||
                   (i + 1 < n && all[i + 1].at_s - all[i].at_s < airtime_s);
        int64_t at_us = START_S * SECOND_US + (int64_t)(all[i].at_s * 1e6);
        uint32_t u = all[i].unit;
        struct traffic_frame frame = {all[i].fcnt, last[u].fcnt, last[u].fcnt != 0, false,
                                      last[u].at_us};

        book.collided += hit;
        if (hit || uniform(&state) < other_loss)
            continue;
        traffic_packet(t, 0, (uint32_t)(airtime_s * 1e6), at_us);
        traffic_heard(t, 0, &frame, at_us);
        last[u].fcnt = all[i].fcnt;
        last[u].at_us = at_us;
        book.airtime_s += airtime_s;
    }
    free(all);
    free(last);
    return book;
}

static double predicted_percent(const struct air_modulation *m, uint8_t bytes, uint32_t stations)
{
    struct load_channel c = {*m, bytes, stations, INTERVAL_S};
    struct load_result r;
    char text[LOAD_TEXT];

    load_check(&c, &r, text);
    return 100 * r.loss;
}

/* Two points, from 50 to 1,000 stations; at the last end of a six-hour window. */
START_TEST(measured_agrees_with_predicted)
{
    static const struct {
        uint32_t khz;
        uint8_t sf;
        uint32_t stations;
    } channels[] = {{500, 7, 50},   {500, 7, 300}, {500, 7, 1000}, {500, 8, 1000},
                    {500, 9, 1000}, {125, 7, 300}, {125, 9, 50},   {125, 9, 300}};
    static struct traffic t;

    for (size_t i = 0; i < sizeof channels / sizeof channels[0]; i++) {
        struct air_modulation m = {channels[i].khz * 1000, channels[i].sf, 1, 8, true, false};
        double airtime_s = air_time_us(&m, 41) / 1e6;
        struct feed_radio_health h = {0};
        struct book book;
        double predicted = predicted_percent(&m, 41, channels[i].stations);
        double lost, load;

        traffic_begin(&t);
        book = hear_all(&t, channels[i].stations, 24, airtime_s, 0);
        traffic_report(&t, 0, channels[i].stations, (START_S + 6 * 3600) * SECOND_US, &h);
        lost = 100.0 * book.collided / book.sent;
        load = 100.0 * book.airtime_s / (6 * 3600);
        printf("%u stations, SF%u/%u kHz: sent %u, collided %.2f %%; measured %.2f %%, expected "
               "%.2f %%, "
               "predicted %.2f %%; load %.3f %%\n",
               channels[i].stations, channels[i].sf, channels[i].khz, book.sent, lost,
               (h.loss_ppm / 1e4), (h.expected_loss_ppm / 1e4), predicted, (h.load_ppm / 1e4));
        ck_assert_double_eq_tol((h.loss_ppm / 1e4), lost, 2);
        ck_assert_double_eq_tol((h.loss_ppm / 1e4), predicted, 2);
        ck_assert_double_eq_tol((h.expected_loss_ppm / 1e4), predicted, 2);
        ck_assert_double_eq_tol((h.load_ppm / 1e4), load, load / 20 + 0.01);
    }
}
END_TEST

/* Stations behind a hill lose more than collisions explain: the two figures part. */
START_TEST(distance_is_told_from_collision)
{
    struct air_modulation m = {500000, 7, 1, 8, true, false};
    struct feed_radio_health h = {0};
    static struct traffic t;

    traffic_begin(&t);
    hear_all(&t, 300, 24, air_time_us(&m, 41) / 1e6, 0.2);
    traffic_report(&t, 0, 300, (START_S + 6 * 3600) * SECOND_US, &h);
    ck_assert_double_eq_tol((h.loss_ppm / 1e4), 21, 2);
    ck_assert_double_lt((h.expected_loss_ppm / 1e4), 3);
}
END_TEST

static void frame(struct traffic *t, uint32_t fcnt, uint32_t previous, bool restarted, int64_t at_s)
{
    struct traffic_frame f = {fcnt, previous, true, restarted, (at_s - INTERVAL_S) * SECOND_US};

    traffic_packet(t, 0, 20000, at_s * SECOND_US);
    traffic_heard(t, 0, &f, at_s * SECOND_US);
}

/* A counter that jumped is no loss; a frame that came late was none. */
START_TEST(jumps_are_no_loss)
{
    struct feed_radio_health h = {0};
    static struct traffic t;

    traffic_begin(&t);
    frame(&t, 5, 2, false, START_S);       /* 3 and 4 are missing */
    frame(&t, 4, 5, false, START_S + 1);   /* no: 4 came late */
    frame(&t, 900, 5, false, START_S + 2); /* resumed at its ceiling */
    frame(&t, 930, 900, true, START_S + 3);
    traffic_report(&t, 0, 1, (START_S + 100) * SECOND_US, &h);
    ck_assert_uint_eq(h.heard, 4);
    ck_assert_uint_eq(h.missed, 1);
    ck_assert((h.loss_ppm == -1)); /* too few to say */
    ck_assert(!(h.load_ppm == -1));
}
END_TEST

START_TEST(old_slices_are_forgotten)
{
    struct feed_radio_health h = {0};
    static struct traffic t;

    traffic_begin(&t);
    for (int i = 0; i < 100; i++)
        frame(&t, 10 + 2 * (uint32_t)i, 8 + 2 * (uint32_t)i, false, START_S + i);
    traffic_report(&t, 0, 1, (START_S + 3600) * SECOND_US, &h);
    ck_assert_uint_eq(h.heard, 100);
    ck_assert_uint_eq(h.missed, 100);
    ck_assert_double_eq_tol((h.loss_ppm / 1e4), 50, 0.01);
    ck_assert_uint_eq(h.window_s, 3600);
    traffic_report(&t, 0, 1, (START_S + 7 * 3600) * SECOND_US, &h);
    ck_assert_uint_eq(h.heard, 0);
    ck_assert_uint_le(h.window_s, TRAFFIC_WINDOW_S);
    ck_assert_double_eq((h.load_ppm / 1e4), 0);
    ck_assert((h.loss_ppm == -1));
    traffic_report(&t, 1, 1, START_S * SECOND_US, &h); /* another radio, nothing yet */
    ck_assert((h.load_ppm == -1));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("traffic");
    TCase *tests = tcase_create("traffic");
    tcase_add_test(tests, measured_agrees_with_predicted);
    tcase_add_test(tests, distance_is_told_from_collision);
    tcase_add_test(tests, jumps_are_no_loss);
    tcase_add_test(tests, old_slices_are_forgotten);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
