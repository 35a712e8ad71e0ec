/*
 * What a block's traps say together about the weather: demand by hour from their median temperature
 * (single stations heat in the sun) and rain from a rise common to many of them. Pure.
 */
#ifndef EDGEROW_JUDGE_WEATHER_H
#define EDGEROW_JUDGE_WEATHER_H

#include <stddef.h>
#include <stdint.h>

#include "collector/judge/law.h"

struct weather_place {
    double latitude, longitude; /* degrees; days are days of solar time there */
};

/* What a block's stations measured, by hour: medians; NAN where not known. */
struct weather_hours {
    int64_t first_hour; /* since 1970, UTC */
    size_t count;
    const float *temperature_c;
    const float *humidity; /* 0 to 1; NULL: none has the sensor */
};

/* Cumulative demand at the end of each hour by one law. By Hargreaves, a day without enough temperatures
 * counts as the mean of the others, and with none at all as a mild day of that season. By the deficit, air
 * whose humidity is not known holds what it was saturated with in the day's coolest hour (FAO-56 eq. 48).
 * Laws are scaled alike: some 4 mm on a fair day. Returns the number of days that were known. */
size_t weather_demand(struct weather_place place, enum law_kind law,
                      const struct weather_hours *hours, float *cumulative_mm);

/* The rise common to a block's traps from one hour to the next, mm; 0 when there is none. changes:
 * of each trap that was not visited; reordered. */
double weather_rain_mm(double *changes_mm, size_t count);

#endif
