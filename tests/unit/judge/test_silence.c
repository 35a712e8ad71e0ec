/*
 * False alarms and time to find a dead station, on losses made here: independent, and in bursts of mean 8. A season is 180
 * days of a report each 15 minutes; at most 0.02 false alarms a station and season are allowed.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/judge/silence.h"
#include "tests/suite.h"

enum { SEASON_REPORTS = 180 * 96, STATIONS = 120, INTERVAL_S = 900 };
static const double MOST_ALARMS = 0.02; /* a station and season */

static uint64_t state;

static double uniform(void)
{
    state = state * 6364136223846793005u + 1442695040888963407u;
    return (double)(state >> 11) / 9007199254740992.0;
}

/* One frame of a station in a good or bad spell; burst 1: independent. */
static bool arrives(double loss, double burst, bool *bad)
{
    if (burst <= 1)
        return uniform() >= loss;
    double leave = 1 / burst, enter = loss > 0 ? leave * loss / (1 - loss) : 0;
    *bad = *bad ? uniform() >= leave : uniform() < enter;
    return !*bad;
}

struct result {
    int alarms;
    double dead_h,
        last_h; /* until a dead station is called silent: since it died, since it was last heard */
};

/* A station dies between two reports; minutes go by until it is called silent. */
static void die(struct silence_facts *facts, long missing, struct result *result)
{
    struct silence_verdict verdict = {.silent = false};
    double died_s = uniform() * INTERVAL_S + (double)missing * INTERVAL_S;
    for (facts->listened_s = (int64_t)died_s; !verdict.silent; facts->listened_s += 60) {
        ck_assert_int_lt(facts->listened_s, 10 * 86400);
        silence_judge(facts, &verdict, NULL);
    }
    result->dead_h += ((double)facts->listened_s - 60 - died_s) / 3600;
    result->last_h += (double)(facts->listened_s - 60) / 3600;
}

/*
 * Who knew the losses exactly could say when a spell has become too long for chance: with at most so many false alarms a
 * season, and spells that begin so often and go on with that chance (geometric), no rule that looks at the time since the
 * last report is sooner. Hours since that report.
 */
static double soonest_h(double loss, double burst, double alarms)
{
    double go_on = burst <= 1 ? loss : 1 - 1 / burst;
    double enter = burst <= 1 ? loss : loss / (1 - loss) / burst;
    double begun = SEASON_REPORTS * (1 - loss) * enter, reports = 1;
    while (begun > alarms) {
        begun *= go_on;
        reports++;
    }
    return reports * INTERVAL_S / 3600;
}

static struct result season(double loss, double burst, int stations)
{
    struct result result = {0, 0, 0};
    struct silence_losses site = {0};
    for (int s = 0; s < stations; s++) {
        struct silence_losses losses = {0};
        bool bad = false, silent = false;
        long missing = 0;
        struct silence_verdict verdict;
        for (int i = 0; i < SEASON_REPORTS; i++) {
            if (arrives(loss, burst, &bad)) {
                silence_losses_note(&losses, missing);
                silence_losses_note(&site, missing);
                missing = 0;
                silent = false;
                continue;
            }
            missing++;
            struct silence_facts facts = {.losses = &losses,
                                          .site = &site,
                                          .heard_s = 1000,
                                          .interval_s = INTERVAL_S,
                                          .listened_s = (missing + 1) * INTERVAL_S,
                                          .least_s = SILENCE_LEAST_S};
            if (missing < 40)
                continue; /* below the least anyway */
            silence_judge(&facts, &verdict, NULL);
            result.alarms += verdict.silent && !silent;
            silent = verdict.silent;
        }
        struct silence_facts facts = {.losses = &losses,
                                      .site = &site,
                                      .heard_s = 1000,
                                      .interval_s = INTERVAL_S,
                                      .least_s = SILENCE_LEAST_S};
        die(&facts, missing, &result);
    }
    return result;
}

START_TEST(false_alarms_are_rare)
{
    static const double losses[] = {0, 0.1, 0.2, 0.3, 0.4};
    static const double bursts[] = {1, 8};
    state = 99;
    for (size_t b = 0; b < 2; b++)
        for (size_t i = 0; i < 5; i++) {
            struct result r = season(losses[i], bursts[b], STATIONS);
            double dead_h = r.dead_h / STATIONS, last_h = r.last_h / STATIONS;
            double soonest = soonest_h(losses[i], bursts[b], MOST_ALARMS);
            printf("losses %2.0f %%, bursts of %.0f: %.4f false alarms a station-season; a dead "
                   "station is found %.1f h "
                   "after it died, %.1f h after its last report; the soonest possible is %.1f h, "
                   "and not before 12 h "
                   "by rule\n",
                   100 * losses[i], bursts[b], (double)r.alarms / STATIONS, dead_h, last_h,
                   soonest);
            ck_assert_msg(r.alarms <= MOST_ALARMS * STATIONS, "loss %.1f burst %.0f: %d alarms",
                          losses[i], bursts[b], r.alarms);
            /* What the losses are must be learned, so that it takes longer than for who knows them. */
            ck_assert_double_le(last_h, 1.6 * fmax(12.0, soonest));
            ck_assert_double_ge(last_h, soonest);
        }
}
END_TEST

START_TEST(twelve_hours_at_least)
{
    struct silence_losses perfect = {.received = 3000};
    struct silence_facts facts = {.losses = &perfect,
                                  .heard_s = 1000,
                                  .interval_s = INTERVAL_S,
                                  .listened_s = SILENCE_LEAST_S - 1,
                                  .least_s = 3600};
    struct silence_verdict verdict;
    silence_judge(&facts, &verdict, NULL);
    ck_assert(!verdict.silent);
    ck_assert(verdict.quiet);
    facts.listened_s = SILENCE_LEAST_S + 1;
    silence_judge(&facts, &verdict, NULL);
    ck_assert(verdict.silent);
    facts.heard_s = 0; /* never heard: new, not silent */
    silence_judge(&facts, &verdict, NULL);
    ck_assert(!verdict.silent && !verdict.quiet);
}
END_TEST

START_TEST(outages_do_not_count)
{
    struct silence_gateway gateway = {0};
    for (int64_t at = 1000; at <= 11000; at += 100)
        silence_gateway_note(&gateway, at, 900);
    silence_gateway_note(&gateway, 50000, 900);
    for (int64_t at = 50000; at <= 60000; at += 100)
        silence_gateway_note(&gateway, at, 900);
    ck_assert_int_eq(silence_gateway_listened(&gateway, 1000, 60000), 20000);
    ck_assert_int_eq(silence_gateway_listened(&gateway, 11000, 50000), 0);
    ck_assert_int_eq(silence_gateway_listened(&gateway, 55000, 1000000), 5000);
    ck_assert_int_eq(silence_gateway_listened(&gateway, 0, 500), 0);
    /* Evidence that comes late takes nothing back and adds nothing. */
    silence_gateway_note(&gateway, 20000, 900);
    ck_assert_int_eq(gateway.heard_s, 60000);
    /* More outages than are kept: the oldest are forgotten, none is counted twice. */
    for (int i = 0; i < 3 * SILENCE_OUTAGES_MAX; i++)
        silence_gateway_note(&gateway, 60000 + (i + 1) * 2000, 900);
    ck_assert_int_eq(silence_gateway_listened(&gateway, gateway.heard_s - 20000, gateway.heard_s),
                     0);
}
END_TEST

/* Six minutes of every hour a gateway sends and hears nothing: a station's twenty hours are eighteen. */
START_TEST(a_deaf_radio_does_not_listen)
{
    struct silence_gateway gateway = {0};
    for (int64_t at = 720000; at <= 720000 + 72000; at += 60) {
        silence_gateway_note(&gateway, at, 900);
        silence_gateway_deaf(&gateway, at - 1, 6);
    }
    int64_t listened_s = silence_gateway_listened(&gateway, 720000, 720000 + 72000);
    ck_assert_int_le(llabs(listened_s - 64800), 6);
    ck_assert_int_le(llabs(silence_gateway_listened(&gateway, 720000 + 1800, 720000 + 3600) - 1620),
                     6);
    /* The ring's old hours are gone, and a deaf hour is no longer than an hour. */
    silence_gateway_deaf(&gateway, 720000 + 72 * 3600, 1e6);
    silence_gateway_note(&gateway, 720000 + 73 * 3600, 900000);
    ck_assert_int_eq(silence_gateway_listened(&gateway, 720000 + 72 * 3600, 720000 + 73 * 3600), 0);
    ck_assert_int_ge(silence_gateway_listened(&gateway, 720000, 720000 + 3600), 3600 - 6);
}
END_TEST

START_TEST(many_at_once_are_one_cause)
{
    int64_t from = 0, to = 0;
    int64_t together[] = {5000, 5600, 20000, 5300, 5900};
    ck_assert(silence_one_cause(together, 5, 20, &from, &to));
    ck_assert_int_eq(from, 5000);
    ck_assert_int_eq(to, 5900);
    ck_assert(!silence_one_cause(together, 5, 21, &from, &to));
    int64_t apart[] = {0, 50000, 100000, 150000, 200000};
    ck_assert(!silence_one_cause(apart, 5, 5, &from, &to));
    int64_t two[] = {1, 2};
    ck_assert(!silence_one_cause(two, 2, 2, &from, &to));
    ck_assert(!silence_one_cause(NULL, 0, 0, &from, &to));
}
END_TEST

START_TEST(a_late_report_takes_a_loss_back)
{
    struct silence_losses losses = {0};
    silence_losses_note(&losses, 3);
    silence_losses_note(&losses, -1);
    ck_assert_double_eq(losses.lost, 2);
    ck_assert_double_eq(losses.received, 2);
    silence_losses_note(&losses, 100000); /* a counter that jumped is no loss */
    ck_assert_double_eq(losses.lost, 2);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("judge_silence");
    TCase *tests = tcase_create("all");
    tcase_set_timeout(tests, 200);
    tcase_add_test(tests, false_alarms_are_rare);
    tcase_add_test(tests, twelve_hours_at_least);
    tcase_add_test(tests, outages_do_not_count);
    tcase_add_test(tests, a_deaf_radio_does_not_listen);
    tcase_add_test(tests, many_at_once_are_one_cause);
    tcase_add_test(tests, a_late_report_takes_a_loss_back);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
