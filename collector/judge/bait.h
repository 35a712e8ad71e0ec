/*
 * Why and when to visit a trap: the earliest of low level, bait age, insect load, rain dilution and
 * overfull, and the faults of the trap and its station that make a visit necessary. Pure: (limits,
 * facts, now).
 */
#ifndef EDGEROW_JUDGE_BAIT_H
#define EDGEROW_JUDGE_BAIT_H

#include "collector/judge/level.h"
#include "collector/judge/why.h"
#include "protocol/feed/state.h"

struct bait_limits {
    double full_mm, low_mm; /* the trap's marks */
    double age_days;        /* common practice, no source: a week */
    double insects;         /* since emptied; judgement */
    double due_ahead_days;  /* due when the early end of the interval is nearer than this */
};

struct bait_facts {
    const struct level_trace *trace;
    const struct level_block *block;
    int64_t heard_s; /* last report; 0: never */
    double level_mm; /* of that report; NAN: not measured */
    bool tilted, level_fault, counter_fault;
    bool counter_stuck;        /* counts nothing while the neighbours catch, see counts.h */
    int battery_mv;            /* under load; AIR_BATTERY_UNKNOWN */
    int64_t net_since_emptied; /* entries less exits; -1: unknown */
    double net_per_day;        /* of the last three days; NAN: unknown */
    bool silent;               /* judged by silence.h */
};

struct bait_verdict {
    enum feed_trap_condition condition;
    enum feed_visit_reason reason; /* of the earliest date, or of the failure */
    int64_t by_s, from_s, until_s; /* median and 80 % interval; 0: no date */
    double level_mm, age_days;     /* now; NAN: unknown */
    bool age_is_least;             /* no fresh bait on record: at least that old */
    double bring_l; /* bait to bring: half a litre a trap, common practice, no source */
};

/* why may be NULL. */
void bait_judge(const struct bait_limits *limits, const struct bait_facts *facts, int64_t now_s,
                struct bait_verdict *verdict, struct why *why);

#endif
