/* What the two solvers work on: only the traps that must be served, and a solution as trips. */
#ifndef EDGEROW_ROUND_PROBLEM_H
#define EDGEROW_ROUND_PROBLEM_H

#include "collector/round/round.h"

enum { ROUND_TRIPS_MOST = 64 };

/* Minutes that one unserved trap weighs: more than any plan walks. */
#define ROUND_UNSERVED 1e5

struct round_need {
    uint16_t trap; /* index in the caller's array; place is trap + 1 */
    int last_day;  /* 0 to ROUND_DAYS - 1 */
    uint8_t days;  /* bit d: may be served on day d: open and not after last_day */
    double minutes, litres;
};

struct round_problem {
    const struct round_need *needs;
    size_t count;
    const struct round_walk *walk;
    const struct round_settings *settings;
    double supply[ROUND_DAYS]; /* litres that may have been hung by the end of day d; infinite from
                                  ferment_days on */
};

struct round_trip {
    uint8_t day;
    uint16_t length;
    uint16_t *needs; /* indices into the problem's needs, in walking order */
};

struct round_solution {
    struct round_trip trips[ROUND_TRIPS_MOST];
    size_t trip_count;
    uint16_t *pool; /* storage of all trips' needs */
    double cost;    /* walking and reloading minutes, plus ROUND_UNSERVED for each unserved need */
};

double round_walk_between(const struct round_problem *problem, size_t from_need, size_t to_need);
double round_walk_base(const struct round_problem *problem, size_t need);

/* At most ROUND_EXACT_MOST needs: the best plan there is. 0 or -ENOMEM. */
int round_exact(const struct round_problem *problem, struct round_solution *solution);
/* Any number: the best plan found in so many iterations. 0 or -ENOMEM. */
int round_search(const struct round_problem *problem, unsigned iterations, uint64_t seed,
                 struct round_solution *solution);

#endif
