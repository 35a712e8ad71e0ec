/* What the broker says, as somebody who subscribes sees it: marks, health, traps, blocks, notices.
 * Reads the JSON of the feed with its own few lines, not with the product's decoders. */
#ifndef EDGEROW_REHEARSAL_FEEDVIEW_H
#define EDGEROW_REHEARSAL_FEEDVIEW_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/place.h"

struct feedview_gateway {
    int64_t health_ms; /* instant of its latest health; 0: none yet */
    char spool[17], marked_spool[17];
    uint64_t last_n, marked_n, waiting;
    uint64_t accepted, repeated, replayed, restarted, forged, unknown, unusable;
};

struct feedview_trap {
    char condition[16], reason[24];
    double level_mm, bait_age_days; /* NAN: not known */
    int64_t last_heard_ms, visit_by_ms;
};

struct feedview_block {
    unsigned traps, working, due, failed, silent;
    int64_t passes_yesterday, passes_week;
    double per_trap_day;
};

struct feedview_notice {
    char id[33], kind[24], subject[33], title[192];
    char text[4096];
    int64_t opened_ms, changed_ms;
    unsigned revision;
    bool open;
};

struct feedview {
    const struct place *place;
    struct feedview_gateway gateways[PLACE_GATEWAYS_MAX];
    struct feedview_trap *traps;
    struct feedview_block *blocks;
    size_t notice_count, notice_capacity;
    struct feedview_notice *notices;
    unsigned messages, unread; /* taken; not understood */
};

int feedview_open(struct feedview *view, const struct place *place);
void feedview_close(struct feedview *view);
void feedview_take(struct feedview *view, const char *topic, const char *text, size_t len);
/* What a gateway said at this instant or later: it has spooled all it heard, and every row is stored. */
bool feedview_covered(const struct feedview *view, size_t gateway, int64_t since_ms);

#endif
