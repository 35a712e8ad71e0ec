#include "deploy/rehearsal/course.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "deploy/rehearsal/calendar.h"

static const int64_t day_us = INT64_C(86400000000);

int course_begin(struct course *course, const struct options *options, struct stage *stage,
                 struct world *world, struct ledger *ledger, const struct place *place,
                 int64_t start_s)
{
    *course = (struct course){.options = options,
                              .stage = stage,
                              .world = world,
                              .ledger = ledger,
                              .place = place,
                              .start_us = start_s * 1000000,
                              .now_us = start_s * 1000000,
                              .cut_by_turns = SIZE_MAX};
    course->end_us = course->start_us + options->days * day_us;
    blows_begin(&course->blows, options->seed, (unsigned)place->gateway_count + 2,
                1440 / options->step_min, options->kills > 0 ? options->kills : 1,
                options->blow_kinds);
    return 0;
}

void course_end(struct course *course)
{
    for (int i = 0; i < BLOWS_MAX; i++)
        course->strikers[i] = sd_event_source_disable_unref(course->strikers[i]);
    free(course->copies);
    course->copies = NULL;
}

/* ---- what the radios hear ---- */

static int keep_copy(struct course *c, const struct waves_copy *copy)
{
    if (c->copy_count == c->copy_capacity) {
        size_t wanted = c->copy_capacity == 0 ? 4096 : c->copy_capacity * 2;
        struct course_copy *grown = realloc(c->copies, wanted * sizeof *grown);
        if (grown == NULL)
            return -ENOMEM;
        c->copies = grown;
        c->copy_capacity = wanted;
    }
    c->copies[c->copy_count++] = (struct course_copy){.frame = copy->origin.report,
                                                      .gateway = copy->gateway,
                                                      .at_us = copy->at_us,
                                                      .echo = copy->echo};
    return 0;
}

static void on_heard(void *user, const struct waves_copy *copy)
{
    struct course *c = user;
    struct stage_gateway *gateway = &c->stage->gateways[copy->gateway];
    c->heard++;
    if (!gateway->powered)
        return;
    if (airlink_add(&gateway->air, copy, gateway->behind_us) != 0 || keep_copy(c, copy) != 0)
        c->error = -ENOMEM;
}

/* After the step is over: who was killed in it may have lost what it was given. */
static void note_copies(struct course *c)
{
    for (size_t i = 0; i < c->copy_count; i++) {
        const struct course_copy *copy = &c->copies[i];
        bool unsure = c->stage->gateways[copy->gateway].unsure;
        ledger_copy(c->ledger, copy->frame, copy->gateway, copy->at_us, copy->echo,
                    unsure ? LEDGER_MAYBE : LEDGER_SURE);
    }
    c->copy_count = 0;
    for (size_t g = 0; g < c->stage->gateway_count; g++)
        c->stage->gateways[g].unsure = false;
}

/* ---- what happens to gateways ---- */

static const struct fault *fault_of(const struct course *c, size_t gateway, enum fault_kind kind,
                                    int64_t at_us)
{
    const struct faults *faults = world_faults(c->world);
    for (size_t f = 0; f < faults->count; f++) {
        const struct fault *fault = &faults->list[f];
        if (fault->kind == kind && fault->item == gateway && fault->from_us <= at_us &&
            at_us < fault->until_us)
            return fault;
    }
    return NULL;
}

static bool during(const struct course *c, size_t gateway, enum fault_kind kind, int64_t at_us)
{
    return fault_of(c, gateway, kind, at_us) != NULL;
}

static bool is_cut(const struct course *c, size_t gateway, int64_t at_us)
{
    if (gateway == c->cut_by_turns && c->cut_from_us <= at_us && at_us < c->cut_until_us)
        return true;
    return during(c, gateway, FAULT_GATEWAY_CUT, at_us);
}

/* A wrong clock is wrong, or is set right, at this instant. */
static void set_clock(struct course *c, size_t gateway, int64_t at_us)
{
    const struct fault *fault = fault_of(c, gateway, FAULT_GATEWAY_CLOCK, at_us);
    stage_set_behind(c->stage, gateway, fault != NULL ? (int64_t)fault->other * 1000000 : 0);
}

/* Power comes back before the step in which it does, and goes after the step in which it does. */
static int power_on(struct course *c, int64_t until_us)
{
    int result = 0;
    for (size_t g = 0; g < c->place->gateway_count && result == 0; g++) {
        if (c->stage->gateways[g].powered || during(c, g, FAULT_GATEWAY_POWER, until_us))
            continue;
        set_clock(c, g, until_us);
        result = stage_power_gateway(c->stage, g, true, c->now_us);
    }
    return result;
}

static void power_off(struct course *c)
{
    for (size_t g = 0; g < c->place->gateway_count; g++) {
        if (during(c, g, FAULT_GATEWAY_POWER, c->now_us))
            stage_power_gateway(c->stage, g, false, c->now_us);
    }
}

static void cut(struct course *c)
{
    for (size_t g = 0; g < c->place->gateway_count; g++) {
        bool now = is_cut(c, g, c->now_us);
        if (now != c->stage->gateways[g].cut)
            stage_cut_gateway(c->stage, g, now);
    }
}

/* ---- day by day ---- */

/* One gateway after the other is cut off for some hours of its day. */
static void cut_by_turns(struct course *c, int64_t day)
{
    if (!c->options->reorder)
        return;
    c->cut_by_turns = (size_t)day % c->place->gateway_count;
    c->cut_from_us = c->now_us + (int64_t)dice_below(&c->blows.dice, 14) * 3600000000;
    c->cut_until_us = c->cut_from_us + (int64_t)(2 + dice_below(&c->blows.dice, 7)) * 3600000000;
}

/* The crew does next morning what the messages ask for. */
static void ask_crew(struct course *c)
{
    for (size_t t = 0; c->options->crew == CREW_MESSAGES && t < c->place->trap_count; t++) {
        const char *condition = c->stage->view.traps[t].condition;
        if (strcmp(condition, "due") == 0 || strcmp(condition, "failed") == 0 ||
            strcmp(condition, "silent") == 0)
            world_ask_visit(c->world, t);
    }
}

static void new_day(struct course *c)
{
    int64_t since_us = c->now_us - c->start_us;
    if (since_us % day_us != 0)
        return;
    cut_by_turns(c, since_us / day_us);
    ask_crew(c);
    ledger_commit(c->ledger);
}

/* ---- blows ---- */

static int on_blow(sd_event_source *source, uint64_t at_us, void *user)
{
    struct course *c = user;
    (void)at_us;
    for (unsigned p = 0; p < BLOWS_MAX; p++) {
        if (c->strikers[p] == source) {
            stage_strike(c->stage, p, &c->falls[p]);
            c->strikers[p] = sd_event_source_disable_unref(c->strikers[p]);
            break;
        }
    }
    return 0;
}

static void arm_blows(struct course *c)
{
    if (c->options->kills == 0)
        return;
    unsigned steps = 1440 / c->options->step_min;
    unsigned step = (unsigned)((c->now_us - c->start_us) / 60000000 / c->options->step_min) % steps;
    blows_of_step(&c->blows, step, c->falls);
    for (unsigned p = 0; p < BLOWS_MAX; p++) {
        if (!c->falls[p].falls)
            continue;
        sd_event_source_disable_unref(c->strikers[p]);
        c->strikers[p] = NULL;
        sd_event_add_time_relative(c->stage->event, &c->strikers[p], CLOCK_MONOTONIC,
                                   c->falls[p].after_us, 1, on_blow, c);
    }
}

static void disarm_blows(struct course *c)
{
    for (int p = 0; p < BLOWS_MAX; p++)
        c->strikers[p] = sd_event_source_disable_unref(c->strikers[p]);
    stage_relieve_all(c->stage);
}

/* ---- a step ---- */

static int follow(struct course *c)
{
    int result = stage_tell_collector(c->stage, c->now_us);
    if (result == 0)
        result = stage_tell_gateways(c->stage, c->now_us);
    note_copies(c);
    return result;
}

int course_step(struct course *c)
{
    int64_t until_us = c->now_us + (int64_t)c->options->step_min * 60000000;
    new_day(c);
    cut(c);
    int result = power_on(c, until_us);
    if (result == 0)
        result = world_advance(c->world, until_us, on_heard, c);
    if (result == 0)
        result = c->error;
    if (result != 0)
        return result;
    arm_blows(c);
    c->now_us = until_us;
    for (size_t g = 0; g < c->place->gateway_count; g++)
        set_clock(c, g, until_us);
    result = follow(c);
    power_off(c);
    return result;
}

int course_settle(struct course *c)
{
    int result = 0;
    disarm_blows(c);
    c->cut_by_turns = SIZE_MAX;
    for (size_t g = 0; g < c->place->gateway_count && result == 0; g++) {
        stage_cut_gateway(c->stage, g, false);
        result = stage_power_gateway(c->stage, g, true, c->now_us);
        stage_set_behind(c->stage, g, 0);
    }
    c->now_us += 60000000;
    if (result == 0)
        result = follow(c);
    c->now_us += 60000000;
    return result != 0 ? result : stage_tell_collector(c->stage, c->now_us);
}
