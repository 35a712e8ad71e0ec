#include "collector/judge/bait.h"

#include <math.h>

#include "protocol/air/report.h"

enum { DAY_S = 86400 };
static const double Z80 = 1.2815516;   /* a tenth of a normal distribution lies beyond */
static const double HORIZON_DAYS = 45; /* a date further off is no date */
static const double GROWN_DAYS = 6;
static const double AGE_AHEAD_DAYS = 0.9;
static const double BAIT_L = 0.5;
/* Traps of a block answer the same weather differently: an exposed one to wind, a shaded one to warmth. */
static const double RESPONSE = 0.15;
static const double RAFT_MM = 1.5;   /* judgement */
static const double OVERFULL_MM = 3; /* above the full mark; noise and loss set it, judgement */
static const double OVERFULL_FOAM_MM = 10;
static const double DILUTED_SHARE = 0.25; /* rain in what stood there; judgement */
static const double AGE_FAILED = 2,
                    LOAD_FAILED = 2; /* times the limit: the trap no longer guards; judgement */
static const double CATCH_DISPERSION =
    3; /* variance of catches over their mean; counts of insects cluster */
static const int BATTERY_LOW_MV = 2200; /* two alkaline cells near their end; judgement */

static const char *const COMMON = "common practice, no source";
static const char *const JUDGED = "judgement";
static const char *const SETTING = "site settings";
static const char *const MEASURED = "station";

/* One candidate for the visit: the earliest wins. */
struct candidate {
    enum feed_visit_reason reason;
    double from, by, until; /* days from now; INFINITY: never */
};

struct judge {
    const struct bait_limits *limits;
    const struct bait_facts *facts;
    int64_t now_s;
    struct bait_verdict *verdict;
    struct why *why;
    struct candidate best;
    bool failed;
};

/* Bait that turns a week old on the day of the next round is replaced on that round: a trap keeps its
 * weekday. What the early end of an interval says may come true before the next round. */
static bool is_due(const struct judge *j, const struct candidate *candidate)
{
    double ahead = j->limits->due_ahead_days;
    if (candidate->reason == FEED_REASON_BAIT_AGE)
        ahead = fmin(ahead, AGE_AHEAD_DAYS);
    return candidate->from <= ahead;
}

/* The earliest; but what is due now comes before what is not. */
static void consider(struct judge *j, struct candidate candidate)
{
    bool due = is_due(j, &candidate), best_due = is_due(j, &j->best);
    if (due == best_due ? candidate.by < j->best.by : due)
        j->best = candidate;
}

static void fail(struct judge *j, enum feed_visit_reason reason)
{
    if (!j->failed)
        j->best = (struct candidate){.reason = reason};
    j->failed = true;
}

/* A level that falls by rate * demand a day; where is it after so many days, z deviations off? */
struct fall {
    double level_mm, level_spread_mm, mm_day;
    double rate_share;               /* what is not known of the trap's rate, of the loss */
    double ahead_share[LEVEL_LEADS]; /* how far losses of one day and of three are off */
};

/* Between the leads by the logarithm of days; beyond three, errors of single days partly cancel. */
static double ahead_share(const struct fall *fall, double days)
{
    double beyond = days / level_lead_days[1];
    if (beyond > 1)
        return fall->ahead_share[1] * pow(beyond, -0.25);
    double part = log(fmax(1, days / level_lead_days[0])) /
                  log((double)level_lead_days[1] / level_lead_days[0]);
    return fall->ahead_share[0] + part * (fall->ahead_share[1] - fall->ahead_share[0]);
}

static double fall_level(const struct fall *fall, double days, double z)
{
    double lost = fall->mm_day * days;
    double rate = lost * fall->rate_share;
    double ahead = lost * ahead_share(fall, days);
    double variance = fall->level_spread_mm * fall->level_spread_mm + rate * rate + ahead * ahead;
    return fall->level_mm - lost + z * sqrt(variance);
}

/* Days until that level reaches the mark; INFINITY beyond the horizon. */
static double fall_days(const struct fall *fall, double mark_mm, double z)
{
    double low = 0, high = 2 * HORIZON_DAYS;
    if (fall_level(fall, 0, z) <= mark_mm)
        return 0;
    if (fall_level(fall, high, z) > mark_mm)
        return INFINITY;
    for (int i = 0; i < 40; i++) {
        double middle = (low + high) / 2;
        if (fall_level(fall, middle, z) > mark_mm)
            low = middle;
        else
            high = middle;
    }
    return high;
}

static double square_sum(double a, double b)
{
    return sqrt(a * a + b * b);
}

/* Many insects, and no lift seen: it may have come while nothing was heard. */
static double raft_spread_mm(const struct judge *j)
{
    bool many = (double)j->facts->net_since_emptied > j->limits->insects / 2;
    return many && j->facts->trace->lift_mm <= 0 ? RAFT_MM / 2 : 0;
}

static struct fall fall_of(const struct judge *j)
{
    const struct level_trace *trace = j->facts->trace;
    const struct level_block *block = j->facts->block;
    double mm_day = trace->rate * block->demand_mm_day;
    double since = (double)(j->now_s - trace->level_s) / DAY_S;
    /* What past forecasts were off by holds what was not known of the rates of grown traps. */
    double young = fmax(0, 1 - trace->own_days / GROWN_DAYS);
    struct fall fall = {
        .level_mm = trace->level_mm - trace->lift_mm - mm_day * fmax(0, since),
        .level_spread_mm = square_sum(square_sum(trace->level_spread_mm, raft_spread_mm(j)),
                                      0.2 * mm_day * fmax(0, since)),
        .mm_day = mm_day,
        .rate_share = young * (trace->rate > 0 ? trace->rate_spread / trace->rate : 0),
    };
    for (int lead = 0; lead < LEVEL_LEADS; lead++)
        fall.ahead_share[lead] = isnan(block->ahead_spread[lead])
                                     ? square_sum(block->demand_spread, RESPONSE)
                                     : block->ahead_spread[lead];
    return fall;
}

static void explain_law(const struct judge *j)
{
    const struct level_block *block = j->facts->block;
    why_text(j->why, "evaporation follows", law_text(block->law.law),
             "of three laws the one that foretells the block's days best",
             "FAO-56 eq. 52 and 11, Allen et al. 1998");
    why_number(j->why, "error by warmth and sunshine", block->law.error[LAW_HARGREAVES], "",
               "of days held out, over the usual loss", "learned");
    why_number(j->why, "error by dryness", block->law.error[LAW_DEFICIT], "", "", "learned");
    why_number(j->why, "error by a constant", block->law.error[LAW_CONSTANT], "", "", "learned");
    why_number(j->why, "demand expected", block->demand_mm_day, "mm/day",
               "recent days, moved by what the block's traps really lost", "learned");
    why_number(j->why, "one day's loss, off by", block->ahead_spread[0], "",
               "of the loss: how right forecasts of past days were", "learned");
    why_number(j->why, "three days' losses, off by", block->ahead_spread[1], "", "", "learned");
}

static void explain_level(const struct judge *j, const struct fall *fall)
{
    const struct level_trace *trace = j->facts->trace;
    struct why *why = j->why;
    why_number(why, "level of the last report", j->facts->level_mm, "mm", "", MEASURED);
    why_number(why, "bait level now", fall->level_mm, "mm",
               "median of the last hours, carried to now by the trap's own loss", MEASURED);
    if (trace->lift_mm > 0)
        why_number(why, "taken off for a raft", trace->lift_mm, "mm",
                   "small rises with insects in the trap: afloat, they lift what the sensor sees",
                   MEASURED);
    why_number(why, "low mark", j->limits->low_mm, "mm", "below it nothing drowns", SETTING);
    why_number(why, "full mark", j->limits->full_mm, "mm", "above it wasps walk out", SETTING);
    explain_law(j);
    why_number(why, "loss per demand", trace->rate, "mm/mm",
               "this trap's and its block's, each weighted by how well it is known", "learned");
    why_number(why, "loss per demand, this trap alone", trace->own_rate, "mm/mm",
               "median of slopes between hours whole days apart", "Theil-Sen estimator, Sen 1968");
    why_number(why, "days it was learned from", trace->own_days, "days", "", "learned");
    why_number(why, "loss expected", fall->mm_day, "mm/day", "demand times loss per demand", "");
}

static void judge_level(struct judge *j)
{
    const struct level_trace *trace = j->facts->trace;
    struct bait_verdict *v = j->verdict;
    v->level_mm = NAN;
    if (trace->stuck || j->facts->level_fault) {
        why_text(j->why, "level sensor", trace->stuck ? "does not move" : "reports a fault",
                 "its level is not used", MEASURED);
        return;
    }
    if (isnan(trace->level_mm)) {
        why_text(j->why, "bait level", "not measured", "no date from the level", MEASURED);
        return;
    }
    struct fall fall = fall_of(j);
    v->level_mm = isnan(fall.level_mm) ? trace->level_mm - trace->lift_mm : fall.level_mm;
    if (v->level_mm <= j->limits->low_mm)
        fail(j, FEED_REASON_LOW_LEVEL);
    if (trace->unlimited) {
        why_number(j->why, "bait level now", v->level_mm, "mm", "", MEASURED);
        why_number(j->why, "low mark", j->limits->low_mm, "mm", "below it nothing drowns", SETTING);
        why_number(j->why, "loss measured", trace->lost_mm, "mm",
                   "below the sensor's noise: not limited by level, no date", MEASURED);
        why_number(j->why, "days it was measured over", trace->lost_days, "days", "", MEASURED);
        return;
    }
    explain_level(j, &fall);
    if (isnan(fall.mm_day) || fall.mm_day <= 0)
        return;
    struct candidate candidate = {.reason = FEED_REASON_LOW_LEVEL,
                                  .from = fall_days(&fall, j->limits->low_mm, -Z80),
                                  .by = fall_days(&fall, j->limits->low_mm, 0),
                                  .until = fall_days(&fall, j->limits->low_mm, Z80)};
    if (candidate.by > HORIZON_DAYS)
        return;
    candidate.until = fmin(candidate.until, 2 * HORIZON_DAYS);
    why_number(j->why, "days until the low mark", candidate.by, "days", "median", "");
    why_number(j->why, "earliest", candidate.from, "days", "early end of the 80 % interval", "");
    why_number(j->why, "latest", candidate.until, "days", "late end of the 80 % interval", "");
    consider(j, candidate);
}

static void judge_age(struct judge *j)
{
    const struct level_trace *trace = j->facts->trace;
    struct bait_verdict *v = j->verdict;
    int64_t since_s = trace->fresh_s != 0 ? trace->fresh_s : trace->heard_from_s;
    v->age_days = NAN;
    v->age_is_least = trace->fresh_s == 0;
    if (since_s == 0)
        return;
    v->age_days = fmax(0, (double)(j->now_s - since_s) / DAY_S);
    why_instant(j->why, v->age_is_least ? "first report of this trap" : "fresh bait", since_s,
                v->age_is_least ? "no fresh bait on record: the bait is at least that old"
                                : "a recorded visit; a rise nobody recorded does not count",
                v->age_is_least ? MEASURED : "visits");
    why_number(j->why, "bait age", v->age_days, "days", "old bait no longer draws wasps", COMMON);
    why_number(j->why, "bait age, limit", j->limits->age_days, "days", "", SETTING);
    double left = j->limits->age_days - v->age_days;
    if (v->age_days >= AGE_FAILED * j->limits->age_days)
        fail(j, FEED_REASON_BAIT_AGE);
    left = fmax(0, left);
    consider(j, (struct candidate){FEED_REASON_BAIT_AGE, left, left, left});
}

/* Days until so many more passes, z deviations late: their number in a time spreads like that of clustered counts, so
 * that left = n + z sqrt(dispersion n) for the n that come on average. */
static double catch_days(double left, double per_day, double z)
{
    double spread = z * sqrt(CATCH_DISPERSION);
    double root = (sqrt(spread * spread + 4 * left) + spread) / 2;
    return root * root / per_day;
}

static void judge_load(struct judge *j)
{
    int64_t net = j->facts->net_since_emptied;
    if (net < 0)
        return;
    why_number(j->why, "passes since emptied", (double)net, "", "entries less exits", MEASURED);
    why_number(j->why, "passes since emptied, limit", j->limits->insects, "",
               "a raft of dead insects lets others escape", SETTING);
    double left = j->limits->insects - (double)net;
    if ((double)net >= LOAD_FAILED * j->limits->insects)
        fail(j, FEED_REASON_INSECT_LOAD);
    double per_day = j->facts->net_per_day;
    struct candidate candidate = {FEED_REASON_INSECT_LOAD, 0, 0, 0};
    if (left > 0) {
        if (isnan(per_day) || per_day <= 0 || left / per_day > HORIZON_DAYS)
            return;
        candidate.from = catch_days(left, per_day, -Z80);
        candidate.by = catch_days(left, per_day, 0);
        candidate.until = catch_days(left, per_day, Z80);
        why_number(j->why, "passes per day", per_day, "1/day", "last three days", MEASURED);
    }
    consider(j, candidate);
}

/* What the trap loses until the next round: rain that is gone by then is no reason to walk. */
static double evaporates_mm(const struct judge *j)
{
    double mm_day = j->facts->trace->rate * j->facts->block->demand_mm_day;
    return isnan(mm_day) ? 0 : mm_day * j->limits->due_ahead_days;
}

static void judge_rain(struct judge *j)
{
    const struct level_trace *trace = j->facts->trace;
    double level = j->verdict->level_mm, above = level - j->limits->full_mm;
    double most = (trace->foam ? OVERFULL_FOAM_MM : OVERFULL_MM) + evaporates_mm(j);
    if (!isnan(level) && above > most) {
        why_number(j->why, "above the full mark", above, "mm", "wasps walk out of an overfull trap",
                   COMMON);
        fail(j, FEED_REASON_OVERFULL);
    }
    if (trace->rain_mm <= 0)
        return;
    double share = trace->rain_mm / fmax(1, isnan(level) ? j->limits->full_mm : level);
    why_number(j->why, "rain since fresh bait", trace->rain_mm, "mm",
               "a rise common to the block's traps", MEASURED);
    why_number(j->why, "rain, share of the level", share, "", "a quarter dilutes the bait", JUDGED);
    if (share >= DILUTED_SHARE)
        consider(j, (struct candidate){.reason = FEED_REASON_DILUTED});
}

static void judge_faults(struct judge *j)
{
    const struct bait_facts *facts = j->facts;
    if (facts->tilted) {
        why_text(j->why, "trap", "tilted", "a trap that lies or leans does not guard", MEASURED);
        fail(j, FEED_REASON_TILTED);
    }
    if (facts->level_fault || facts->counter_fault || facts->counter_stuck || facts->trace->stuck)
        consider(j, (struct candidate){.reason = FEED_REASON_SENSOR_FAULT});
    if (facts->counter_fault)
        why_text(j->why, "counter", "reports a fault", "its passes are doubtful", MEASURED);
    if (facts->counter_stuck)
        why_text(j->why, "counter", "counts nothing", "while its neighbours catch: see the counts",
                 MEASURED);
    if (facts->battery_mv != AIR_BATTERY_UNKNOWN && facts->battery_mv < BATTERY_LOW_MV) {
        why_number(j->why, "battery under load", facts->battery_mv / 1000.0, "V",
                   "below 2.2 V the cells are near their end", JUDGED);
        consider(j, (struct candidate){.reason = FEED_REASON_BATTERY});
    }
}

static int64_t at(const struct judge *j, double days)
{
    return j->now_s + (int64_t)llround(days * DAY_S);
}

static void conclude(struct judge *j)
{
    struct bait_verdict *v = j->verdict;
    v->condition = FEED_TRAP_WORKING;
    v->bring_l = 0;
    if (j->best.by < INFINITY) {
        v->reason = j->best.reason;
        v->from_s = at(j, j->best.from);
        v->by_s = at(j, j->best.by);
        v->until_s = at(j, j->best.until);
        if (v->reason != FEED_REASON_SENSOR_FAULT && v->reason != FEED_REASON_BATTERY &&
            v->reason != FEED_REASON_OVERFULL)
            v->bring_l = BAIT_L;
    }
    if (is_due(j, &j->best))
        v->condition = FEED_TRAP_DUE;
    if (j->failed)
        v->condition = FEED_TRAP_FAILED;
    if (j->facts->silent)
        v->condition = FEED_TRAP_SILENT;
    if (j->facts->heard_s == 0)
        v->condition = FEED_TRAP_NEW;
}

void bait_judge(const struct bait_limits *limits, const struct bait_facts *facts, int64_t now_s,
                struct bait_verdict *verdict, struct why *why)
{
    struct judge j = {.limits = limits,
                      .facts = facts,
                      .now_s = now_s,
                      .verdict = verdict,
                      .why = why,
                      .best = {.from = INFINITY, .by = INFINITY, .until = INFINITY}};
    *verdict = (struct bait_verdict){.reason = FEED_REASON_NONE};
    why_instant(why, "last report", facts->heard_s, "", MEASURED);
    judge_level(&j);
    judge_age(&j);
    judge_load(&j);
    judge_rain(&j);
    judge_faults(&j);
    conclude(&j);
}
