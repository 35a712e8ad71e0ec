/*
 * Does the store agree with the truth? For every series: what was surely delivered is stored, what
 * is stored was sent; hourly passes, pruned ones and unplaced ones together are the counter of the
 * last report, exactly; hours covered by intervals hold the ledger's passes, hour by hour. An
 * interval belongs to the local hour that holds its middle; a middle within ten seconds of a full
 * hour may fall on either side (a report's age is given in 1/256 of the interval), so such
 * neighbours are compared together.
 */
#ifndef EDGEROW_REHEARSAL_CHECK_H
#define EDGEROW_REHEARSAL_CHECK_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct check_result {
    uint64_t series, series_wrong;
    uint64_t delivered, undecided, missing, strange; /* reports: surely delivered; perhaps; of the
                                                        first not stored; stored and never sent */
    uint64_t passes;                                 /* placed in hours */
    uint64_t hours_compared, hours_wrong;
    uint64_t hours_spread; /* hours that intervals do not cover whole: only their sum is checked */
    int64_t quarantined, conflicts, losses;
};

/* Says each disagreement (the first 20) on out. 0: the check was done, see check_good(); or a
 * negative errno. */
int check_run(const char *folder, FILE *out, struct check_result *result);
bool check_good(const struct check_result *result);
void check_print(const struct check_result *result, FILE *out);

#endif
