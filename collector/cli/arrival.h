/*
 * How many of the reports that were sent have arrived, by the gaps in the stations' frame counters, and how many
 * of as many are expected to collide: the figure that `edgerow check` gives for one channel.
 */
#ifndef EDGEROW_CLI_ARRIVAL_H
#define EDGEROW_CLI_ARRIVAL_H

#include <jansson.h>
#include <sqlite3.h>
#include <stdint.h>

enum { ARRIVAL_WINDOW_S = 6 * 3600 };

struct arrival {
    uint64_t heard, missed;
    double loss;      /* 0 to 1; NAN: too few reports to say */
    double predicted; /* for so many stations on one channel; NAN likewise */
};

/* Of the six hours before now_s. stations: that are hung. 0 or -EIO. */
int arrival_read(sqlite3 *db, int64_t now_s, uint32_t stations, struct arrival *arrival);
/* One sentence or two on standard output; nothing when there is nothing to say. */
void arrival_print(const struct arrival *arrival, uint32_t stations);
/* NULL: no memory. */
json_t *arrival_json(const struct arrival *arrival);

#endif
