#include "collector/judge/weather.h"

#include <math.h>

#include "collector/judge/demand.h"
#include "collector/judge/robust.h"

enum {
    DAY_HOURS = 24,
    DAY_HOURS_LEAST = 18, /* with a temperature, for a day's extremes to be believed */
    RAIN_TRAPS_LEAST = 5
};
static const double MILD_MEAN_C = 18, MILD_RANGE_C = 12;
static const double MILD_DEFICIT_KPA = 0.8, MM_PER_KPA_HOUR = 0.2, CONSTANT_MM_DAY = 4;
static const double RAIN_MOST_MM = 10; /* in an hour, by its rise in a trap */

static int64_t floor_div(int64_t a, int64_t b)
{
    return a / b - (a % b < 0);
}

static int64_t solar_shift_hours(struct weather_place place)
{
    return (int64_t)lround(place.longitude / 15);
}

/* 1 to 366, of the day that many days after 1 January 1970. */
static int day_of_year(int64_t day)
{
    /* Days since 1 March of a year 0 make leap days come last. */
    int64_t since = day + 719468;
    int64_t era_day = since - floor_div(since, 146097) * 146097;
    int64_t year = (era_day - era_day / 1460 + era_day / 36524 - era_day / 146096) / 365;
    int64_t march = era_day - (365 * year + year / 4 - year / 100);
    int leap = year % 4 == 0 && (year % 100 != 0 || year == 0);
    return (int)(march < 306 ? march + 60 + leap : march - 305);
}

/* Share of a day's demand in each hour of solar time: with the sun, and a little at night. */
static double hour_share(int hour)
{
    static const double base = 0.1, sum = 24 * 0.1 + 7.6612975755;
    double sun = fmax(0, cos(2 * M_PI * (hour + 0.5 - 13) / DAY_HOURS));
    return (base + sun) / sum;
}

/* NAN when too few temperatures are known. */
static double day_demand_mm(struct weather_place place, int64_t day, const float *temperature_c,
                            size_t count)
{
    double low = INFINITY, high = -INFINITY;
    size_t known = 0;
    for (size_t i = 0; i < count; i++) {
        if (isnan(temperature_c[i]))
            continue;
        low = fmin(low, (double)temperature_c[i]);
        high = fmax(high, (double)temperature_c[i]);
        known++;
    }
    if (known < DAY_HOURS_LEAST)
        return NAN;
    /* FAO-56 takes the mean of the extremes, not of the hours, for Tmean (eq. 9). */
    return demand_hargreaves_mm((low + high) / 2, high, low,
                                demand_radiation_mj(place.latitude, day_of_year(day)));
}

static double mild_day_mm(struct weather_place place, int64_t day)
{
    return demand_hargreaves_mm(MILD_MEAN_C, MILD_MEAN_C + MILD_RANGE_C / 2,
                                MILD_MEAN_C - MILD_RANGE_C / 2,
                                demand_radiation_mj(place.latitude, day_of_year(day)));
}

/* The mean demand of the whole solar days in the hours; of a mild day when none is known. */
static double mean_day_mm(struct weather_place place, int64_t first_hour, size_t hour_count,
                          const float *temperature_c, size_t *days)
{
    int64_t shift = solar_shift_hours(place);
    int64_t day = floor_div(first_hour + shift, DAY_HOURS);
    double sum = 0;
    *days = 0;
    for (;; day++) {
        int64_t from = day * DAY_HOURS - shift - first_hour;
        if (from + DAY_HOURS > (int64_t)hour_count)
            break;
        double mm = from < 0 ? NAN : day_demand_mm(place, day, temperature_c + from, DAY_HOURS);
        if (isnan(mm))
            continue;
        sum += mm;
        (*days)++;
    }
    return *days > 0 ? sum / (double)*days : mild_day_mm(place, day);
}

static size_t hargreaves(struct weather_place place, const struct weather_hours *hours,
                         float *cumulative_mm)
{
    int64_t shift = solar_shift_hours(place), current = INT64_MIN;
    size_t days;
    double mean_mm =
        mean_day_mm(place, hours->first_hour, hours->count, hours->temperature_c, &days);
    double sum = 0, day_mm = mean_mm;
    for (size_t i = 0; i < hours->count; i++) {
        int64_t solar = hours->first_hour + shift + (int64_t)i;
        int64_t day = floor_div(solar, DAY_HOURS);
        if (day != current) {
            current = day;
            int64_t from = day * DAY_HOURS - shift - hours->first_hour;
            /* A day that is not whole at either end takes the 24 hours nearest to it. */
            int64_t most = (int64_t)hours->count - DAY_HOURS;
            from = from > most ? most : from;
            from = from < 0 ? 0 : from;
            size_t count = hours->count < DAY_HOURS ? hours->count : DAY_HOURS;
            double mm = day_demand_mm(place, day, hours->temperature_c + from, count);
            day_mm = isnan(mm) ? mean_mm : mm;
        }
        sum += day_mm * hour_share((int)(solar - day * DAY_HOURS));
        cumulative_mm[i] = (float)sum;
    }
    return days;
}

/* The coolest of the 24 hours about an hour, or nearest to it at either end; NAN: none known. */
static double coolest_c(const struct weather_hours *hours, size_t at)
{
    double low = INFINITY;
    size_t from = at > 12 ? at - 12 : 0;
    size_t last = hours->count > DAY_HOURS ? hours->count - DAY_HOURS : 0;
    from = from > last ? last : from;
    for (size_t i = from; i < hours->count && i < from + DAY_HOURS; i++)
        if (!isnan(hours->temperature_c[i]))
            low = fmin(low, (double)hours->temperature_c[i]);
    return low < INFINITY ? low : NAN;
}

static double deficit_kpa(const struct weather_hours *hours, size_t at)
{
    if (isnan(hours->temperature_c[at]))
        return NAN;
    double full = demand_saturation_kpa((double)hours->temperature_c[at]);
    if (hours->humidity != NULL && !isnan(hours->humidity[at]))
        return full * fmax(0, 1 - (double)hours->humidity[at]);
    return fmax(0, full - demand_saturation_kpa(coolest_c(hours, at)));
}

/* An hour that is not known counts as the same hour of the day before, or as a mild one. */
static size_t deficit(const struct weather_hours *hours, float *cumulative_mm)
{
    double of_day[DAY_HOURS], sum = 0;
    size_t known = 0;
    for (int i = 0; i < DAY_HOURS; i++)
        of_day[i] = MILD_DEFICIT_KPA;
    for (size_t i = 0; i < hours->count; i++) {
        double kpa = deficit_kpa(hours, i);
        known += isnan(kpa) ? 0 : 1;
        if (!isnan(kpa))
            of_day[i % DAY_HOURS] = kpa;
        sum += MM_PER_KPA_HOUR * of_day[i % DAY_HOURS];
        cumulative_mm[i] = (float)sum;
    }
    return known / DAY_HOURS;
}

size_t weather_demand(struct weather_place place, enum law_kind law,
                      const struct weather_hours *hours, float *cumulative_mm)
{
    switch (law) {
    case LAW_DEFICIT:
        return deficit(hours, cumulative_mm);
    case LAW_CONSTANT:
        for (size_t i = 0; i < hours->count; i++)
            cumulative_mm[i] = (float)(CONSTANT_MM_DAY / DAY_HOURS * (double)(i + 1));
        return hours->count / DAY_HOURS;
    default:
        return hargreaves(place, hours, cumulative_mm);
    }
}

double weather_rain_mm(double *changes_mm, size_t count)
{
    if (count < RAIN_TRAPS_LEAST)
        return 0;
    double middle = robust_median(changes_mm, count);
    /* A change between two hours is good to about half a millimetre; so is the median to less by
     * the root of the number of traps. Four deviations, so that a season of dry hours invents no
     * rain. */
    double noise = 4 * 0.6 / sqrt((double)count);
    if (middle < fmax(0.2, noise) || middle > RAIN_MOST_MM)
        return 0;
    /* Rain falls on all; a round of visits fills some much and others not at all. */
    double spread = robust_deviation(changes_mm, count);
    return spread > fmax(0.8, 0.6 * middle) ? 0 : middle;
}
