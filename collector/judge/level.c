#include "collector/judge/level.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "collector/judge/lift.h"
#include "collector/judge/robust.h"
#include "collector/judge/step.h"

enum {
    HOUR_S = 3600,
    FOAM_HOURS = 48,
    SAME_VISIT_S = 12 * HOUR_S, /* a press and a person's word about it */
    NEAR_S = HOUR_S + HOUR_S / 2,
    NOW_HOURS = 6, /* that the present level is read from */
    STUCK_HOURS = 36,
    STUCK_KNOWN = 24,
    EVIDENCE_LEAST_DAYS = 2,
    LOOK_BACK_FROM_HOURS = 5 * 24, /* before, too little was known to foretell from */
    LIFTS_MOST = 8,
    LIFT_INSECTS_LEAST = 15 /* judgement */
};
static const double NOISE_MM = 0.3;      /* of an hour's median; the sensor alone is good to 0.5 */
static const double SMOOTHED_MM = 0.15;  /* of the median of six such hours */
static const double NOISE_LOSS_MM = 1.0; /* below it, loss is not told from noise */
static const double FULL_ENOUGH_MM = 6;  /* below the full mark a service still counts as one */
static const double FOAM_SPREAD_MM = 2, FOAM_MOST_MM = 8;
static const double BLOCK_SPREAD_UNKNOWN = 0.3;
static const double OWN_SPREAD_LEAST = 0.04;

const int level_lead_days[LEVEL_LEADS] = {1, 3};

struct learner {
    const struct level_facts *facts;
    struct level_trace *trace;
    struct step_series series;
    int16_t stretch[LEVEL_HOURS]; /* of each position of the series; -1: not to be learned from */
    struct level_visit visits[LEVEL_VISITS_MAX];
    size_t visit_count;
};

static int64_t hour_begin(const struct learner *l, size_t position)
{
    return (l->facts->first_hour + l->series.hour[position]) * HOUR_S;
}

/* Pressing the button and telling of the same visit are one visit: the word says what was done, the
 * press when. */
static void merge_visits(struct learner *l)
{
    const struct level_facts *facts = l->facts;
    size_t skip = facts->visit_count > LEVEL_VISITS_MAX ? facts->visit_count - LEVEL_VISITS_MAX : 0;
    for (size_t i = skip; i < facts->visit_count; i++)
        l->visits[l->visit_count++] = facts->visits[i];
    for (size_t i = 0; i < l->visit_count; i++) {
        if (l->visits[i].action == LEVEL_PRESSED)
            continue;
        for (size_t k = 0; k < l->visit_count; k++) {
            int64_t apart = l->visits[k].at_s - l->visits[i].at_s;
            if (l->visits[k].action != LEVEL_PRESSED || llabs(apart) > SAME_VISIT_S)
                continue;
            l->visits[k].action = l->visits[i].action;
            l->visits[i].at_s = 0;
            break;
        }
    }
    size_t kept = 0;
    for (size_t i = 0; i < l->visit_count; i++)
        if (l->visits[i].at_s != 0)
            l->visits[kept++] = l->visits[i];
    l->visit_count = kept;
}

static struct level_event *add_event(struct learner *l, int64_t at_s, enum level_event_kind kind,
                                     float change_mm)
{
    struct level_trace *trace = l->trace;
    if (trace->event_count == LEVEL_EVENTS_MAX) {
        memmove(trace->events, trace->events + 1, sizeof(trace->events) - sizeof(trace->events[0]));
        trace->event_count--;
    }
    size_t place = trace->event_count++;
    for (; place > 0 && trace->events[place - 1].at_s > at_s; place--)
        trace->events[place] = trace->events[place - 1];
    trace->events[place] = (struct level_event){.at_s = at_s, .kind = kind, .change_mm = change_mm};
    return &trace->events[place];
}

static double rain_between(const struct learner *l, size_t from_hour, size_t to_hour)
{
    double sum = 0;
    for (size_t i = from_hour; i <= to_hour && l->facts->block->rain_mm != NULL; i++)
        sum += (double)l->facts->block->rain_mm[i];
    return sum;
}

static bool visit_near(const struct learner *l, const struct step *step)
{
    int64_t from = hour_begin(l, step->at - 1) - NEAR_S + HOUR_S;
    int64_t to = hour_begin(l, step->at) + HOUR_S + NEAR_S;
    for (size_t i = 0; i < l->visit_count; i++)
        if (l->visits[i].at_s >= from && l->visits[i].at_s <= to)
            return true;
    return false;
}

/* Foam of bait that was poured in less than two days ago sinks and is no spill. */
static bool foam_sinks(const struct learner *l, const struct step *step, int64_t at_s)
{
    for (size_t i = 0; i < l->trace->event_count; i++) {
        const struct level_event *event = &l->trace->events[i];
        bool poured = event->kind == LEVEL_EVENT_VISIT || event->kind == LEVEL_EVENT_RISE;
        if (poured && event->at_s <= at_s && at_s < event->at_s + FOAM_HOURS * HOUR_S &&
            step->change_mm > -FOAM_MOST_MM)
            return true;
    }
    return false;
}

static void name_step(struct learner *l, const struct step *step)
{
    if (visit_near(l, step))
        return; /* it becomes that visit's change */
    size_t from = l->series.hour[step->at - 1], to = l->series.hour[step->at];
    int64_t at_s = hour_begin(l, step->at);
    if (step->change_mm < 0) {
        if (step->sure && !foam_sinks(l, step, at_s))
            add_event(l, at_s, LEVEL_EVENT_SPILL, step->change_mm);
        return;
    }
    size_t after = to + 1 < l->facts->hour_count ? to + 1 : to;
    if (rain_between(l, from > 0 ? from - 1 : 0, after) > 0.3 * (double)step->change_mm)
        return; /* rain is told by the hour, below */
    if (step->sure)
        add_event(l, at_s, LEVEL_EVENT_RISE, step->change_mm);
}

/* Level shortly before and after an instant; NAN where nothing was measured within six hours. */
static void levels_beside(const struct learner *l, int64_t at_s, double *before, double *after)
{
    double values[3];
    size_t count = 0, first = 0;
    while (first < l->series.count && hour_begin(l, first) + HOUR_S <= at_s)
        first++;
    for (size_t i = first; i > 0 && count < 3 && at_s - hour_begin(l, i - 1) <= 7 * HOUR_S; i--)
        values[count++] = (double)l->series.level_mm[i - 1];
    *before = robust_median(values, count);
    count = 0;
    while (first < l->series.count && hour_begin(l, first) < at_s)
        first++;
    for (size_t i = first;
         i < l->series.count && count < 3 && hour_begin(l, i) - at_s <= 7 * HOUR_S; i++)
        values[count++] = (double)l->series.level_mm[i];
    *after = robust_median(values, count);
}

/* A press alone counts as a service when the level agrees or says nothing. */
static bool press_served(const struct learner *l, double before, double after)
{
    if (isnan(after) || isnan(before))
        return true;
    return after - before >= 2 || after >= l->facts->full_mm - FULL_ENOUGH_MM;
}

static void name_visit(struct learner *l, const struct level_visit *visit)
{
    double before, after;
    levels_beside(l, visit->at_s, &before, &after);
    double change = isnan(before) || isnan(after) ? 0 : after - before;
    struct level_event *event = add_event(l, visit->at_s, LEVEL_EVENT_VISIT, (float)change);
    switch (visit->action) {
    case LEVEL_TOPPED_UP:
        break;
    case LEVEL_PRESSED:
        event->fresh = event->emptied = press_served(l, before, after);
        break;
    case LEVEL_REPLACED:
    case LEVEL_EMPTIED:
    case LEVEL_CLEANED:
        event->fresh = event->emptied = true;
        break;
    }
    l->trace->visited_s = visit->at_s;
    if (event->fresh)
        l->trace->fresh_s = visit->at_s;
    if (event->emptied)
        l->trace->emptied_s = visit->at_s;
}

/* A shower by the block's traps; how much came into this one its own level says, if it can. */
static void name_shower(struct learner *l, int64_t from_s, int64_t to_s, double block_mm)
{
    double before, after, unused;
    levels_beside(l, from_s, &before, &unused);
    levels_beside(l, to_s, &unused, &after);
    double own_mm = isnan(before) || isnan(after) ? block_mm : fmax(0, after - before);
    for (size_t i = 0; i < l->visit_count; i++)
        if (l->visits[i].at_s >= from_s - NEAR_S && l->visits[i].at_s <= to_s + NEAR_S)
            own_mm = block_mm;
    add_event(l, from_s, LEVEL_EVENT_RAIN, (float)own_mm);
    if (to_s > l->trace->fresh_s)
        l->trace->rain_mm += own_mm;
}

static void name_showers(struct learner *l)
{
    const struct level_facts *facts = l->facts;
    int64_t from_s = 0;
    double sum = 0;
    for (size_t i = 0; facts->block->rain_mm != NULL && i <= facts->hour_count; i++) {
        int64_t at_s = (facts->first_hour + (int64_t)i) * HOUR_S;
        double mm = i < facts->hour_count ? (double)facts->block->rain_mm[i] : 0;
        if (mm > 0 && from_s == 0)
            from_s = at_s;
        sum += mm;
        if (mm > 0 || from_s == 0)
            continue;
        name_shower(l, from_s, at_s, sum);
        from_s = 0;
        sum = 0;
    }
}

static void name_tilts(struct learner *l)
{
    const struct level_facts *facts = l->facts;
    bool tilted = false;
    for (size_t i = 0; i < facts->hour_count; i++) {
        int64_t at_s = (facts->first_hour + (int64_t)i) * HOUR_S;
        uint8_t flags = facts->hours[i].flags;
        if (!(flags & LEVEL_HOUR_HEARD))
            continue;
        if (l->trace->heard_from_s == 0)
            l->trace->heard_from_s = at_s;
        if (flags & LEVEL_HOUR_TILTED && !tilted)
            add_event(l, at_s, LEVEL_EVENT_TILT, 0);
        tilted = flags & LEVEL_HOUR_TILTED;
    }
}

/* An hour with rain in the block, or of fresh and foaming bait, teaches nothing about loss. */
static bool disturbed(const struct learner *l, size_t position)
{
    size_t hour = l->series.hour[position];
    if (l->facts->block->rain_mm != NULL && l->facts->block->rain_mm[hour] > 0)
        return true;
    int64_t begin = hour_begin(l, position);
    for (size_t i = 0; i < l->trace->event_count; i++) {
        const struct level_event *event = &l->trace->events[i];
        bool foams = event->fresh || event->kind == LEVEL_EVENT_RISE;
        if ((event->kind == LEVEL_EVENT_VISIT || foams) && begin >= event->at_s - HOUR_S &&
            begin < event->at_s + (foams ? FOAM_HOURS : 1) * HOUR_S)
            return true;
    }
    return false;
}

static bool breaks_between(const struct learner *l, size_t position)
{
    int64_t from = hour_begin(l, position - 1), to = hour_begin(l, position);
    for (size_t i = 0; i < l->trace->event_count; i++)
        if (l->trace->events[i].at_s > from && l->trace->events[i].at_s <= to)
            return true;
    return rain_between(l, l->series.hour[position - 1], l->series.hour[position]) > 0;
}

static void cut_stretches(struct learner *l)
{
    int16_t stretch = 0;
    for (size_t i = 0; i < l->series.count; i++) {
        if (i > 0 && breaks_between(l, i))
            stretch++;
        l->stretch[i] = disturbed(l, i) ? -1 : stretch;
    }
}

/* Positions in the same stretch, whole days apart: what the sun does to the sensor in the course of a
 * day cancels. */
struct pair {
    uint16_t from, to;
};

static size_t day_pairs(const struct learner *l, int days, struct pair *pairs)
{
    size_t count = 0, j = 0;
    for (size_t i = 0; i < l->series.count; i++) {
        int target = l->series.hour[i] + 24 * days;
        while (j < l->series.count && l->series.hour[j] < target)
            j++;
        if (j == l->series.count)
            break;
        if (l->series.hour[j] == target && l->stretch[i] >= 0 && l->stretch[i] == l->stretch[j])
            pairs[count++] = (struct pair){(uint16_t)i, (uint16_t)j};
    }
    return count;
}

static double lost_between(const struct learner *l, struct pair pair)
{
    return (double)(l->series.level_mm[pair.from] - l->series.level_mm[pair.to]);
}

/* NAN where there was next to no demand. */
static double slope_between(const struct learner *l, struct pair pair)
{
    const float *demand = l->facts->block->demand_mm;
    double mm = (double)demand[l->series.hour[pair.to]] - (double)demand[l->series.hour[pair.from]];
    return mm > 0.5 ? lost_between(l, pair) / mm : NAN;
}

/* What was lost on each day, and what that is over what the trap's rate says of it; the common part is
 * the block's. A pair belongs to the day that holds most of it. */
static void measure_days(struct learner *l, const struct pair *pairs, size_t count)
{
    double lost[24], slopes[24];
    size_t in_day = 0, sloped = 0, current = 0;
    for (size_t day = 0; day < LEVEL_DAYS; day++)
        l->trace->day_ratio[day] = l->trace->day_lost_mm[day] = NAN;
    for (size_t i = 0; i <= count; i++) {
        size_t d = i < count ? ((size_t)l->series.hour[pairs[i].from] + 12) / 24 : LEVEL_DAYS;
        if (d != current || in_day == 24) {
            if (in_day >= 6 && current < LEVEL_DAYS)
                l->trace->day_lost_mm[current] = (float)robust_median(lost, in_day);
            if (sloped >= 6 && current < LEVEL_DAYS && l->trace->own_rate > 0)
                l->trace->day_ratio[current] =
                    (float)(robust_median(slopes, sloped) / l->trace->own_rate);
            current = d;
            in_day = sloped = 0;
        }
        if (i == count)
            break;
        lost[in_day++] = lost_between(l, pairs[i]);
        slopes[sloped] = slope_between(l, pairs[i]);
        sloped += isnan(slopes[sloped]) ? 0 : 1;
    }
}

/* The level at a position: the median of it and those of the hours before, each carried there. */
static double smoothed(const struct learner *l, size_t position)
{
    const float *demand = l->facts->block->demand_mm;
    double values[NOW_HOURS], here_mm = (double)demand[l->series.hour[position]];
    size_t count = 0;
    for (size_t i = position + 1; i > 0 && count < NOW_HOURS; i--) {
        if (l->stretch[i - 1] != l->stretch[position])
            break;
        double lost = l->trace->rate * (here_mm - (double)demand[l->series.hour[i - 1]]);
        values[count++] = (double)l->series.level_mm[i - 1] - lost;
    }
    return robust_median(values, count);
}

/* How right would forecasts of so many days have been, made on past days at the hour it is now? */
static void look_back(struct learner *l, size_t lead)
{
    const struct level_block *block = l->facts->block;
    struct pair pairs[LEVEL_HOURS];
    if (block->outlook_mm_day == NULL || isnan(l->trace->rate))
        return;
    size_t count = day_pairs(l, level_lead_days[lead], pairs);
    size_t now = (l->facts->hour_count + 23) % 24;
    /* Before the block's first days nothing was known of its weather that could have been foretold from. */
    size_t first = l->series.count > 0 ? l->series.hour[0] : 0;
    for (size_t i = 0; i < count; i++) {
        size_t hour = l->series.hour[pairs[i].from];
        double foretold =
            l->trace->rate * block->outlook_mm_day[hour / 24] * (double)level_lead_days[lead];
        if (hour % 24 != now || hour < first + LOOK_BACK_FROM_HOURS || foretold < NOISE_LOSS_MM)
            continue;
        double lost = smoothed(l, pairs[i].from) - smoothed(l, pairs[i].to);
        l->trace->ahead_ratio[lead][hour / 24] = (float)(lost / foretold);
        l->trace->ahead_noise[lead][hour / 24] = (float)(SMOOTHED_MM * M_SQRT2 / foretold);
    }
}

static void learn_own_rate(struct learner *l, double *own_spread)
{
    static const int days[] = {1, 2, 3, 5};
    double slopes[4 * LEVEL_HOURS], singles[LEVEL_HOURS];
    struct pair pairs[LEVEL_HOURS], single_pairs[LEVEL_HOURS];
    size_t count = 0, single = 0, single_count = 0;
    for (size_t k = 0; k < sizeof(days) / sizeof(days[0]); k++) {
        size_t found = day_pairs(l, days[k], pairs);
        for (size_t i = 0; i < found; i++) {
            slopes[count] = slope_between(l, pairs[i]);
            count += isnan(slopes[count]) ? 0 : 1;
        }
        if (k > 0)
            continue;
        single = count;
        single_count = found;
        memcpy(singles, slopes, count * sizeof(singles[0]));
        memcpy(single_pairs, pairs, found * sizeof(pairs[0]));
    }
    l->trace->own_days = (double)single / 24;
    l->trace->own_rate = count >= 6 ? fmax(0, robust_median(slopes, count)) : NAN;
    *own_spread = NAN;
    measure_days(l, single_pairs, single_count);
    if (single < 6)
        return;
    double deviation = robust_deviation(singles, single);
    /* Pairs that overlap are not independent: as good as one a day, and a floor for the law itself.
     */
    *own_spread =
        fmax(OWN_SPREAD_LEAST * l->trace->own_rate, deviation / sqrt(fmax(1, l->trace->own_days)));
}

/* Insects that went in since the last emptying before an hour. */
static int64_t net_before(const struct learner *l, size_t hour)
{
    int64_t at_s = (l->facts->first_hour + (int64_t)hour) * HOUR_S, emptied_s = 0, sum = 0;
    for (size_t i = 0; i < l->trace->event_count; i++)
        if (l->trace->events[i].emptied && l->trace->events[i].at_s <= at_s)
            emptied_s = l->trace->events[i].at_s;
    for (size_t i = hour + 1; i > 0; i--) {
        if ((l->facts->first_hour + (int64_t)i) * HOUR_S <= emptied_s)
            break;
        sum += l->facts->hours[i - 1].net;
    }
    return sum;
}

/* Small rises with insects in the trap. Returns how many: the stretches are then cut anew. */
static size_t name_lifts(struct learner *l)
{
    struct step lifts[LIFTS_MOST];
    size_t named = 0, count = 0;
    if (!isnan(l->trace->own_rate))
        count = lift_find(&l->series, l->stretch, l->facts->block->demand_mm, l->trace->own_rate,
                          lifts, LIFTS_MOST);
    for (size_t i = 0; i < count; i++) {
        if (net_before(l, l->series.hour[lifts[i].at]) < LIFT_INSECTS_LEAST)
            continue;
        int64_t at_s = hour_begin(l, lifts[i].at);
        add_event(l, at_s, LEVEL_EVENT_LIFT, lifts[i].change_mm);
        if (at_s > l->trace->emptied_s)
            l->trace->lift_mm += (double)lifts[i].change_mm;
        named++;
    }
    return named;
}

/* Own and block's rate, each weighted by how well it is known. */
static void blend_rate(struct learner *l, double own_spread)
{
    const struct level_block *block = l->facts->block;
    struct level_trace *trace = l->trace;
    trace->rate = trace->own_rate;
    trace->rate_spread = own_spread;
    if (isnan(block->rate))
        return;
    double spread = isnan(block->rate_spread) ? BLOCK_SPREAD_UNKNOWN * block->rate
                                              : fmax(0.05 * block->rate, block->rate_spread);
    if (isnan(trace->own_rate) || isnan(own_spread)) {
        trace->rate = block->rate;
        trace->rate_spread = spread;
        return;
    }
    double own_weight = 1 / fmax(1e-6, own_spread * own_spread);
    double weight = 1 / fmax(1e-6, spread * spread);
    trace->rate = (trace->own_rate * own_weight + block->rate * weight) / (own_weight + weight);
    trace->rate_spread = sqrt(1 / (own_weight + weight));
}

static double end_level(const struct learner *l, size_t from, size_t to, bool tail)
{
    double values[3];
    size_t count = 0;
    for (size_t i = from; i < to && count < 3; i++)
        values[count++] = (double)l->series.level_mm[tail ? to - 1 - (i - from) : i];
    return robust_median(values, count);
}

/* How much was really lost, and over how long, in the undisturbed stretches. */
static void measure_loss(struct learner *l)
{
    size_t from = 0;
    for (size_t i = 1; i <= l->series.count; i++) {
        if (i < l->series.count && l->stretch[i] == l->stretch[from])
            continue;
        int hours = l->series.hour[i - 1] - l->series.hour[from];
        if (l->stretch[from] >= 0 && hours >= 12) {
            l->trace->lost_mm += end_level(l, from, i, false) - end_level(l, from, i, true);
            l->trace->lost_days += hours / 24.0;
        }
        from = i;
    }
    l->trace->unlimited =
        l->trace->lost_days >= EVIDENCE_LEAST_DAYS && l->trace->lost_mm < NOISE_LOSS_MM;
}

/* Bait poured in during the last two days foams: known to be fresh, or poured by somebody who did not say
 * what; at a trap that was never seen before, likely. */
static bool foams_at(const struct level_trace *trace, int64_t at_s)
{
    int64_t poured_s = trace->fresh_s > trace->heard_from_s ? trace->fresh_s : trace->heard_from_s;
    for (size_t i = 0; i < trace->event_count; i++)
        if (trace->events[i].kind == LEVEL_EVENT_RISE && trace->events[i].at_s > poured_s)
            poured_s = trace->events[i].at_s;
    return poured_s != 0 && at_s < poured_s + FOAM_HOURS * HOUR_S;
}

/* The latest levels since the last event, each carried to the last hour by the rate. */
static void read_level(struct learner *l)
{
    struct level_trace *trace = l->trace;
    size_t count = l->series.count, used = 0;
    trace->level_mm = NAN;
    if (count == 0)
        return;
    double values[NOW_HOURS] = {0};
    const float *demand = l->facts->block->demand_mm;
    size_t last = l->series.hour[count - 1];
    double rate = isnan(trace->rate) ? 0 : trace->rate;
    for (size_t i = count; i > 0 && used < NOW_HOURS; i--) {
        size_t hour = l->series.hour[i - 1];
        if (last - hour >= 2 * NOW_HOURS)
            break;
        values[used++] = (double)l->series.level_mm[i - 1] -
                         rate * ((double)demand[last] - (double)demand[hour]);
        if (i > 1 && breaks_between(l, i - 1))
            break;
    }
    size_t newest = 1;
    double latest = values[0];
    trace->level_mm = robust_median(values, used);
    /* A jump that is not yet sure: believe the newest. */
    if (fabs(latest - trace->level_mm) > 2.5) {
        trace->level_mm = latest;
        used = newest;
    }
    trace->level_spread_mm = NOISE_MM * 1.25 / sqrt((double)used);
    trace->level_s = (l->facts->first_hour + (int64_t)last + 1) * HOUR_S;
    trace->foam = foams_at(trace, trace->level_s);
    if (trace->foam)
        trace->level_spread_mm = FOAM_SPREAD_MM;
}

/* A healthy sensor trembles by a step or two; one that says the same for a day and a half while the
 * neighbours lose bait is stuck. */
static bool is_stuck(const struct level_facts *facts)
{
    int16_t low = INT16_MAX, high = INT16_MIN;
    size_t known = 0, from = facts->hour_count > STUCK_HOURS ? facts->hour_count - STUCK_HOURS : 0;
    for (size_t i = from; i < facts->hour_count; i++) {
        const struct level_hour *hour = &facts->hours[i];
        if (hour->level_8mm == LEVEL_NONE)
            continue;
        low = hour->low_8mm < low ? hour->low_8mm : low;
        high = hour->high_8mm > high ? hour->high_8mm : high;
        known++;
    }
    return known >= STUCK_KNOWN && low == high &&
           facts->block->lost_mm_day * STUCK_HOURS / 24 >= 1.5;
}

void level_learn(const struct level_facts *facts, struct level_trace *trace)
{
    struct learner l = {.facts = facts, .trace = trace};
    struct step steps[LEVEL_EVENTS_MAX];
    double own_spread;
    *trace = (struct level_trace){.rate = NAN, .own_rate = NAN, .level_mm = NAN};
    for (size_t day = 0; day < LEVEL_DAYS; day++)
        for (size_t lead = 0; lead < LEVEL_LEADS; lead++)
            trace->ahead_ratio[lead][day] = trace->ahead_noise[lead][day] = NAN;
    step_series_fill(facts, &l.series);
    merge_visits(&l);
    for (size_t i = 0; i < l.visit_count; i++)
        name_visit(&l, &l.visits[i]);
    size_t count = step_find(&l.series, steps, LEVEL_EVENTS_MAX);
    for (size_t i = 0; i < count; i++)
        name_step(&l, &steps[i]);
    name_showers(&l);
    name_tilts(&l);
    cut_stretches(&l);
    learn_own_rate(&l, &own_spread);
    if (name_lifts(&l) > 0) {
        cut_stretches(&l);
        learn_own_rate(&l, &own_spread);
    }
    blend_rate(&l, own_spread);
    for (size_t lead = 0; lead < LEVEL_LEADS; lead++)
        look_back(&l, lead);
    measure_loss(&l);
    read_level(&l);
    trace->stuck = is_stuck(facts);
}
