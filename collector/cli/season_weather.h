/* Measured temperatures of a season, from stored reports: the median of some stations heard in the first quarter of each
 * hour, because single stations heat in the sun. */
#ifndef EDGEROW_CLI_SEASON_WEATHER_H
#define EDGEROW_CLI_SEASON_WEATHER_H

#include "collector/cli/site_view.h"

enum { SEASON_DAYS_MAX = 366, SEASON_DAY_HOURS = 24 };

struct season_weather {
    int days;                             /* complete local days, oldest first */
    int64_t begin_s[SEASON_DAYS_MAX + 1]; /* local midnights; [days] is today's */
    double least_c[SEASON_DAYS_MAX], most_c[SEASON_DAYS_MAX]; /* NAN: under 18 hours known */
    double hour_c[SEASON_DAY_HOURS]; /* by hour of the day, mean of the last three days; NAN */
};

/* From a local midnight. 0 or a negative errno. */
int season_weather_read(const struct site_view *view, int64_t from_s, struct season_weather *w);

#endif
