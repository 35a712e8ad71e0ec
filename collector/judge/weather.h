/*
 * What a block's traps say together about the weather: demand by hour from their median temperature
 * (single stations heat in the sun) and rain from a rise common to many of them. Pure.
 */
#ifndef EDGEROW_JUDGE_WEATHER_H
#define EDGEROW_JUDGE_WEATHER_H

#include <stddef.h>
#include <stdint.h>

struct weather_place {
    double latitude, longitude; /* degrees; days are days of solar time there */
};

/* Cumulative demand at the end of each hour, from hourly temperatures (NAN: not known). A day without
 * enough temperatures counts as the mean of the others, and with none at all as a mild day of that
 * season. Returns the number of days that were known. */
size_t weather_demand(struct weather_place place, int64_t first_hour, size_t hour_count,
                      const float *temperature_c, float *cumulative_mm);

/* The rise common to a block's traps from one hour to the next, mm; 0 when there is none. changes:
 * of each trap that was not visited; reordered. */
double weather_rain_mm(double *changes_mm, size_t count);

#endif
