/*
 * Which traps to visit on which of the next three days, in which order, in how many trips, and what
 * bait to mix today. Pure, and the same input gives the same plan.
 *
 * The plan keeps every trap working with the confidence its last day was computed for, at the
 * fewest minutes of walking and reloading, within crew hours, closed blocks, the load that can be
 * carried, and bait that has had time to ferment. What cannot be kept is said, with the reason; it
 * is never silently planned late.
 */
#ifndef EDGEROW_ROUND_H
#define EDGEROW_ROUND_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { ROUND_DAYS = 3, ROUND_EXACT_MOST = 10, ROUND_TRAPS_MOST = 1000 };

struct round_trap {
    int last_day; /* last day (0: today) on which a visit still keeps it working; below 0: failed */
    double minutes;    /* work at the trap */
    double litres;     /* bait it takes */
    uint8_t open_days; /* bit d: its block may be entered on day d (spraying, harvest) */
};

struct round_settings {
    double crew_minutes[ROUND_DAYS]; /* persons times their cool hours */
    double ready_litres[ROUND_DAYS]; /* bait already mixed that becomes ready on that day */
    int ferment_days;   /* 1 or 2: what is mixed today can be hung from that day on. One to two days
                           are   the published recipes' figure */
    double load_litres; /* carried on one trip; 20 L is 40 traps of half a litre */
    double reload_minutes;     /* at the base before each trip */
    double on_the_way_minutes; /* largest detour for a trap that is not due yet */
    int on_the_way_days;       /* how far past the day of the visit it may be due */
};

extern const struct round_settings round_defaults;

/* Walking minutes between places, as many one way as the other: place 0 is the base, place i + 1 is trap i. */
struct round_walk {
    size_t places;
    const float *minutes; /* places * places, row by row */
};

enum round_shortfall {
    ROUND_KEPT,
    ROUND_CLOSED,  /* its block is closed on every day up to its last */
    ROUND_NO_BAIT, /* no fermented bait is left on any day up to its last */
    ROUND_NO_HOURS /* crew hours do not suffice */
};

struct round_stop {
    uint16_t trap;
    uint8_t day;
    uint8_t trip;    /* of the day, from 0 */
    bool on_the_way; /* not due within the horizon, served because the crew passes by */
};

struct round_plan {
    struct round_stop *stops; /* in walking order, by day and trip */
    size_t stop_count;
    enum round_shortfall *shortfall; /* for each trap */
    double minutes[ROUND_DAYS];      /* walking, reloading and work */
    double walk_minutes;             /* walking and reloading of all days: what is kept low */
    double litres[ROUND_DAYS];       /* hung on each day */
    unsigned trips[ROUND_DAYS];
    double mix_today_litres; /* beyond what is ready: for the days from ferment_days on */
    double mix_late_litres;  /* and this, for the traps that found no bait: they come next */
    size_t kept, not_kept;   /* traps due within the horizon */
};

/* iterations: how long to search above ROUND_EXACT_MOST due traps; 0: the default. seed: of the
 * search. 0, -EINVAL for a value out of range, -ENOMEM. */
int round_make(const struct round_trap *traps, size_t count, const struct round_walk *walk,
               const struct round_settings *settings, unsigned iterations, uint64_t seed,
               struct round_plan *plan);
void round_free(struct round_plan *plan);

#endif
