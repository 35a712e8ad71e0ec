/*
 * A day of stations that all want answers, through the core that decides and the ledger on the disk, with
 * kills, restarts and lost ledgers: the share of the air that the law permits is never exceeded in any hour.
 * The account of the test is its own: every transmission with its start and end, time on air by the formula of
 * the SX1276 datasheet, section 4.1.1.7, in floating point, and a sliding hour over all of them.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "gateway/answer/answer.h"
#include "gateway/region/duty_file.h"
#include "tests/suite.h"

enum { UNITS = 100, START = 1793000000, DAY = 86400, SENDINGS = 60000 };
enum { LIMIT_PPM = 10000 }; /* 1 %: EN 300 220-2 V3.2.1 table B.1, band M (868.0 to 868.6 MHz) */

struct sending {
    double from_s, until_s;
};

static struct sending sendings[SENDINGS];
static size_t count;
static uint64_t dice_state = 20260801;

static double dice(void)
{
    dice_state = dice_state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (double)(dice_state >> 11) / 9007199254740992.0;
}

/* Seconds; SF12 at 125 kHz, low data rate optimisation on, explicit header, no CRC, 4/5. */
static double airtime_s(size_t bytes)
{
    double symbol = 4096.0 / 125000.0;
    double n = ceil((8.0 * (double)bytes - 4 * 12 + 28) / (4 * (12 - 2))) * 5;
    return (8 + 4.25 + 8 + fmax(n, 0)) * symbol;
}

static double worst_hour(void)
{
    double worst = 0, sum = 0;
    size_t first = 0;
    for (size_t i = 0; i < count;
         i++) { /* windows that end with a transmission's end are the worst */
        sum += sendings[i].until_s - sendings[i].from_s;
        while (sendings[first].until_s <= sendings[i].until_s - 3600) {
            sum -= sendings[first].until_s - sendings[first].from_s;
            first++;
        }
        double cut = sendings[i].until_s - 3600 - sendings[first].from_s;
        double inside = sum - (cut > 0 ? cut : 0);
        worst = inside > worst ? inside : worst;
    }
    return worst;
}

static struct speech *new_speech(struct verify_table *table, uint32_t first)
{
    struct speech *speech;
    ck_assert_int_eq(speech_new(table, &speech), 0);
    for (uint32_t i = 0; i < UNITS; i++) {
        struct speech_unit *unit = speech_at(speech, i);
        struct feed_lease lease = {.devaddr = unit->devaddr,
                                   .key_check = unit->key_check,
                                   .term = 1,
                                   .gateway = "barn",
                                   .first = first,
                                   .count = 60000,
                                   .until_ms = (START + 2 * DAY) * INT64_C(1000)};
        speech_lease(speech, "barn", "", &lease, START, START * INT64_C(1000000) - 1);
        unit->unkept = false;
    }
    return speech;
}

static struct verify_table *new_table(void)
{
    static struct verify_secret secrets[UNITS];
    struct verify_table *table;
    for (uint32_t i = 0; i < UNITS; i++)
        secrets[i] = (struct verify_secret){.devaddr = i + 1, .nwk_skey = {1}, .app_skey = {2}};
    ck_assert_int_eq(verify_table_new(secrets, UNITS, &table), 0);
    return table;
}

static void set_roads(struct answer *answer)
{
    char text[REGION_TEXT];
    struct region_use uplink = {.country = "DE",
                                .frequency_hz = 868300000,
                                .bandwidth_hz = 125000,
                                .spreading_factor = 12,
                                .coding_rate = 1,
                                .power_cdbm = 1400};
    for (unsigned i = 0; i < 2; i++)
        answer_road_set(&answer->roads[i], &uplink, (1 + 4 * i) * 1000000, text);
    ck_assert_msg(answer->roads[0].may, "%s", text);
    ck_assert_uint_eq(answer->roads[0].duty_ppm, LIMIT_PPM);
}

/* As the sliding hour wants them. */
static void sort_by_end(void)
{
    for (size_t i = 1; i < count; i++)
        for (size_t j = i; j > 0 && sendings[j].until_s < sendings[j - 1].until_s; j--) {
            struct sending swap = sendings[j];
            sendings[j] = sendings[j - 1];
            sendings[j - 1] = swap;
        }
}

START_TEST(a_day_with_restarts)
{
    char folder[] = "/tmp/edgerow-day-XXXXXX", path[64];
    struct verify_table *table = new_table();
    struct speech *speech = new_speech(table, 0);
    static struct answer answer;
    unsigned restarts = 0, refused = 0, lost = 0;
    uint32_t frame = 0;
    memset(&answer, 0, sizeof answer);
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/duty", folder);
    set_roads(&answer);
    duty_file_load(path, START, true, &answer.ledger);
    count = 0;
    for (double t = START; t < START + DAY; t += -log(1 - dice()) * 2.0) {
        struct answer_question q = {.devaddr = 1 + (uint32_t)(dice() * UNITS),
                                    .fcnt = ++frame,
                                    .confirmed = true,
                                    .radio = (unsigned)(dice() * 2),
                                    .end_us = (int64_t)(t * 1e6),
                                    .lease_us = (int64_t)(t * 1e6),
                                    .timed = true,
                                    .now_s = (int64_t)t,
                                    .ledger_s = (int64_t)t};
        struct answer_plan plan;
        uint32_t fcnt;
        if (dice() < 0.002) { /* killed, and started again; now and then the ledger is lost */
            if (dice() < 0.05) {
                (void)unlink(path);
                lost++;
            }
            t += dice() * 120;
            speech_free(speech);
            speech = new_speech(table, ++restarts * 60000);
            memset(answer.spans, 0, sizeof answer.spans);
            duty_file_load(path, (int64_t)t, true, &answer.ledger);
            continue;
        }
        enum answer_verdict verdict = answer_decide(&answer, speech, &q, &plan);
        refused += verdict == ANSWER_NO_DUTY;
        if (verdict != ANSWER_SEND)
            continue;
        ck_assert(answer_enter(&answer, &q, &plan, &fcnt));
        ck_assert_int_eq(duty_file_save(path, &answer.ledger), 0);
        ck_assert_uint_lt(count, SENDINGS);
        /* a kill right here would send less, never more */
        double from = (double)plan.due_us / 1e6;
        sendings[count++] = (struct sending){from, from + airtime_s(12)};
    }
    sort_by_end();
    for (size_t i = 1; i < count; i++)
        ck_assert_msg(sendings[i].from_s > sendings[i - 1].until_s, "two at once");
    double worst = worst_hour();
    printf("answers wanted %u, sent %zu, not sent for the duty cycle %u; restarts %u, ledgers lost "
           "%u; worst "
           "hour %.3f s of %.0f s\n",
           frame, count, refused, restarts, lost, worst, LIMIT_PPM * 3600 / 1e6);
    ck_assert_double_le(worst, LIMIT_PPM * 3600 / 1e6);
    ck_assert_double_gt(worst, 0.8 * LIMIT_PPM * 3600 / 1e6); /* it was under pressure */
    ck_assert_uint_gt(restarts, 50);
    ck_assert_uint_gt(lost, 0);
    speech_free(speech);
    verify_table_free(table);
    (void)unlink(path);
    ck_assert_int_eq(rmdir(folder), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("answer day");
    TCase *all = tcase_create("all");
    tcase_set_timeout(all, 60);
    tcase_add_test(all, a_day_with_restarts);
    suite_add_tcase(suite, all);
    return suite_run(suite);
}
