/* A site's traps as a problem of rounds, and the plan that answers it. */
#ifndef EDGEROW_CLI_ROUND_VIEW_H
#define EDGEROW_CLI_ROUND_VIEW_H

#include "collector/cli/site_view.h"
#include "collector/round/round.h"
#include "collector/season/sun.h"

enum { ROUND_CLOSURES_MAX = 32 };

/* A block that nobody may enter, from and to local dates, both inclusive. */
struct round_closure {
    char block[ROSTER_NAME_MAX + 1];
    int64_t from_s, to_s; /* UTC: local midnight that begins it, local midnight that ends it */
};

struct round_options {
    struct round_settings settings; /* crew_minutes is filled in from persons and hours */
    double persons, hours;          /* of each in a day */
    double minutes_per_visit;
    double walk_m_per_min;
    double base_latitude, base_longitude; /* NAN: the site's */
    struct round_closure closures[ROUND_CLOSURES_MAX];
    size_t closure_count;
};

struct round_day_view {
    int64_t begin_s; /* local midnight */
    struct sun_day sun;
    int64_t start_s, until_s; /* from first light, as long as the crew works */
};

struct round_view {
    struct round_day_view days[ROUND_DAYS];
    struct judging_trap *traps;
    struct round_trap *inputs;
    size_t count;
    struct round_plan plan;
};

/* 0 or a negative errno, said on standard error. round_view_close in every case. */
int round_view_open(struct round_view *round, const struct site_view *view,
                    const struct round_options *options);
void round_view_close(struct round_view *round);

#endif
