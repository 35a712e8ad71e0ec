/* What ledger and store say, as sorted arrays, for check.c. Reads both databases with plain SQL and
 * shares no code with the collector. */
#ifndef EDGEROW_REHEARSAL_ACCOUNT_H
#define EDGEROW_REHEARSAL_ACCOUNT_H

#include <stddef.h>
#include <stdint.h>

/* A series: unit, key check value, epoch. */
struct account_series {
    uint32_t devaddr, key_check;
    uint8_t epoch;
};

/* An interval of the ledger; sorted by series, number. */
struct account_interval {
    struct account_series series;
    uint64_t number;
    int64_t from_us, to_us;
    uint32_t entries;
    uint8_t whole;
};

/* A frame of the ledger that a gateway was given; sorted by series, fcnt. */
struct account_frame {
    struct account_series series;
    uint32_t fcnt;
    uint64_t interval;
    uint32_t entries;
    uint8_t recent;
    uint8_t sure;   /* a gateway said that it has it */
    uint8_t stored; /* filled in by the check */
};

/* A report of the store; sorted by series, fcnt. */
struct account_report {
    struct account_series series;
    uint32_t fcnt;
};

/* A series of the store; sorted by series. */
struct account_sum {
    struct account_series series;
    uint32_t last_fcnt, entries;
    int64_t pruned, unplaced, hours; /* hours: sum of its hour rows */
};

/* An hour row of the store; sorted by series, hour. */
struct account_hour {
    struct account_series series;
    int64_t hour_s, entries, spread;
};

struct account {
    char time_zone[64];
    struct account_interval *intervals;
    struct account_frame *frames;
    struct account_report *reports;
    struct account_sum *sums;
    struct account_hour *hours;
    size_t interval_count, frame_count, report_count, sum_count, hour_count;
    int64_t quarantined, conflicts, losses;
};

int account_compare(const struct account_series *a, const struct account_series *b);
/* folder: of a run. 0 or a negative errno after a message. */
int account_open(struct account *account, const char *folder);
void account_close(struct account *account);

#endif
