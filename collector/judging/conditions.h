/* From verdicts to the conditions that watches look at, each with a line for a person. */
#ifndef EDGEROW_JUDGING_CONDITIONS_H
#define EDGEROW_JUDGING_CONDITIONS_H

#include "collector/judging/facts.h"
#include "collector/notice/engine.h"
#include "collector/store/zone.h"

struct conditions {
    struct notice_condition *list;
    size_t count, capacity;
};

void conditions_free(struct conditions *conditions);
/* 0 or -ENOMEM. */
int conditions_add(struct conditions *conditions, const struct notice_condition *condition);
/* deaf_until_s: before that instant silence of gateways proves nothing; INT64_MAX: the broker is
 * away. */
int conditions_of_traps(struct conditions *conditions, const struct facts *facts,
                        const struct zone *zone, int64_t now_s);
int conditions_of_gateways(struct conditions *conditions, struct facts *facts,
                           const struct zone *zone, int64_t deaf_until_s, int64_t now_s);

#endif
