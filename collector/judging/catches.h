/*
 * What the blocks' passes say, from the store's days: the bridge to collector/catch. Read once an hour, and when
 * somebody has entered hand counts. The week is the last seven complete local days.
 */
#ifndef EDGEROW_JUDGING_CATCHES_H
#define EDGEROW_JUDGING_CATCHES_H

#include <sqlite3.h>

#include "collector/catch/calibrate.h"
#include "collector/catch/change.h"
#include "collector/catch/side.h"
#include "collector/judge/why.h"
#include "collector/judging/conditions.h"
#include "collector/store/zone.h"
#include "protocol/feed/state.h"

enum { CATCHES_DAYS_BACK = 3, CATCHES_SAMPLES_MAX = 400 };

struct catches_block {
    struct catch_summary week;
    double mean_ratio; /* insects a pass; 1 when not calibrated */
    struct catch_change change;
    bool side_known; /* enough traps with positions */
    struct catch_side side;
    bool side_stands;
    char hot_from[FEED_NAME_MAX + 1], hot_to[FEED_NAME_MAX + 1];
    double flight_ratio, perimeter_m, spacing_m; /* NAN: unknown */
    double guarding_days;                        /* of yesterday, as in the state */
    double day_rate[CATCHES_DAYS_BACK];          /* catch a trap and day, yesterday first; NAN */
};

struct catches {
    int64_t hour, last_count; /* when read; id of the latest hand count seen */
    struct calibration calibration;
    size_t samples_without_start; /* hand counts that did not follow a known emptying */
    double bees_share, bees;
    bool many_bees;
    double unevenness, pool_df, day_spread;
    double level; /* chance asked of a side, over all blocks */
    bool spacing_differs;
    struct catches_block *blocks; /* as in facts */
};

void catches_free(struct catches *catches);
/* Reads when due. 0, -ENOMEM or -EIO. */
int catches_read(struct catches *catches, sqlite3 *db, const struct facts *facts,
                 const struct zone *zone, int64_t now_s);
void catches_state(const struct catches *catches, size_t block, struct feed_block_state *state);
void catches_why(const struct catches *catches, const struct facts *facts, size_t block,
                 struct why *why);
int catches_conditions(const struct catches *catches, const struct facts *facts,
                       struct conditions *conditions);
/* Sentences for the weekly part of the letter: at most so many, each at most CATCHES_NEWS_MAX. Returns how many. */
enum { CATCHES_NEWS_MAX = 240 };
size_t catches_news(const struct catches *catches, const struct facts *facts,
                    char (*news)[CATCHES_NEWS_MAX], size_t most);

#endif
