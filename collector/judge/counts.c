#include "collector/judge/counts.h"

#include <math.h>
#include <string.h>

#include "collector/judge/robust.h"

enum { HOUR_S = 3600, WEEK_HOURS = 7 * 24, FRESH_HOURS = 36, BLOCKED_LEAST_S = 900 };
enum { RAIN_SHORTS_LEAST = 2, OWN_LEAST = 30, OWN_HOURS_LEAST = 10 };
static const double HOURS_MIDDLE_MOST = 5;
static const double RAIN_LEAST_MM = 0.6, RAIN_BALANCE = 1.25, RAIN_BLOCK_LEAST = 2;
static const double ZERO_EXPECTED = 20;

struct counter {
    const struct counts_facts *facts;
    struct counts_trace *trace;
    bool young[LEVEL_HOURS]; /* fresh bait does not draw yet */
    /* Sums over the fair hours before each. */
    uint32_t own[LEVEL_HOURS + 1], others[LEVEL_HOURS + 1];
    uint16_t hours[LEVEL_HOURS + 1]; /* with an entry of its own */
};

static void mark(struct counter *c, size_t hour, enum counts_doubt doubt)
{
    c->trace->doubts[hour] = (uint8_t)(c->trace->doubts[hour] | 1u << doubt);
}

/* Rain that the levels show, drops on all traps of a block, more of them too short for an insect than not, and so on
 * this one. Insects that the rain did not keep at home would turn the block's balance. */
static bool drops(const struct counts_facts *facts, size_t h)
{
    const struct counts_block *block = facts->block;
    unsigned entries = facts->hours[h].entries, shorts = facts->hours[h].shorts;
    double all_entries = block->entries[h], all_shorts = block->shorts[h];
    /* Where nearly all are short, ants pass. */
    bool here = shorts >= RAIN_SHORTS_LEAST && shorts >= entries && shorts <= 3 * entries + 3;
    return here && (double)block->rain_mm[h] > RAIN_LEAST_MM &&
           all_shorts >= RAIN_BALANCE * all_entries &&
           all_shorts + all_entries >= RAIN_BLOCK_LEAST * (double)block->traps;
}

static void mark_hour(struct counter *c, size_t h)
{
    const struct counts_hour *hour = &c->facts->hours[h];
    if (c->facts->levels[h].flags & LEVEL_HOUR_TILTED)
        mark(c, h, COUNTS_TILTED);
    if (!hour->known)
        return;
    if (hour->blocked_s >= BLOCKED_LEAST_S)
        mark(c, h, COUNTS_BLOCKED);
    if (hour->entries == 0)
        return;
    if (c->facts->block->dark[h])
        mark(c, h, COUNTS_NIGHT);
    else if (drops(c->facts, h))
        mark(c, h, COUNTS_RAIN);
}

static void note_young(struct counter *c)
{
    const struct level_trace *trace = c->facts->trace;
    for (size_t i = 0; i < trace->event_count; i++) {
        if (trace->events[i].kind != LEVEL_EVENT_VISIT && trace->events[i].kind != LEVEL_EVENT_RISE)
            continue;
        int64_t from = trace->events[i].at_s / HOUR_S - c->facts->first_hour;
        for (int64_t h = from < 0 ? 0 : from;
             h < from + FRESH_HOURS && h < (int64_t)c->facts->hour_count; h++)
            c->young[h] = true;
    }
}

static bool fair(const struct counter *c, size_t hour)
{
    return c->facts->hours[hour].known && !c->young[hour] && c->trace->doubts[hour] == 0;
}

/* Bees that rob a trap for two hours are not its usual share: an hour counts for no more than some times the middle one
 * of those with an entry. */
static uint32_t hour_most(const struct counter *c)
{
    double entries[LEVEL_HOURS];
    size_t count = 0;
    for (size_t h = 0; h < c->facts->hour_count; h++)
        if (fair(c, h) && c->facts->hours[h].entries > 0)
            entries[count++] = c->facts->hours[h].entries;
    double most = count > 0 ? HOURS_MIDDLE_MOST * robust_median(entries, count) : 0;
    return most < COUNTS_HOUR_MOST ? (uint32_t)most : COUNTS_HOUR_MOST;
}

static void sum_fair(struct counter *c)
{
    uint32_t most = hour_most(c);
    for (size_t h = 0; h < c->facts->hour_count; h++) {
        uint32_t own = c->facts->hours[h].entries, all = c->facts->block->entries[h];
        uint32_t in_all = own < COUNTS_HOUR_MOST ? own : COUNTS_HOUR_MOST;
        bool counts = fair(c, h);
        c->own[h + 1] = c->own[h] + (counts ? own < most ? own : most : 0);
        c->others[h + 1] = c->others[h] + (counts && all > in_all ? all - in_all : 0);
        c->hours[h + 1] = (uint16_t)(c->hours[h] + (counts && own > 0));
    }
}

/* Entries of this trap over those of the others, in fair hours before one. */
static double share_before(const struct counter *c, size_t before)
{
    bool enough = c->own[before] >= OWN_LEAST && c->hours[before] >= OWN_HOURS_LEAST;
    return enough && c->others[before] > 0 ? (double)c->own[before] / c->others[before] : NAN;
}

/* A run of hours without an entry: what should have come in it? Hours of which nothing is known count for nothing,
 * and the counter is cumulative: an entry in them would show in the next. */
static void judge_run(struct counter *c, size_t from, size_t to)
{
    double expected = share_before(c, from) * (double)(c->others[to] - c->others[from]);
    if (!(expected >= ZERO_EXPECTED))
        return;
    for (size_t h = from; h < to; h++)
        mark(c, h, COUNTS_ZERO);
    if (to < c->facts->hour_count)
        return;
    c->trace->zero_s = (c->facts->first_hour + (int64_t)from) * HOUR_S;
    c->trace->zero_expected = expected;
}

static void find_zeros(struct counter *c)
{
    size_t from = 0;
    for (size_t h = 0; h <= c->facts->hour_count; h++) {
        if (h < c->facts->hour_count && c->facts->hours[h].entries == 0)
            continue;
        if (h > from)
            judge_run(c, from, h);
        from = h + 1;
    }
}

static void sum_week(struct counter *c)
{
    size_t count = c->facts->hour_count;
    for (size_t h = count > WEEK_HOURS ? count - WEEK_HOURS : 0; h < count; h++) {
        c->trace->week_hours += c->trace->doubts[h] != 0;
        for (int doubt = 0; doubt < COUNTS_DOUBTS; doubt++) {
            if (!(c->trace->doubts[h] >> doubt & 1))
                continue;
            c->trace->week[doubt].hours++;
            c->trace->week[doubt].entries += c->facts->hours[h].entries;
        }
    }
}

void counts_learn(const struct counts_facts *facts, struct counts_trace *trace)
{
    struct counter c = {.facts = facts, .trace = trace};
    memset(trace, 0, sizeof(*trace));
    for (size_t h = 0; h < facts->hour_count; h++)
        mark_hour(&c, h);
    note_young(&c);
    sum_fair(&c);
    trace->share = share_before(&c, facts->hour_count);
    find_zeros(&c);
    sum_week(&c);
}

const char *counts_text(enum counts_doubt doubt)
{
    static const char *const texts[] = {[COUNTS_NIGHT] = "night",
                                        [COUNTS_RAIN] = "rain",
                                        [COUNTS_BLOCKED] = "blocked",
                                        [COUNTS_TILTED] = "tilted",
                                        [COUNTS_ZERO] = "nothing counted"};
    return texts[doubt];
}

void counts_explain(const struct counts_trace *trace, struct why *why)
{
    static const struct {
        const char *hours, *entries, *rule;
    } words[] = {
        [COUNTS_NIGHT] = {"doubtful hours of the week, night", "entries in them",
                          "wasps do not fly in the dark: moths, earwigs"},
        [COUNTS_RAIN] = {"doubtful hours of the week, rain", "entries in them",
                         "mostly too short for an insect, while it rained: drops"},
        [COUNTS_BLOCKED] = {"doubtful hours of the week, blocked beam", "entries in them",
                            "a quarter of the hour or more: too little is counted. Wipe the mouth"},
        [COUNTS_TILTED] = {"doubtful hours of the week, tilted", "entries in them",
                           "a trap that lies or leans does not catch"},
        [COUNTS_ZERO] = {"doubtful hours of the week, nothing counted", "entries in them",
                         "nothing, while twenty or more were to be expected"}};
    for (size_t doubt = 0; doubt < COUNTS_DOUBTS; doubt++) {
        if (trace->week[doubt].hours == 0)
            continue;
        why_number(why, words[doubt].hours, trace->week[doubt].hours, "h", words[doubt].rule,
                   "judgement");
        if (doubt != COUNTS_ZERO)
            why_number(why, words[doubt].entries, trace->week[doubt].entries, "",
                       "counted, and kept", "station");
    }
    why_number(why, "usual share of the block's entries", trace->share, "",
               "this trap's over the others', without doubtful hours", "learned");
    if (trace->zero_s == 0)
        return;
    why_instant(why, "nothing counted since", trace->zero_s,
                "the counter is likely stuck: look at the beam, exchange the station", "station");
    why_number(why, "entries to be expected since", trace->zero_expected, "",
               "the usual share of what the others counted; twenty at least", "judgement");
}
