/*
 * What the level history of one trap tells: when it was filled and by what, how fast it loses bait,
 * where it is now. Pure. Learned once an hour; bait.h judges from the result at any time in
 * between.
 *
 * Hours are UTC hours counted from the epoch. The sensor resolves a quarter of a millimetre and is
 * good to about half a millimetre; an hour holds the median of its reports.
 */
#ifndef EDGEROW_JUDGE_LEVEL_H
#define EDGEROW_JUDGE_LEVEL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "collector/judge/law.h"

enum {
    LEVEL_DAYS = 21,
    LEVEL_HOURS = LEVEL_DAYS * 24, /* what is looked at */
    LEVEL_NONE = INT16_MIN,        /* no usable level in that hour */
    LEVEL_LEADS = 2,               /* that forecasts are tried on: one day, and three */
    LEVEL_VISITS_MAX = 24,
    LEVEL_EVENTS_MAX = 32
};

/* Days of each lead. */
extern const int level_lead_days[LEVEL_LEADS];

enum level_hour_flag {
    LEVEL_HOUR_HEARD = 1, /* a report in that hour */
    LEVEL_HOUR_TILTED = 2,
    LEVEL_HOUR_FAULT = 4 /* the level sensor called itself faulty */
};

/* One hour of one trap. */
struct level_hour {
    int16_t level_8mm;         /* median level, eighths of a millimetre; LEVEL_NONE */
    int16_t low_8mm, high_8mm; /* least and most of the hour */
    int16_t net;               /* entries less exits */
    uint8_t flags;
};

enum level_action {                /* what a visit did; by a person's word or by the button alone */
                    LEVEL_PRESSED, /* the service button: serviced, if the level says so too */
                    LEVEL_TOPPED_UP,
                    LEVEL_REPLACED,
                    LEVEL_EMPTIED,
                    LEVEL_CLEANED
};

struct level_visit {
    int64_t at_s;
    enum level_action action;
};

/* What the traps of a block share. Arrays run over the same hours as the trap's. */
struct level_block {
    const float *demand_mm; /* cumulative demand since the first hour */
    const float *rain_mm;   /* rise of the level common to many traps in that hour; 0: none */
    struct law_choice law;  /* that the demand follows, and how well each would */
    double demand_mm_day;   /* expected for the days to come */
    double demand_spread;   /* deviation of the mean of three coming days over the expected */
    const double
        *outlook_mm_day; /* LEVEL_DAYS: what would have been expected on each day, at the hour
                                     it is now; NULL: not tried */
    double ahead_spread
        [LEVEL_LEADS]; /* how far losses of one and of three days were off what had been foretold, over
                                         it; NAN: not tried */
    double rate, rate_spread; /* mm lost per mm of demand: median of its traps and their deviation;
                                 NAN: none yet */
    double lost_mm_day;       /* median loss of its traps over the last two days; NAN: not known */
};

struct level_facts {
    int64_t first_hour; /* hours since 1970 of hours[0] */
    size_t hour_count;  /* at most LEVEL_HOURS */
    const struct level_hour *hours;
    const struct level_visit *visits; /* oldest first, people's words and presses */
    size_t visit_count;
    double full_mm, low_mm; /* the trap's marks */
    const struct level_block *block;
};

enum level_event_kind {
    LEVEL_EVENT_VISIT, /* recorded */
    LEVEL_EVENT_RISE,  /* somebody filled it and nobody recorded it */
    LEVEL_EVENT_RAIN,
    LEVEL_EVENT_SPILL,
    LEVEL_EVENT_TILT,
    LEVEL_EVENT_LIFT /* insects that drift together lift what the sensor sees */
};

struct level_event {
    int64_t at_s;
    enum level_event_kind kind;
    float change_mm;
    bool fresh;   /* the bait's age begins anew */
    bool emptied; /* the insects were taken out */
};

struct level_trace {
    size_t event_count; /* the latest LEVEL_EVENTS_MAX, oldest first */
    struct level_event events[LEVEL_EVENTS_MAX];
    int64_t fresh_s, emptied_s, visited_s; /* latest of each; 0: none within the history */
    int64_t heard_from_s; /* first hour with a report: the bait is at least as old as that without a
                             visit */
    double rain_mm;       /* fallen in since fresh bait */
    double lift_mm; /* by which insects lift what the sensor sees, since they were taken out */
    double rate; /* mm lost per mm of demand: own and block's, weighted by evidence; NAN: unknown */
    double rate_spread; /* its standard deviation */
    float day_ratio
        [LEVEL_DAYS]; /* loss of each day over what rate and demand say; NAN: not measured */
    float day_lost_mm[LEVEL_DAYS]; /* loss of each day; NAN: not measured */
    float ahead_ratio
        [LEVEL_LEADS]
        [LEVEL_DAYS]; /* loss of one and of three days after each over what would have been
                                                   foretold; NAN: not measured */
    float ahead_noise[LEVEL_LEADS][LEVEL_DAYS]; /* deviation of that by the sensor's noise alone */
    double own_rate,
        own_days; /* what this trap's history alone says, and days of evidence; NAN, 0 */
    double lost_mm, lost_days; /* measured loss in the undisturbed stretches that were used */
    double level_mm;           /* at level_s; NAN: unknown */
    double level_spread_mm;
    int64_t level_s;
    bool unlimited; /* loss below the sensor's noise: no date from the level */
    bool stuck;     /* does not move while the block's traps lose */
    bool foam;      /* fresh bait of the last two days: the sensor reads high */
};

void level_learn(const struct level_facts *facts, struct level_trace *trace);

#endif
