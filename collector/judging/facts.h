/* What judging holds of traps, blocks and gateways. Internal to collector/judging. */
#ifndef EDGEROW_JUDGING_FACTS_H
#define EDGEROW_JUDGING_FACTS_H

#include "collector/judge/bait.h"
#include "collector/judge/counts.h"
#include "collector/judge/refusals.h"
#include "collector/judge/silence.h"
#include "collector/judge/weather.h"
#include "collector/judging.h"
#include "collector/roster/roster.h"
#include "collector/site.h"

enum { FACTS_SAMPLES_MAX = 64, FACTS_GATEWAYS_MAX = SITE_GATEWAYS_MAX, FACTS_HOUR_S = 3600 };

/* The last report by frame counter of the unit that serves a trap. */
struct facts_last {
    uint32_t devaddr, key_check, fcnt;
    uint8_t epoch, service_sequence;
    uint32_t entries;
    uint16_t exits, short_passes, blocked_2s;
    bool unsure; /* its time: no gateway that heard it had a right clock */
    bool known;
};

struct facts_trap {
    char name[ROSTER_NAME_MAX + 1];
    const struct roster_assignment *assignment; /* now, or the latest; NULL: all in the future */
    bool active;                                /* hangs now */
    size_t block;
    double along_m; /* along the block's boundary; NAN: no position */
    struct facts_last last;
    int64_t heard_s;
    double level_mm, temperature_c; /* of the last report; NAN */
    int battery_mv, interval_s;
    uint8_t flags; /* enum air_flag */
    struct silence_losses losses;
    uint16_t heard_by[FACTS_GATEWAYS_MAX];

    struct level_hour hours[LEVEL_HOURS];
    int16_t temperature_dc[LEVEL_HOURS]; /* AIR_TEMPERATURE_UNKNOWN */
    int16_t humidity_pm[LEVEL_HOURS];    /* AIR_HUMIDITY_UNKNOWN */
    struct counts_hour counted[LEVEL_HOURS];
    struct counts_trace counts;
    size_t sample_hour; /* index */
    size_t sample_count;
    int16_t samples[FACTS_SAMPLES_MAX]; /* levels of that hour, eighths of a millimetre */

    struct level_visit presses[LEVEL_VISITS_MAX], words[LEVEL_VISITS_MAX];
    size_t press_count, word_count;

    struct level_trace trace;
    bool stale; /* the trace is to be learned anew */
    struct bait_verdict bait;
    struct silence_verdict silence;
    int64_t
        unheard_s; /* how long all gateways listened for a station that was never heard; 0: it was */
    bool covered;  /* silent together with many of its gateway: one cause */
    int64_t passes_today, passes_yesterday;
    int64_t guarded_s; /* of yesterday */

    struct feed_trap_state said;
    int64_t said_s;
};

struct facts_block {
    const struct roster_block *block;
    float temperature_c[LEVEL_HOURS], humidity[LEVEL_HOURS], rain_mm[LEVEL_HOURS];
    float demand_mm[LEVEL_HOURS];
    float factors[LEVEL_DAYS];                          /* see judge/drift.h */
    uint32_t entries[LEVEL_HOURS], shorts[LEVEL_HOURS]; /* see judge/counts.h */
    size_t counters;
    struct law_choice law;
    double outlook_mm_day[LEVEL_DAYS];
    struct level_block shared;
    int64_t passes_today, passes_yesterday, passes_week, covered_s;
    struct feed_block_state state, said;
    int64_t said_s;
};

struct facts_gateway {
    char name[FEED_NAME_MAX + 1];
    struct silence_gateway listening;
    int64_t health_s; /* instant of the last health message; 0: none */
    struct feed_gateway_health health;
    uint64_t thinned_before;            /* thinned when first seen: only new losses are news */
    int64_t trouble_s[FEED_RADIOS_MAX]; /* when health last spoke of a radio's trouble; 0: never */
    char trouble[FEED_RADIOS_MAX][sizeof(((struct feed_radio_health *)0)->trouble)];
    struct refusals refusals; /* of frames */
    int64_t refused_s;        /* when it last refused a stored mark; 0: not while we listened */
    unsigned stations, quiet; /* whose home it is; of these, how many say nothing */
    unsigned together;        /* of the quiet ones, those that went at once: one cause; else 0 */
};

struct facts {
    const struct site_settings *site;
    const struct roster *roster;
    int64_t first_hour;       /* hours since 1970 of index 0 of every array of hours */
    struct facts_trap *traps; /* by block and name */
    size_t trap_count;
    size_t *trap_of_assignment;
    struct facts_block *blocks;
    size_t block_count;
    struct facts_gateway gateways[FACTS_GATEWAYS_MAX];
    size_t gateway_count;
    bool dark[LEVEL_HOURS];
    int64_t dark_from;            /* first hour for which that was learned */
    struct silence_losses losses; /* of all stations */
    int64_t learned_hour;         /* hour of the last learning; 0: never */
};

/* 0 or -ENOMEM. */
int facts_open(struct facts *facts, const struct site_settings *site, const struct roster *roster,
               int64_t now_s);
void facts_free(struct facts *facts);
/* Makes room for the hour of an instant; what falls out at the old end is forgotten. */
void facts_slide(struct facts *facts, int64_t at_s);
/* Index of the hour of an instant; -1: before the first. Slides when needed. */
int facts_hour(struct facts *facts, int64_t at_s);
void facts_hear(struct facts *facts, const struct judging_report *report);
/* A gateway's health message. caught_up: all it has sent before is stored. now_s: when its clock is not believed. */
void facts_health(struct facts_gateway *gateway, const struct feed_gateway_health *health,
                  bool caught_up, int64_t now_s);
/* NULL when there are too many. */
struct facts_gateway *facts_gateway(struct facts *facts, const char *name);
/* The gateway that hears a trap's station most; NULL: none yet. */
struct facts_gateway *facts_home(struct facts *facts, const struct facts_trap *trap);
/* A person's word about a visit. */
void facts_visit(struct facts *facts, const char *trap, int64_t at_s, enum level_action action);
/* That word taken back; nothing where it is not known. */
void facts_unvisit(struct facts *facts, const char *trap, int64_t at_s, enum level_action action);
struct facts_trap *facts_trap(struct facts *facts, const char *name);

/* Learns what is stale, or all when an hour has passed. */
void facts_learn(struct facts *facts, int64_t now_s);
/* Verdicts of all traps and gateways. */
void facts_judge(struct facts *facts, int64_t now_s);
/* One trap's again, with figures. */
void facts_explain(struct facts *facts, const struct facts_trap *trap, int64_t now_s,
                   struct why *bait, struct why *silence, struct why *counts);
/* Entries less exits since the insects were taken out, as far back as is known; -1: unknown. */
int64_t facts_net(const struct facts *facts, const struct facts_trap *trap, int64_t now_s);
struct bait_limits facts_limits(const struct facts *facts, const struct facts_trap *trap);

#endif
