/*
 * A summer in memory: the rehearsal's weather, wasps, other insects and traps, whose stations say
 * what they count straight to a listener, with losses in bursts but without daemons, keys and
 * collisions. Keeps the truth beside it. Its laws of loss are the rehearsal's own and share nothing
 * with the judge.
 */
#ifndef SUMMER_H
#define SUMMER_H

#include "collector/roster/roster.h"
#include "deploy/rehearsal/others.h"
#include "deploy/rehearsal/place.h"
#include "deploy/rehearsal/trap.h"
#include "deploy/rehearsal/wasps.h"
#include "protocol/air/report.h"

enum { SUMMER_DAYS_MAX = 90, SUMMER_SLICE_S = 900, SUMMER_OFFSET_S = -7 * 3600 };

struct summer_settings {
    uint64_t seed; /* also picks the day on which it begins, from 10 June on, and its year */
    size_t traps;
    int days;
    enum trap_law law;
    const char *climate; /* "mild" or "hot" */
    double full_mm, low_mm;
    double good_days; /* that bait draws wasps */
    double wasps;     /* as many as in the rehearsal: 1 */
    double loss;      /* share of frames, in bursts of mean 8 */
    bool faults;      /* of counters; see summer.c for how many */
};

/* What is wrong with a trap's counter. */
enum summer_fault {
    SUMMER_SOUND,
    SUMMER_STUCK,  /* counts nothing */
    SUMMER_BLOCKED /* its beam is blocked for most of the time */
};

struct summer_trap {
    struct trap trap;
    struct others others;
    struct dice dice;
    uint32_t entries, exits, shorts, blocked_2s, fcnt;
    uint8_t tick, service_sequence;
    uint8_t recent[AIR_RECENT_MAX];
    uint8_t recent_count;
    bool pressed, bad_spell, was_tilted;
    double warm_c; /* by how much the sun heats its sensor */
    enum summer_fault fault;
    int64_t fault_from_s, fault_until_s;
    int64_t fell_s;                       /* when it fell; 0: it did not */
    float level_mm[SUMMER_DAYS_MAX * 24]; /* truth, at the end of each hour */
    float
        lost_mm[SUMMER_DAYS_MAX * 24]; /* evaporated since the beginning, at the end of each hour */
    double lost_sum_mm;
    /* By hour: what really went in, and what else crossed the beam. */
    uint16_t wasps[SUMMER_DAYS_MAX * 24], night[SUMMER_DAYS_MAX * 24], drops[SUMMER_DAYS_MAX * 24];
    uint16_t flies[SUMMER_DAYS_MAX * 24], bees[SUMMER_DAYS_MAX * 24], ants[SUMMER_DAYS_MAX * 24];
    uint16_t blocked_s[SUMMER_DAYS_MAX * 24];
    uint64_t served_hours[SUMMER_DAYS_MAX]; /* bit h: visited in that hour of the day */
    bool tilted[SUMMER_DAYS_MAX * 24];
};

struct summer {
    struct summer_settings settings;
    struct place *place;
    struct weather *weather;
    struct wasps *wasps;
    struct roster roster;
    struct summer_trap *traps;
    double *attraction, *per_hour;
    struct passes passes;
    struct dice dice;
    int64_t start_s, now_s;
    double slices, guarded; /* trap-slices, and those of them that guarded */
    unsigned visits;
};

struct summer_word {
    size_t trap;
    uint32_t devaddr, fcnt;
    int64_t at_s;
    const struct air_report *report;
};
typedef void (*summer_heard)(void *user, const struct summer_word *word);

void summer_open(struct summer *summer, const struct summer_settings *settings);
void summer_close(struct summer *summer);
/* A quarter of an hour. */
void summer_slice(struct summer *summer, summer_heard heard, void *user);
/* Somebody empties the trap and fills in fresh bait; pressed: and presses the button. */
void summer_serve(struct summer *summer, size_t trap, bool pressed);
size_t summer_hour(const struct summer *summer); /* index of the hour now */

#endif
