/* A station that counts, with the truth beside it. Shares nothing with the collector but the
 * report's fields. */
#ifndef EDGEROW_TEST_STATION_H
#define EDGEROW_TEST_STATION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/air/report.h"

struct chance {
    uint64_t state;
};
uint64_t chance_next(struct chance *chance);
uint32_t chance_below(struct chance *chance, uint32_t bound);
bool chance_of(struct chance *chance, double probability);

/* One interval as it truly was. */
struct truth {
    int64_t begin_ms, end_ms;
    uint32_t entries;
    uint8_t epoch;
};

/* One report as it left the station. */
struct sent {
    uint32_t fcnt;
    int64_t sent_ms, tick_ms; /* when, and the true end of its last interval */
    struct air_report report;
};

struct station_habits {
    uint8_t interval_min;
    uint32_t first_fcnt, first_entries;
    int64_t begin_ms;
    unsigned intervals; /* how long */
    double busy;        /* mean entries an interval */
    double events;      /* share of intervals with a further frame of the same tick */
    double swarms;      /* share of intervals with more than 254 entries */
    double restarts,
        losses; /* share of intervals with a restart; of restarts that lose the counters */
    double interval_changes; /* share of intervals */
    double dailies;          /* share of reports that are daily */
    bool fewer_recent;       /* carries a random number of intervals */
};

struct station_life {
    struct truth *truth;
    size_t truth_count;
    struct sent *sent;
    size_t sent_count;
};

void station_live(const struct station_habits *habits, struct chance *chance,
                  struct station_life *life);
void station_life_free(struct station_life *life);

#endif
