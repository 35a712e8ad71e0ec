/* The two weather files as tables. Source: NOAA, by way of the npm package vega-datasets 3.2.1. */
#ifndef EDGEROW_REHEARSAL_RECORDS_H
#define EDGEROW_REHEARSAL_RECORDS_H

#include <stddef.h>

enum { RECORDS_YEARS_MAX = 8, RECORDS_DAYS = 366, RECORDS_NORMAL_HOURS = 8784 };

struct records_day {
    double rain_mm, high_c, low_c, wind_ms;
};

struct records {
    int first_year, years;
    struct records_day days[RECORDS_YEARS_MAX][RECORDS_DAYS]; /* by day of year from 0 */
    double normal_c[RECORDS_NORMAL_HOURS]; /* by hour of year from 0, local standard time */
    double normal_wind_ms[RECORDS_NORMAL_HOURS];
};

/* 0, or a negative errno with a sentence in why. */
int records_read(struct records **records, const char *folder, const char *climate, char *why,
                 size_t why_size);
/* Day and hour of year wrap at the end of the year. */
const struct records_day *records_day(const struct records *records, int year, int day_of_year);

#endif
