/*
 * What is read from level histories, against a pretend block whose truth is known. Its traps lose bait by laws the judge
 * does not have; the seeds are fixed.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/judge/bait.h"
#include "collector/judge/drift.h"
#include "collector/judge/robust.h"
#include "collector/judge/weather.h"
#include "pretend.h"
#include "tests/suite.h"

enum { HOUR_S = 3600, AHEAD_HOURS = 72, MORNING = 6, FIRST_DAY = 14, LAST_DAY = PRETEND_DAYS - 5 };

static struct pretend world;

/* What judging keeps of the block from day to day. */
static struct {
    int from;
    float temperature[LEVEL_HOURS], rain[LEVEL_HOURS], demand[LEVEL_HOURS], factors[LEVEL_DAYS];
    double outlook[LEVEL_DAYS];
    struct level_block shared;
    struct level_trace traces[PRETEND_TRAPS];
} block;

struct score {
    double squares, straight_squares;
    int forecasts, straight, inside, dated;
    int refills, refills_found, spills, spills_found, invented;
    int visits, visits_missed;
};

static bool visited_near(const struct pretend_trap *trap, int64_t at_s)
{
    for (int i = 0; i < trap->visit_count; i++)
        if (llabs(trap->visits[i].at_s - at_s) < 2 * HOUR_S)
            return true;
    return false;
}

static void see_weather(int hours)
{
    double changes[PRETEND_TRAPS];
    memcpy(block.temperature, world.temperature_c + block.from, (size_t)hours * sizeof(float));
    block.rain[0] = 0;
    for (int h = 1; h < hours; h++) {
        size_t count = 0;
        for (int i = 0; i < PRETEND_TRAPS; i++) {
            const struct level_hour *hour = &world.traps[i].hours[block.from + h];
            if (!visited_near(&world.traps[i], (world.first_hour + block.from + h) * HOUR_S))
                changes[count++] = (hour->level_8mm - hour[-1].level_8mm) / 8.0;
        }
        block.rain[h] = (float)weather_rain_mm(changes, count);
    }
}

static void learn_traps(int hours)
{
    int64_t first = world.first_hour + block.from;
    for (int i = 0; i < PRETEND_TRAPS; i++) {
        const struct pretend_trap *trap = &world.traps[i];
        struct level_visit visits[64];
        size_t count = 0;
        for (int k = 0; k < trap->visit_count; k++)
            if (trap->visits[k].at_s >= first * HOUR_S &&
                trap->visits[k].at_s < (first + hours) * HOUR_S)
                visits[count++] = trap->visits[k];
        struct level_facts facts = {.first_hour = first,
                                    .hour_count = (size_t)hours,
                                    .hours = trap->hours + block.from,
                                    .visits = visits,
                                    .visit_count = count,
                                    .full_mm = 90,
                                    .low_mm = 40,
                                    .block = &block.shared};
        level_learn(&facts, &block.traces[i]);
    }
}

static void learn_block(void)
{
    static float ratios[PRETEND_TRAPS * LEVEL_DAYS], noises[PRETEND_TRAPS * LEVEL_DAYS];
    static double work[PRETEND_TRAPS * LEVEL_DAYS];
    double rates[PRETEND_TRAPS];
    size_t count = 0;
    for (int i = 0; i < PRETEND_TRAPS; i++) {
        memcpy(ratios + i * LEVEL_DAYS, block.traces[i].day_ratio, LEVEL_DAYS * sizeof(float));
        if (block.traces[i].own_days >= 1)
            rates[count++] = block.traces[i].own_rate;
    }
    block.shared.rate = robust_median(rates, count);
    block.shared.rate_spread = robust_deviation(rates, count);
    block.shared.lost_mm_day = block.shared.rate * block.shared.demand_mm_day;
    drift_learn(ratios, PRETEND_TRAPS, LEVEL_DAYS, block.factors, work);
    for (int lead = 0; lead < LEVEL_LEADS; lead++) {
        for (int i = 0; i < PRETEND_TRAPS; i++) {
            const struct level_trace *trace = &block.traces[i];
            memcpy(ratios + i * LEVEL_DAYS, trace->ahead_ratio[lead], LEVEL_DAYS * sizeof(float));
            memcpy(noises + i * LEVEL_DAYS, trace->ahead_noise[lead], LEVEL_DAYS * sizeof(float));
        }
        block.shared.ahead_spread[lead] =
            drift_spread(level_lead_days[lead], ratios, noises, PRETEND_TRAPS, LEVEL_DAYS, work);
    }
}

static void learn(int end)
{
    int from = end > LEVEL_HOURS ? (end - LEVEL_HOURS + 23) / 24 * 24 : 0;
    int days = (from - block.from) / 24, hours = end - from;
    for (int d = 0; d + days < LEVEL_DAYS && days > 0; d++)
        block.factors[d] = block.factors[d + days];
    block.from = from;
    block.shared.demand_mm = block.demand;
    block.shared.rain_mm = block.rain;
    see_weather(hours);
    struct drift_outlook outlook;
    struct weather_hours known = {world.first_hour + from, (size_t)hours, block.temperature, NULL};
    weather_demand((struct weather_place){46.2, 0}, LAW_HARGREAVES, &known, block.demand);
    drift_apply(block.factors, (size_t)hours, block.demand);
    drift_expect(block.demand, (size_t)hours, &outlook);
    block.shared.demand_mm_day = outlook.mm_day;
    block.shared.demand_spread = outlook.spread;
    for (int day = 0; day < LEVEL_DAYS; day++) {
        int until = day * 24 + (hours + 23) % 24 + 1;
        drift_expect(block.demand, (size_t)(until < hours ? until : hours), &outlook);
        block.outlook[day] = outlook.mm_day;
    }
    block.shared.outlook_mm_day = block.outlook;
    learn_traps(hours);
    learn_block();
}

/* Nothing happens to the trap from one hour to another but loss. */
static bool undisturbed(const struct pretend_trap *trap, int from, int to)
{
    for (int h = from; h < to; h++)
        if (world.rain_mm[h] > 0)
            return false;
    int64_t from_s = (world.first_hour + from) * HOUR_S, to_s = (world.first_hour + to) * HOUR_S;
    for (int i = 0; i < trap->fresh_count; i++)
        if (trap->fresh_s[i] >= from_s && trap->fresh_s[i] < to_s)
            return false;
    return trap->spill_s < from_s || trap->spill_s >= to_s;
}

/* The forecast of three days from this morning, and whether the interval of its date holds the truth: the mark is put
 * where the level will be in three days. */
static void score_forecast(struct score *score, int i, int end)
{
    const struct pretend_trap *trap = &world.traps[i];
    const struct level_trace *trace = &block.traces[i];
    if (!undisturbed(trap, end, end + AHEAD_HOURS) || isnan(trace->rate) || trace->foam)
        return;
    double truth = trap->truth_mm[end + AHEAD_HOURS - 1];
    double forecast = trace->level_mm - trace->rate * block.shared.demand_mm_day * 3;
    score->squares += (forecast - truth) * (forecast - truth);
    score->forecasts++;
    if (undisturbed(trap, end - AHEAD_HOURS, end)) {
        double now = trap->truth_mm[end - 1],
               line = 2 * now - trap->truth_mm[end - 1 - AHEAD_HOURS];
        score->straight_squares += (line - truth) * (line - truth);
        score->straight++;
    }
    int64_t now_s = (world.first_hour + end) * HOUR_S;
    struct bait_limits limits = {
        .full_mm = 90, .low_mm = truth, .age_days = 90, .insects = 1e9, .due_ahead_days = 1};
    struct bait_facts facts = {.trace = trace,
                               .block = &block.shared,
                               .heard_s = now_s,
                               .level_mm = trace->level_mm,
                               .battery_mv = 3000,
                               .net_since_emptied = 0,
                               .net_per_day = NAN};
    struct bait_verdict verdict;
    bait_judge(&limits, &facts, now_s, &verdict, NULL);
    if (verdict.reason != FEED_REASON_LOW_LEVEL)
        return;
    int64_t crossing_s = now_s + AHEAD_HOURS * HOUR_S;
    score->dated++;
    score->inside += verdict.from_s <= crossing_s && crossing_s <= verdict.until_s;
}

static bool event_near(const struct level_trace *trace, enum level_event_kind kind, int64_t at_s)
{
    for (size_t i = 0; i < trace->event_count; i++)
        if (trace->events[i].kind == kind && llabs(trace->events[i].at_s - at_s) < 3 * HOUR_S)
            return true;
    return false;
}

static bool really_happened(const struct pretend_trap *trap, const struct level_event *event)
{
    if (event->kind != LEVEL_EVENT_RISE && event->kind != LEVEL_EVENT_SPILL)
        return true;
    for (int i = 0; i < trap->unrecorded_count; i++)
        if (llabs(trap->unrecorded_s[i] - event->at_s) < 3 * HOUR_S)
            return true;
    return trap->spill_s != 0 && llabs(trap->spill_s - event->at_s) < 3 * HOUR_S;
}

static void score_events(struct score *score, int i, int end)
{
    const struct pretend_trap *trap = &world.traps[i];
    const struct level_trace *trace = &block.traces[i];
    int64_t from_s = (world.first_hour + block.from + 12) * HOUR_S;
    int64_t to_s = (world.first_hour + end - 6) * HOUR_S;
    for (int k = 0; k < trap->unrecorded_count; k++) {
        if (trap->unrecorded_s[k] < from_s || trap->unrecorded_s[k] > to_s ||
            trap->unrecorded_mm[k] < 3)
            continue;
        score->refills++;
        score->refills_found += event_near(trace, LEVEL_EVENT_RISE, trap->unrecorded_s[k]);
    }
    for (int k = 0; k < trap->visit_count; k++) {
        if (trap->visits[k].at_s < from_s || trap->visits[k].at_s > to_s)
            continue;
        score->visits++;
        score->visits_missed += !event_near(trace, LEVEL_EVENT_VISIT, trap->visits[k].at_s);
    }
    if (trap->spill_s > from_s && trap->spill_s < to_s) {
        score->spills++;
        score->spills_found += event_near(trace, LEVEL_EVENT_SPILL, trap->spill_s);
    }
    for (size_t k = 0; k < trace->event_count; k++)
        score->invented += !really_happened(trap, &trace->events[k]);
}

static struct score live(const struct pretend_plan *plan, int seeds)
{
    struct score score = {0};
    for (int seed = 1; seed <= seeds; seed++) {
        pretend_run(&world, (uint64_t)seed, plan);
        memset(&block, 0, sizeof(block));
        block.shared.rate = block.shared.rate_spread = block.shared.lost_mm_day = NAN;
        block.shared.ahead_spread[0] = block.shared.ahead_spread[1] = NAN;
        for (int d = 0; d < LEVEL_DAYS; d++)
            block.factors[d] = 1;
        for (int i = 0; i < 6; i++)
            learn(FIRST_DAY * 24 + MORNING);
        for (int day = FIRST_DAY; day < LAST_DAY; day++) {
            learn(day * 24 + MORNING);
            for (int i = 0; i < PRETEND_TRAPS; i++)
                score_forecast(&score, i, day * 24 + MORNING);
        }
        for (int i = 0; i < PRETEND_TRAPS; i++)
            score_events(&score, i, (LAST_DAY - 1) * 24 + MORNING);
    }
    return score;
}

static double root(double squares, int count)
{
    return sqrt(squares / count);
}

static void print(const char *name, const struct score *s)
{
    printf("%s: level in three days off by %.2f mm (straight line %.2f), interval holds %.1f %%, "
           "refills %d of %d, spills %d of %d, invented %d, visits missed %d of %d\n",
           name, root(s->squares, s->forecasts), root(s->straight_squares, s->straight),
           100.0 * s->inside / s->dated, s->refills_found, s->refills, s->spills_found, s->spills,
           s->invented, s->visits_missed, s->visits);
}

START_TEST(sunny_law)
{
    struct pretend_plan plan = {.unrecorded = 0.2, .least_k = 0.7, .most_k = 1.4};
    struct score s = live(&plan, 4);
    print("loss by sun", &s);
    ck_assert_int_gt(s.forecasts, 1000);
    ck_assert(root(s.squares, s.forecasts) < 1.6);
    ck_assert(s.inside > 0.7 * s.dated);
    ck_assert_int_eq(s.refills_found, s.refills);
    ck_assert_int_eq(s.visits_missed, 0);
    ck_assert_int_eq(s.invented, 0);
}
END_TEST

START_TEST(windy_law)
{
    struct pretend_plan plan = {.wind = true, .unrecorded = 0.2, .least_k = 0.7, .most_k = 1.4};
    struct score s = live(&plan, 4);
    print("loss by wind and dryness", &s);
    ck_assert(root(s.squares, s.forecasts) < 1.15 * root(s.straight_squares, s.straight) + 0.5);
    ck_assert(s.inside > 0.55 * s.dated);
    ck_assert_int_eq(s.refills_found, s.refills);
    ck_assert_int_eq(s.invented, 0);
}
END_TEST

START_TEST(showers_and_spills)
{
    struct pretend_plan plan = {.wind = true,
                                .unrecorded = 0.2,
                                .showers = true,
                                .spills = true,
                                .least_k = 0.7,
                                .most_k = 1.4};
    struct score s = live(&plan, 4);
    print("with showers and spills", &s);
    ck_assert(s.refills_found >= 0.97 * s.refills);
    ck_assert(s.spills > 20 && s.spills_found >= 0.9 * s.spills);
    ck_assert_int_le(s.invented, 2);
    ck_assert_int_eq(s.visits_missed, 0);
}
END_TEST

START_TEST(loss_below_the_noise_has_no_date)
{
    struct pretend_plan plan = {.least_k = 0.005, .most_k = 0.01};
    pretend_run(&world, 3, &plan);
    memset(&block, 0, sizeof(block));
    block.shared.rate = block.shared.rate_spread = block.shared.lost_mm_day = NAN;
    block.shared.ahead_spread[0] = block.shared.ahead_spread[1] = NAN;
    for (int d = 0; d < LEVEL_DAYS; d++)
        block.factors[d] = 1;
    learn(12 * 24 + MORNING);
    int unlimited = 0;
    for (int i = 0; i < PRETEND_TRAPS; i++)
        unlimited += block.traces[i].unlimited;
    ck_assert_int_ge(unlimited, PRETEND_TRAPS * 9 / 10);
}
END_TEST

/* A single trap, hour by hour, for the cases that need one. */
static struct level_hour hours[LEVEL_HOURS];
static float flat_demand[LEVEL_HOURS], no_rain[LEVEL_HOURS];
static struct level_block lone = {.demand_mm = flat_demand,
                                  .rain_mm = no_rain,
                                  .demand_mm_day = 4,
                                  .rate = 0.5,
                                  .rate_spread = 0.1,
                                  .lost_mm_day = 2};

static void lone_trap(size_t count, double start_mm, double mm_day)
{
    unsigned seed = 5;
    for (size_t i = 0; i < count; i++) {
        double mm = start_mm - mm_day * (double)i / 24 + (rand_r(&seed) % 5 - 2) * 0.1;
        int16_t level = (int16_t)lround(mm * 8);
        hours[i] = (struct level_hour){level, (int16_t)(level - 2), (int16_t)(level + 2), 0,
                                       LEVEL_HOUR_HEARD};
        flat_demand[i] = (float)(4 * (double)(i + 1) / 24);
        no_rain[i] = 0;
    }
}

static void lone_learn(size_t count, const struct level_visit *visits, size_t visit_count,
                       struct level_trace *trace)
{
    struct level_facts facts = {.first_hour = 500000,
                                .hour_count = count,
                                .hours = hours,
                                .visits = visits,
                                .visit_count = visit_count,
                                .full_mm = 90,
                                .low_mm = 40,
                                .block = &lone};
    level_learn(&facts, trace);
}

static void raise_from(size_t from, size_t count, int mm)
{
    for (size_t i = from; i < count; i++) {
        hours[i].level_8mm = (int16_t)(hours[i].level_8mm + 8 * mm);
        hours[i].low_8mm = (int16_t)(hours[i].low_8mm + 8 * mm);
        hours[i].high_8mm = (int16_t)(hours[i].high_8mm + 8 * mm);
    }
}

START_TEST(an_unrecorded_rise_never_renews_the_age)
{
    struct level_trace trace;
    struct level_visit visit = {(500000 + 10) * (int64_t)HOUR_S, LEVEL_REPLACED};
    lone_trap(200, 80, 2);
    raise_from(100, 200, 12);
    lone_learn(200, &visit, 1, &trace);
    ck_assert_int_eq(trace.fresh_s, visit.at_s);
    ck_assert(event_near(&trace, LEVEL_EVENT_RISE, (500000 + 100) * (int64_t)HOUR_S));
    ck_assert_double_eq_tol(trace.own_rate, 0.5, 0.05);
}
END_TEST

START_TEST(a_press_with_a_rise_renews_the_age)
{
    struct level_trace trace;
    struct level_visit press = {(500000 + 100) * (int64_t)HOUR_S + 600, LEVEL_PRESSED};
    lone_trap(200, 70, 2);
    raise_from(100, 200, 25);
    lone_learn(200, &press, 1, &trace);
    ck_assert_int_eq(trace.fresh_s, press.at_s);
    ck_assert(!event_near(&trace, LEVEL_EVENT_RISE, press.at_s));
}
END_TEST

START_TEST(a_press_without_a_refill_does_not)
{
    struct level_trace trace;
    struct level_visit press = {(500000 + 100) * (int64_t)HOUR_S + 600, LEVEL_PRESSED};
    lone_trap(200, 70, 2);
    lone_learn(200, &press, 1, &trace);
    ck_assert_int_eq(trace.fresh_s, 0);
    ck_assert_int_eq(trace.visited_s, press.at_s);
}
END_TEST

/* A person's word about the same visit governs: topped up does not renew the age. */
START_TEST(a_word_governs_the_press)
{
    struct level_trace trace;
    struct level_visit visits[] = {{(500000 + 100) * (int64_t)HOUR_S + 600, LEVEL_PRESSED},
                                   {(500000 + 106) * (int64_t)HOUR_S, LEVEL_TOPPED_UP}};
    lone_trap(200, 70, 2);
    raise_from(100, 200, 25);
    lone_learn(200, visits, 2, &trace);
    ck_assert_int_eq(trace.fresh_s, 0);
    ck_assert_int_eq(trace.visited_s, visits[0].at_s);
}
END_TEST

START_TEST(a_stuck_sensor_is_noticed)
{
    struct level_trace trace;
    lone_trap(200, 80, 2);
    for (size_t i = 100; i < 200; i++)
        hours[i].level_8mm = hours[i].low_8mm = hours[i].high_8mm = 600;
    lone_learn(200, NULL, 0, &trace);
    ck_assert(trace.stuck);
    lone_trap(200, 80, 2);
    lone_learn(200, NULL, 0, &trace);
    ck_assert(!trace.stuck);
}
END_TEST

/* Insects that drift together lift what the sensor sees by a millimetre and a half: no refill, no slower loss, and the
 * level is read without it. Without insects the same rise is left alone. */
START_TEST(a_raft_is_no_bait)
{
    for (int insects = 0; insects < 2; insects++) {
        struct level_trace trace;
        lone_trap(200, 80, 2);
        for (size_t i = 0; i < 200; i++)
            hours[i].net = (int16_t)insects;
        for (size_t i = 120; i < 200; i++)
            hours[i].level_8mm = (int16_t)(hours[i].level_8mm + 12);
        lone_learn(200, NULL, 0, &trace);
        ck_assert_int_eq(event_near(&trace, LEVEL_EVENT_LIFT, (500000 + 120) * (int64_t)HOUR_S),
                         insects);
        ck_assert(!event_near(&trace, LEVEL_EVENT_RISE, (500000 + 120) * (int64_t)HOUR_S));
        if (insects)
            ck_assert_double_eq_tol(trace.lift_mm, 1.5, 0.3);
        ck_assert_double_eq_tol(trace.own_rate, 0.5, 0.05);
    }
}
END_TEST

START_TEST(tilted_hours_teach_nothing)
{
    struct level_trace trace;
    lone_trap(200, 80, 2);
    for (size_t i = 80; i < 90; i++) {
        hours[i].level_8mm = hours[i].low_8mm = hours[i].high_8mm = 40;
        hours[i].flags |= LEVEL_HOUR_TILTED;
    }
    lone_learn(200, NULL, 0, &trace);
    ck_assert(event_near(&trace, LEVEL_EVENT_TILT, (500000 + 80) * (int64_t)HOUR_S));
    ck_assert(!event_near(&trace, LEVEL_EVENT_SPILL, (500000 + 80) * (int64_t)HOUR_S));
    ck_assert_double_eq_tol(trace.own_rate, 0.5, 0.05);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("judge_level");
    TCase *tests = tcase_create("all");
    tcase_set_timeout(tests, 200);
    tcase_add_test(tests, sunny_law);
    tcase_add_test(tests, windy_law);
    tcase_add_test(tests, showers_and_spills);
    tcase_add_test(tests, loss_below_the_noise_has_no_date);
    tcase_add_test(tests, an_unrecorded_rise_never_renews_the_age);
    tcase_add_test(tests, a_press_with_a_rise_renews_the_age);
    tcase_add_test(tests, a_press_without_a_refill_does_not);
    tcase_add_test(tests, a_word_governs_the_press);
    tcase_add_test(tests, a_stuck_sensor_is_noticed);
    tcase_add_test(tests, a_raft_is_no_bait);
    tcase_add_test(tests, tilted_hours_teach_nothing);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
