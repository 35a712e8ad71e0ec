/*
 * This week against last week on the same traps. Pure.
 *
 * The ratio of paired trap totals, adjusted for the hours fit for flight in each week, with a 95 % interval
 * from the traps' own disagreement (the linearised variance of a ratio, Cochran 1977, Sampling Techniques,
 * section 6.4) and Student's t. Days of one trap hang together; trap totals need no assumption about that.
 * "Up" and "down" are said only when the whole interval lies beyond 1.25 or below 0.8.
 */
#ifndef EDGEROW_CATCH_CHANGE_H
#define EDGEROW_CATCH_CHANGE_H

#include "collector/catch/interval.h"

enum catch_direction { CATCH_UNCLEAR, CATCH_SAME, CATCH_UP, CATCH_DOWN };

struct catch_change {
    size_t traps;     /* counted in both weeks */
    double ratio;     /* this week over last, per day and flight hour; NAN: cannot be said */
    double low, high; /* 95 %; NAN under six traps */
    enum catch_direction direction; /* SAME: the whole interval lies within 0.8 to 1.25 */
};

/* last[i] and now[i] are the same trap. flight_ratio: hours fit for flight this week over last; 1: not known.
 * day_spread: relative standard deviation of a whole week's passes that weather adjustment leaves, common to
 * all traps (from the site's own record); 0: none. */
void catch_compare(const struct catch_trap *last, const struct catch_trap *now, size_t count,
                   double flight_ratio, double day_spread, struct catch_change *change);
/* day_spread from the site's own record: relative standard deviation of a week's mean, from the daily figures
 * (per trap and flight hour, NAN: none) of whole weeks, oldest first. Days hang together; a correlation of a half
 * from day to day is a judgement. NAN with less than a week. */
double catch_week_spread(const double *days, size_t count);

#endif
