/* What the collector says of a trap, a block and a notice: retained, for people and for the farm's own
 * systems. Unknown numbers are NAN and appear as null; unknown instants are 0 and appear as null. */
#ifndef EDGEROW_FEED_STATE_H
#define EDGEROW_FEED_STATE_H

#include "protocol/feed/row.h"
#include "protocol/feed/topic.h"

enum feed_trap_condition {
    FEED_TRAP_NEW, /* no report yet */
    FEED_TRAP_WORKING,
    FEED_TRAP_DUE,    /* visit on the date given */
    FEED_TRAP_FAILED, /* not guarding now: visit at once */
    FEED_TRAP_SILENT  /* the station has not been heard: state unknown */
};

/* Why a trap needs a visit. Order is the order of naming when several apply at once. */
enum feed_visit_reason {
    FEED_REASON_NONE,
    FEED_REASON_LOW_LEVEL,
    FEED_REASON_BAIT_AGE,
    FEED_REASON_INSECT_LOAD,
    FEED_REASON_DILUTED,
    FEED_REASON_OVERFULL,
    FEED_REASON_TILTED,
    FEED_REASON_SENSOR_FAULT,
    FEED_REASON_BATTERY
};

struct feed_trap_state {
    int64_t at_ms;
    char trap[FEED_NAME_MAX + 1], block[FEED_NAME_MAX + 1];
    uint32_t devaddr; /* 0: no unit assigned */
    enum feed_trap_condition condition;
    enum feed_visit_reason reason;
    int64_t visit_by_ms;    /* median; 0: no date */
    int64_t visit_from_ms;  /* early end of the 80 % interval */
    int64_t visit_until_ms; /* late end */
    int64_t last_heard_ms;
    int64_t last_visit_ms;
    double level_mm, bait_age_days, battery_v, temperature_c;
    int64_t passes_since_emptied;           /* entries less exits; -1 unknown */
    int64_t passes_today, passes_yesterday; /* entries, local days; -1 unknown */
    int64_t doubtful_hours; /* of the last week: hours whose passes are doubtful; -1 unknown */
};

enum feed_change {
    FEED_CHANGE_UNKNOWN,
    FEED_CHANGE_UNCLEAR,
    FEED_CHANGE_SAME,
    FEED_CHANGE_UP,
    FEED_CHANGE_DOWN
};

struct feed_block_state {
    int64_t at_ms;
    char block[FEED_NAME_MAX + 1];
    char title[64];
    uint32_t traps, traps_working, traps_due, traps_failed, traps_silent;
    int64_t passes_today, passes_yesterday, passes_week; /* entries */
    double passes_per_trap_day;         /* last complete local day, by days counted */
    double days_counted, days_guarding; /* trap-days of that local day */
    /* The last seven complete local days: paper wasps when calibrated by hand counts, else passes. */
    bool week_calibrated;
    double week_days_counted;
    double week_per_trap_day, week_low, week_high; /* 95 % interval for these traps in this week */
    double week_per_100m_day;                      /* of the block's perimeter */
    enum feed_change week_change;                  /* against the seven days before */
    double week_ratio, week_ratio_low, week_ratio_high;
    char leading_side[8];                                        /* empty: none */
    char hot_from[FEED_NAME_MAX + 1], hot_to[FEED_NAME_MAX + 1]; /* traps; empty: none */
};

enum feed_notice_kind {
    FEED_NOTICE_VISIT, /* traps to visit */
    FEED_NOTICE_SILENT_STATION,
    FEED_NOTICE_SILENT_GATEWAY,
    FEED_NOTICE_GATEWAY_TROUBLE, /* radio, disk, clock, spool of a gateway */
    FEED_NOTICE_DATA,            /* conflict, loss, counters lost, mark contradicted, quarantine */
    FEED_NOTICE_COLLECTOR,       /* trouble of the collector itself */
    FEED_NOTICE_CATCH,           /* over the site's action level: look at the fruit */
    FEED_NOTICE_BEES             /* honey bees among what was counted by hand */
};

struct feed_notice_state {
    char notice[FEED_NAME_MAX + 1]; /* id, for instance "n-000123" */
    uint32_t revision;
    enum feed_notice_kind kind;
    char subject[FEED_NAME_MAX + 1]; /* block, gateway or "site" */
    bool urgent, open;
    int64_t opened_ms, changed_ms;
    char title[160];
    char text[4096]; /* the message as sent to people */
};

int feed_trap_state_encode(const struct feed_trap_state *s, char *text, size_t capacity,
                           size_t *len);
int feed_trap_state_decode(const char *text, size_t len, struct feed_trap_state *s,
                           struct feed_fault *fault);
int feed_block_state_encode(const struct feed_block_state *s, char *text, size_t capacity,
                            size_t *len);
int feed_block_state_decode(const char *text, size_t len, struct feed_block_state *s,
                            struct feed_fault *fault);
int feed_notice_state_encode(const struct feed_notice_state *s, char *text, size_t capacity,
                             size_t *len);
int feed_notice_state_decode(const char *text, size_t len, struct feed_notice_state *s,
                             struct feed_fault *fault);

const char *feed_trap_condition_text(enum feed_trap_condition condition);
const char *feed_visit_reason_text(enum feed_visit_reason reason);
const char *feed_notice_kind_text(enum feed_notice_kind kind);

#endif
