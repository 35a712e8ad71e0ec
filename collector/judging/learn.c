/* From facts to what the pure judges want, and back. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "collector/judge/drift.h"
#include "collector/judge/robust.h"
#include "collector/judging/facts.h"
#include "collector/judging/ring.h"
#include "collector/season/sun.h"

enum {
    LATE_HOURS = 3, /* hours that late reports may still change */
    DAY_S = 86400,
    NET_DAYS = 3,
    FIRST_PASSES = 6,
    PASSES_MOST = 12,
    RATE_DAYS_LEAST = 1 /* of own evidence before a trap speaks for its block */
};
/* Due when the early end of the interval lies within 28 hours: what the letter of six in the morning leaves out must
 * hold until the next one's round, which ends with the cool hours, at ten. */
static const double DUE_AHEAD_DAYS = 28.0 / 24;

struct bait_limits facts_limits(const struct facts *facts, const struct facts_trap *trap)
{
    const struct site_bait *bait = &facts->site->bait;
    const struct roster_assignment *a = trap->assignment;
    return (struct bait_limits){
        .full_mm =
            (double)(a != NULL && a->full_mark_mm > 0 ? a->full_mark_mm : bait->full_mark_mm),
        .low_mm = (double)(a != NULL && a->low_mark_mm > 0 ? a->low_mark_mm : bait->low_mark_mm),
        .age_days = (double)bait->age_days,
        .insects = (double)bait->insects,
        .due_ahead_days = DUE_AHEAD_DAYS};
}

static float block_temperature(const struct facts *facts, size_t block, size_t hour, double *work)
{
    size_t count = 0;
    for (size_t i = 0; i < facts->trap_count; i++) {
        const struct facts_trap *trap = &facts->traps[i];
        if (trap->block == block && trap->temperature_dc[hour] != AIR_TEMPERATURE_UNKNOWN)
            work[count++] = trap->temperature_dc[hour] / 10.0;
    }
    return (float)robust_median(work, count);
}

static bool visited_near(const struct facts_trap *trap, int64_t at_s)
{
    for (size_t i = trap->press_count; i > 0; i--)
        if (llabs(trap->presses[i - 1].at_s - at_s) < 2 * FACTS_HOUR_S)
            return true;
    for (size_t i = trap->word_count; i > 0; i--)
        if (llabs(trap->words[i - 1].at_s - at_s) < 2 * FACTS_HOUR_S)
            return true;
    return false;
}

/* Rises common to a block's traps; a block of few asks the whole site. */
static float block_rain(const struct facts *facts, size_t block, bool whole_site, size_t hour,
                        double *work)
{
    size_t count = 0;
    int64_t at_s = (facts->first_hour + (int64_t)hour) * FACTS_HOUR_S;
    for (size_t i = 0; i < facts->trap_count; i++) {
        const struct facts_trap *trap = &facts->traps[i];
        const struct level_hour *now = &trap->hours[hour], *before = now - 1;
        if ((trap->block != block && !whole_site) || now->level_8mm == LEVEL_NONE ||
            before->level_8mm == LEVEL_NONE || visited_near(trap, at_s))
            continue;
        work[count++] = (now->level_8mm - before->level_8mm) / 8.0;
    }
    return (float)weather_rain_mm(work, count);
}

static float block_humidity(const struct facts *facts, size_t block, size_t hour, double *work)
{
    size_t count = 0;
    for (size_t i = 0; i < facts->trap_count; i++) {
        const struct facts_trap *trap = &facts->traps[i];
        if (trap->block == block && trap->humidity_pm[hour] != AIR_HUMIDITY_UNKNOWN)
            work[count++] = trap->humidity_pm[hour] / 1000.0;
    }
    return (float)robust_median(work, count);
}

static struct weather_hours hours_of(const struct facts *facts, const struct facts_block *block,
                                     size_t hours)
{
    return (struct weather_hours){facts->first_hour, hours, block->temperature_c, block->humidity};
}

/* The block's demand by its law and its drift, and what that says of the days to come. */
static void foresee(const struct facts *facts, struct facts_block *block, size_t hours)
{
    struct weather_place place = {facts->site->latitude, facts->site->longitude};
    struct weather_hours known = hours_of(facts, block, hours);
    struct drift_outlook outlook;
    weather_demand(place, block->law.law, &known, block->demand_mm);
    drift_apply(block->factors, hours, block->demand_mm);
    drift_expect(block->demand_mm, hours, &outlook);
    block->shared.law = block->law;
    block->shared.demand_mm_day = outlook.mm_day;
    block->shared.demand_spread = outlook.spread;
    for (size_t day = 0; day < LEVEL_DAYS; day++) {
        size_t end = day * 24 + (hours + 23) % 24 + 1;
        drift_expect(block->demand_mm, end < hours ? end : hours, &outlook);
        block->outlook_mm_day[day] = outlook.mm_day;
    }
    block->shared.outlook_mm_day = block->outlook_mm_day;
}

static void learn_weather(struct facts *facts, size_t hours, size_t from, double *work)
{
    for (size_t b = 0; b < facts->block_count; b++) {
        struct facts_block *block = &facts->blocks[b];
        size_t traps = 0;
        for (size_t i = 0; i < facts->trap_count; i++)
            traps += facts->traps[i].block == b && facts->traps[i].active;
        for (size_t i = from; i < hours; i++) {
            block->temperature_c[i] = block_temperature(facts, b, i, work);
            block->humidity[i] = block_humidity(facts, b, i, work);
            block->rain_mm[i] = i > 0 ? block_rain(facts, b, traps < 5, i, work) : 0;
        }
        foresee(facts, block, hours);
    }
}

/* Arrays of days by trap of a block, for what its traps say together. */
enum day_array { DAY_RATIO, DAY_LOST, DAY_AHEAD, DAY_NOISE = DAY_AHEAD + LEVEL_LEADS };

static const float *array_of(const struct level_trace *trace, enum day_array which)
{
    switch (which) {
    case DAY_RATIO:
        return trace->day_ratio;
    case DAY_LOST:
        return trace->day_lost_mm;
    default:
        return which < DAY_NOISE ? trace->ahead_ratio[which - DAY_AHEAD]
                                 : trace->ahead_noise[which - DAY_NOISE];
    }
}

static size_t gather(const struct facts *facts, size_t block, enum day_array which, float *days)
{
    size_t count = 0;
    for (size_t i = 0; i < facts->trap_count; i++) {
        const struct facts_trap *trap = &facts->traps[i];
        const struct level_trace *trace = &trap->trace;
        if (trap->block != block || !trap->active || trace->own_days < RATE_DAYS_LEAST)
            continue;
        memcpy(days + LEVEL_DAYS * count++, array_of(trace, which), LEVEL_DAYS * sizeof(*days));
    }
    return count;
}

/* By day, of one law; without drift. */
static void demand_of_days(const struct facts *facts, const struct facts_block *block,
                           enum law_kind law, size_t hours, float *day_mm)
{
    float cumulative[LEVEL_HOURS];
    struct weather_place place = {facts->site->latitude, facts->site->longitude};
    struct weather_hours known = hours_of(facts, block, hours);
    weather_demand(place, law, &known, cumulative);
    for (size_t day = 0; day < LEVEL_DAYS; day++) {
        size_t from = day * 24, to = from + 24 < hours ? from + 24 : hours;
        day_mm[day] = to <= from ? 0 : cumulative[to - 1] - (from > 0 ? cumulative[from - 1] : 0);
    }
}

/* Under another law the same days have other factors. */
static void change_law(const struct facts *facts, struct facts_block *block, const float *demand,
                       enum law_kind from, size_t hours)
{
    double sum = 0;
    size_t days = (hours + 23) / 24;
    for (size_t day = 0; day < days; day++) {
        double was = (double)demand[from * LEVEL_DAYS + day] * (double)block->factors[day];
        double is = (double)demand[block->law.law * LEVEL_DAYS + day];
        block->factors[day] = is > 0.1 ? (float)(was / is) : 1;
        sum += (double)block->factors[day];
    }
    for (size_t day = 0; day < LEVEL_DAYS; day++)
        block->factors[day] =
            day < days ? (float)((double)block->factors[day] * (double)days / sum) : 1;
    foresee(facts, block, hours);
}

static void learn_law(const struct facts *facts, struct facts_block *block, size_t hours,
                      float *days)
{
    float demand[LAW_KINDS * LEVEL_DAYS];
    enum law_kind from = block->law.law;
    size_t count = gather(facts, (size_t)(block - facts->blocks), DAY_LOST, days);
    for (size_t law = 0; law < LAW_KINDS; law++)
        demand_of_days(facts, block, (enum law_kind)law, hours, demand + law * LEVEL_DAYS);
    law_choose(days, count, LEVEL_DAYS, demand, &block->law);
    if (block->law.law != from)
        change_law(facts, block, demand, from, hours);
}

/* What the traps of each block say together: which law, how the weather departs from it, and how right
 * forecasts were. Returns whether a law was changed. */
static bool learn_blocks(struct facts *facts, size_t hours)
{
    float *days = malloc((facts->trap_count + 1) * LEVEL_DAYS * sizeof(*days));
    float *noises = malloc((facts->trap_count + 1) * LEVEL_DAYS * sizeof(*noises));
    double *work = malloc((facts->trap_count + 1) * LEVEL_DAYS * sizeof(*work));
    bool changed = false, whole = days != NULL && noises != NULL && work != NULL;
    for (size_t b = 0; b < facts->block_count && whole; b++) {
        struct facts_block *block = &facts->blocks[b];
        enum law_kind before = block->law.law;
        learn_law(facts, block, hours, days);
        changed |= block->law.law != before;
        if (block->law.law != before)
            continue; /* what was measured under the old law is no guide; it is measured anew */
        size_t count = gather(facts, b, DAY_RATIO, days);
        drift_learn(days, count, LEVEL_DAYS, block->factors, work);
        for (int lead = 0; lead < LEVEL_LEADS; lead++) {
            count = gather(facts, b, (enum day_array)(DAY_AHEAD + lead), days);
            gather(facts, b, (enum day_array)(DAY_NOISE + lead), noises);
            block->shared.ahead_spread[lead] =
                drift_spread(level_lead_days[lead], days, noises, count, LEVEL_DAYS, work);
        }
    }
    free(days);
    free(noises);
    free(work);
    return changed;
}

static void learn_block_rates(struct facts *facts, double *work)
{
    for (size_t b = 0; b < facts->block_count; b++) {
        struct level_block *shared = &facts->blocks[b].shared;
        size_t count = 0;
        for (size_t i = 0; i < facts->trap_count; i++) {
            const struct level_trace *trace = &facts->traps[i].trace;
            if (facts->traps[i].block == b && trace->own_days >= RATE_DAYS_LEAST &&
                !isnan(trace->own_rate) && !trace->stuck)
                work[count++] = trace->own_rate;
        }
        shared->rate = robust_median(work, count);
        shared->rate_spread = count >= 3 ? robust_deviation(work, count) : NAN;
        shared->lost_mm_day = shared->rate * shared->demand_mm_day;
    }
}

static void learn_trap(struct facts *facts, struct facts_trap *trap, size_t hours)
{
    struct level_visit visits[2 * LEVEL_VISITS_MAX];
    size_t count = 0, p = 0, w = 0;
    while (p < trap->press_count || w < trap->word_count) {
        bool press = w == trap->word_count ||
                     (p < trap->press_count && trap->presses[p].at_s <= trap->words[w].at_s);
        visits[count++] = press ? trap->presses[p++] : trap->words[w++];
    }
    struct bait_limits limits = facts_limits(facts, trap);
    struct level_facts level = {.first_hour = facts->first_hour,
                                .hour_count = hours,
                                .hours = trap->hours,
                                .visits = visits,
                                .visit_count = count,
                                .full_mm = limits.full_mm,
                                .low_mm = limits.low_mm,
                                .block = &facts->blocks[trap->block].shared};
    level_learn(&level, &trap->trace);
    trap->stale = false;
}

static void settle_assignments(struct facts *facts, int64_t now_s)
{
    for (size_t i = 0; i < facts->trap_count; i++) {
        struct facts_trap *trap = &facts->traps[i];
        const struct roster_assignment *latest = NULL;
        const struct roster_assignment *now =
            roster_of_trap(facts->roster, trap->name, now_s, &latest);
        trap->active = now != NULL;
        trap->assignment = now != NULL ? now : latest;
        if (trap->assignment == NULL)
            continue;
        trap->block = trap->assignment->block;
        trap->along_m = ring_along_m(facts->blocks[trap->block].block, trap->assignment->latitude,
                                     trap->assignment->longitude);
    }
}

/* Hours of which no part lies between dawn and dusk. When the hours have moved only the new ones are asked for: the sun's
 * place is dear. Returns from which hour on. */
static size_t slide_dark(struct facts *facts)
{
    int64_t by = facts->first_hour - facts->dark_from;
    size_t kept = by > 0 && by < LEVEL_HOURS ? LEVEL_HOURS - (size_t)by : 0;
    memmove(facts->dark, facts->dark + by * (kept > 0), kept * sizeof(facts->dark[0]));
    for (size_t h = kept; h < LEVEL_HOURS; h++)
        facts->dark[h] = true;
    facts->dark_from = facts->first_hour;
    return kept;
}

static void learn_dark(struct facts *facts)
{
    int64_t noon_s = (int64_t)((12 - facts->site->longitude / 15) * FACTS_HOUR_S);
    if (facts->dark_from == facts->first_hour)
        return;
    int64_t new_hour = facts->first_hour + (int64_t)slide_dark(facts);
    int64_t last_day = (facts->first_hour + LEVEL_HOURS) / 24 + 1;
    for (int64_t day = new_hour / 24 - 1; day <= last_day; day++) {
        struct sun_day sun;
        sun_of_day(facts->site->latitude, facts->site->longitude, day * DAY_S + noon_s, &sun);
        int64_t from = sun.twilight ? sun.dawn_s / FACTS_HOUR_S : day * 24;
        int64_t to = sun.twilight ? sun.dusk_s / FACTS_HOUR_S : day * 24 + 23;
        /* A report carries what was counted since the one before. */
        for (int64_t h = from - facts->first_hour; h <= to + 1 - facts->first_hour; h++)
            if (h >= 0 && h < LEVEL_HOURS)
                facts->dark[h] = false;
    }
}

static void sum_entries(struct facts *facts, struct facts_block *block, size_t hours)
{
    memset(block->entries, 0, sizeof(block->entries));
    memset(block->shorts, 0, sizeof(block->shorts));
    block->counters = 0;
    for (size_t i = 0; i < facts->trap_count; i++) {
        const struct facts_trap *trap = &facts->traps[i];
        if (trap->block != (size_t)(block - facts->blocks) || !trap->active)
            continue;
        block->counters++;
        for (size_t h = 0; h < hours; h++) {
            uint32_t entries = trap->counted[h].entries, shorts = trap->counted[h].shorts;
            block->entries[h] += entries < COUNTS_HOUR_MOST ? entries : COUNTS_HOUR_MOST;
            block->shorts[h] += shorts < COUNTS_HOUR_MOST ? shorts : COUNTS_HOUR_MOST;
        }
    }
}

/* Which hours of the counters are to be doubted. */
static void learn_counts(struct facts *facts, size_t hours)
{
    learn_dark(facts);
    for (size_t b = 0; b < facts->block_count; b++)
        sum_entries(facts, &facts->blocks[b], hours);
    for (size_t i = 0; i < facts->trap_count; i++) {
        struct facts_trap *trap = &facts->traps[i];
        const struct facts_block *block = &facts->blocks[trap->block];
        struct counts_block shared = {block->entries, block->shorts, block->counters,
                                      block->rain_mm, facts->dark};
        struct counts_facts counts = {facts->first_hour, hours,        trap->counted,
                                      trap->hours,       &trap->trace, &shared};
        if (trap->active)
            counts_learn(&counts, &trap->counts);
    }
}

/* One pass over everything: weather, traps, then what the traps say of the weather. Returns whether a
 * block's law was changed. */
static bool learn_all(struct facts *facts, size_t hours, double *work)
{
    int64_t from = facts->learned_hour - LATE_HOURS - facts->first_hour;
    learn_weather(facts, hours, from < 0 ? 0 : from > (int64_t)hours ? hours : (size_t)from, work);
    for (size_t i = 0; i < facts->trap_count; i++)
        if (facts->traps[i].active)
            learn_trap(facts, &facts->traps[i], hours);
    learn_block_rates(facts, work);
    return learn_blocks(facts, hours);
}

void facts_learn(struct facts *facts, int64_t now_s)
{
    facts_slide(facts, now_s);
    int64_t hour = now_s / FACTS_HOUR_S, count = hour - facts->first_hour + 1;
    size_t hours = count < 0 ? 0 : count > LEVEL_HOURS ? LEVEL_HOURS : (size_t)count;
    if (hour != facts->learned_hour) {
        double *work = malloc((facts->trap_count + 1) * sizeof(*work));
        settle_assignments(facts, now_s);
        /* From nothing, rates and drift find each other in a few passes. */
        int passes = facts->learned_hour == 0 ? FIRST_PASSES : 1;
        for (int i = 0; i < passes && work != NULL; i++)
            if (learn_all(facts, hours, work) && i + FIRST_PASSES > passes)
                passes = i + FIRST_PASSES < PASSES_MOST ? i + FIRST_PASSES : PASSES_MOST;
        learn_counts(facts, hours);
        if (work != NULL)
            facts->learned_hour = hour;
        free(work);
    }
    for (size_t i = 0; i < facts->trap_count; i++)
        if (facts->traps[i].active && facts->traps[i].stale)
            learn_trap(facts, &facts->traps[i], hours);
}

static int64_t sum_net(const struct facts *facts, const struct facts_trap *trap, int64_t from_s,
                       int64_t now_s)
{
    int64_t from = from_s / FACTS_HOUR_S - facts->first_hour;
    int64_t to = now_s / FACTS_HOUR_S - facts->first_hour;
    int64_t sum = 0;
    for (int64_t i = from < 0 ? 0 : from; i <= to && i < LEVEL_HOURS; i++)
        sum += trap->hours[i].net;
    return sum > 0 ? sum : 0;
}

int64_t facts_net(const struct facts *facts, const struct facts_trap *trap, int64_t now_s)
{
    int64_t from_s = trap->trace.emptied_s != 0 ? trap->trace.emptied_s : trap->trace.heard_from_s;
    return from_s == 0 ? -1 : sum_net(facts, trap, from_s, now_s);
}

static double net_per_day(const struct facts *facts, const struct facts_trap *trap, int64_t now_s)
{
    int64_t from_s = now_s - NET_DAYS * DAY_S;
    if (trap->trace.heard_from_s == 0)
        return NAN;
    if (trap->trace.heard_from_s > from_s)
        from_s = trap->trace.heard_from_s;
    double days = (double)(now_s - from_s) / DAY_S;
    return days < 0.5 ? NAN : (double)sum_net(facts, trap, from_s, now_s) / days;
}

static void judge_trap(const struct facts *facts, const struct facts_trap *trap, int64_t now_s,
                       struct bait_verdict *verdict, struct why *why)
{
    struct bait_limits limits = facts_limits(facts, trap);
    struct bait_facts bait = {.trace = &trap->trace,
                              .block = &facts->blocks[trap->block].shared,
                              .heard_s = trap->heard_s,
                              .level_mm = trap->level_mm,
                              .tilted = trap->flags & AIR_FLAG_TILT,
                              .level_fault = trap->flags & AIR_FLAG_LEVEL_FAULT,
                              .counter_fault = trap->flags & AIR_FLAG_COUNTER_FAULT,
                              .counter_stuck = trap->counts.zero_s != 0,
                              .battery_mv = trap->battery_mv,
                              .net_since_emptied = facts_net(facts, trap, now_s),
                              .net_per_day = net_per_day(facts, trap, now_s),
                              .silent = trap->silence.silent};
    bait_judge(&limits, &bait, now_s, verdict, why);
}

/* A trap whose gateway is not known (NULL), because it was heard long ago or never, was to be heard by any. */
static int64_t listened_since(const struct facts *facts, int64_t from_s,
                              const struct facts_gateway *home)
{
    if (home != NULL)
        return silence_gateway_listened(&home->listening, from_s, home->listening.heard_s);
    int64_t least_s = facts->gateway_count > 0 ? INT64_MAX : 0;
    for (size_t i = 0; i < facts->gateway_count; i++) {
        const struct silence_gateway *listening = &facts->gateways[i].listening;
        int64_t s = silence_gateway_listened(listening, from_s, listening->heard_s);
        least_s = s < least_s ? s : least_s;
    }
    return least_s;
}

static void judge_silence(const struct facts *facts, const struct facts_trap *trap,
                          const struct facts_gateway *home, struct silence_verdict *verdict,
                          struct why *why)
{
    int64_t listened_s = trap->heard_s == 0 ? 0 : listened_since(facts, trap->heard_s, home);
    struct silence_facts silence = {.losses = &trap->losses,
                                    .site = &facts->losses,
                                    .heard_s = trap->heard_s,
                                    .interval_s = trap->interval_s,
                                    .listened_s = listened_s,
                                    .least_s = facts->site->silent_hours * FACTS_HOUR_S};
    silence_judge(&silence, verdict, why);
}

static void judge_stations(struct facts *facts)
{
    for (size_t i = 0; i < facts->gateway_count; i++)
        facts->gateways[i].stations = facts->gateways[i].quiet = facts->gateways[i].together = 0;
    for (size_t i = 0; i < facts->trap_count; i++) {
        struct facts_trap *trap = &facts->traps[i];
        struct facts_gateway *home = facts_home(facts, trap);
        trap->covered = false;
        trap->unheard_s = 0;
        if (!trap->active)
            continue;
        if (trap->heard_s == 0)
            trap->unheard_s = listened_since(facts, trap->assignment->from_s, NULL);
        judge_silence(facts, trap, home, &trap->silence, NULL);
        if (home == NULL)
            continue;
        home->stations++;
        home->quiet += trap->silence.quiet;
    }
}

/* Stations that went quiet together are covered by one condition of their gateway. */
static void judge_cause(struct facts *facts, struct facts_gateway *gateway)
{
    int64_t from_s, to_s;
    size_t count = 0;
    if (gateway->quiet < 3)
        return;
    int64_t *heard_s = malloc(gateway->quiet * sizeof(*heard_s));
    if (heard_s == NULL)
        return;
    for (size_t i = 0; i < facts->trap_count; i++) {
        struct facts_trap *trap = &facts->traps[i];
        if (trap->active && trap->silence.quiet && facts_home(facts, trap) == gateway)
            heard_s[count++] = trap->heard_s;
    }
    bool one = silence_one_cause(heard_s, count, gateway->stations, &from_s, &to_s);
    free(heard_s);
    for (size_t i = 0; i < facts->trap_count && one; i++) {
        struct facts_trap *trap = &facts->traps[i];
        if (!trap->active || !trap->silence.quiet || facts_home(facts, trap) != gateway ||
            trap->heard_s < from_s || trap->heard_s > to_s)
            continue;
        trap->covered = true;
        gateway->together++;
    }
}

void facts_judge(struct facts *facts, int64_t now_s)
{
    judge_stations(facts);
    for (size_t i = 0; i < facts->gateway_count; i++)
        judge_cause(facts, &facts->gateways[i]);
    for (size_t i = 0; i < facts->trap_count; i++)
        if (facts->traps[i].active)
            judge_trap(facts, &facts->traps[i], now_s, &facts->traps[i].bait, NULL);
}

void facts_explain(struct facts *facts, const struct facts_trap *trap, int64_t now_s,
                   struct why *bait, struct why *silence, struct why *counts)
{
    struct bait_verdict unused_bait;
    struct silence_verdict unused_silence;
    bait->count = silence->count = counts->count = 0;
    judge_trap(facts, trap, now_s, &unused_bait, bait);
    judge_silence(facts, trap, facts_home(facts, trap), &unused_silence, silence);
    counts_explain(&trap->counts, counts);
}
