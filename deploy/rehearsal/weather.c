#include "deploy/rehearsal/weather.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/records.h"
#include "deploy/rehearsal/streams.h"
#include "deploy/rehearsal/sun.h"

enum { COOLEST_HOUR = 5, WARMEST_HOUR = 15 };

/* FAO-56 eq. 11: saturation vapour pressure. */
static double saturation_kpa(double celsius)
{
    return 0.6108 * exp(17.27 * celsius / (celsius + 237.3));
}

/* FAO-56 eq. 52, as mm over the day. */
static double hargreaves_mm(double latitude, int day, const struct records_day *d)
{
    double mean = (d->high_c + d->low_c) / 2.0;
    double range = fmax(d->high_c - d->low_c, 0.0);
    return fmax(0.0, 0.0023 * (mean + 17.8) * sqrt(range) * sun_day_mm(latitude, day + 1));
}

struct day_shape {
    double coolest, warmest, wind;
};

static struct day_shape shape_of(const struct records *records, int day)
{
    const double *c = &records->normal_c[day * 24], *w = &records->normal_wind_ms[day * 24];
    struct day_shape shape = {.coolest = c[0], .warmest = c[0], .wind = 0.0};
    for (int hour = 0; hour < 24; hour++) {
        shape.coolest = fmin(shape.coolest, c[hour]);
        shape.warmest = fmax(shape.warmest, c[hour]);
        shape.wind += w[hour] / 24.0;
    }
    return shape;
}

/* The night before belongs to yesterday's high, the evening to tomorrow's low: days join without a
 * step. */
static double temperature_of(const struct records *records, int year, int day, int hour)
{
    struct day_shape shape = shape_of(records, day);
    double range = fmax(shape.warmest - shape.coolest, 0.1);
    double share = (records->normal_c[day * 24 + hour] - shape.coolest) / range;
    double high = records_day(records, year, hour < COOLEST_HOUR ? day - 1 : day)->high_c;
    double low = records_day(records, year, hour > WARMEST_HOUR ? day + 1 : day)->low_c;
    return low + (high - low) * share;
}

static double wind_of(const struct records *records, int year, int day, int hour)
{
    double usual = fmax(shape_of(records, day).wind, 0.1);
    return records_day(records, year, day)->wind_ms * records->normal_wind_ms[day * 24 + hour] /
           usual;
}

struct making {
    struct weather *weather;
    const struct records *records;
    const struct weather_settings *settings;
    int year;
    struct dice dice;
};

/* Local solar time: the records are in local standard time of their own city. */
static void solar_of(const struct making *m, size_t index, int *day, int *hour)
{
    time_t at = (time_t)(m->weather->start_s + (int64_t)index * 3600 +
                         llround(m->settings->longitude / 15.0) * 3600);
    struct tm tm;
    gmtime_r(&at, &tm);
    *day = tm.tm_yday % 365;
    *hour = tm.tm_hour;
}

/* Dew point near the day's low in a moist climate, well below it in a dry one (FAO-56, annex 6; the
 * figures are from memory). */
static double dew_point_of(const struct making *m, int day)
{
    double below = strcmp(m->settings->climate, "hot") == 0 ? 6.0 : 1.0;
    return records_day(m->records, m->year, day)->low_c - below;
}

static void fill_hour(struct making *m, size_t index)
{
    struct weather_hour *hour = &m->weather->hours[index];
    int day, of_day;
    solar_of(m, index, &day, &of_day);
    hour->temperature_c = temperature_of(m->records, m->year, day, of_day);
    hour->dew_point_c = fmin(dew_point_of(m, day), hour->temperature_c - 0.2);
    double full = saturation_kpa(hour->temperature_c), held = saturation_kpa(hour->dew_point_c);
    hour->humidity = held / full;
    hour->deficit_kpa = full - held;
    hour->wind_ms = wind_of(m->records, m->year, day, of_day);
    hour->elevation_deg = sun_elevation_deg(m->settings->latitude, m->settings->longitude,
                                            m->weather->start_s + (int64_t)index * 3600 + 1800);
}

/* A wet day's rain comes in showers of one to four hours. */
static void rain_on(struct making *m, size_t first, double rain_mm)
{
    unsigned showers = 1 + dice_poisson(&m->dice, rain_mm / 6.0);
    for (unsigned i = 0; i < showers; i++) {
        size_t length = 1 + dice_below(&m->dice, 4), begin = first + dice_below(&m->dice, 24);
        for (size_t h = begin; h < begin + length && h < m->weather->hour_count; h++) {
            m->weather->hours[h].rain_mm += rain_mm / (double)showers / (double)length;
            m->weather->hours[h].humidity = fmax(m->weather->hours[h].humidity, 0.95);
            m->weather->hours[h].deficit_kpa *= 0.2;
        }
    }
}

/* The day's demand is shared over its hours by the height of the sun. */
static void demand_on(struct making *m, size_t first, double demand_mm)
{
    size_t end = first + 24 < m->weather->hour_count ? first + 24 : m->weather->hour_count;
    double sum = 0.0;
    for (size_t h = first; h < end; h++)
        sum += fmax(m->weather->hours[h].elevation_deg, 0.0);
    for (size_t h = first; sum > 0.0 && h < end; h++)
        m->weather->hours[h].demand_mm =
            demand_mm * fmax(m->weather->hours[h].elevation_deg, 0.0) / sum;
}

static void make_hours(struct making *m)
{
    for (size_t h = 0; h < m->weather->hour_count; h++)
        fill_hour(m, h);
    for (size_t first = 0; first < m->weather->hour_count; first += 24) {
        int day, hour;
        solar_of(m, first + 12 < m->weather->hour_count ? first + 12 : first, &day, &hour);
        const struct records_day *record = records_day(m->records, m->year, day);
        demand_on(m, first, hargreaves_mm(m->settings->latitude, day, record));
        if (record->rain_mm > 0.0)
            rain_on(m, first, record->rain_mm);
    }
}

int weather_open(struct weather **weather, const struct weather_settings *settings,
                 char why[WEATHER_WHY_MAX])
{
    struct records *records = NULL;
    int result = records_read(&records, settings->folder, settings->climate, why, WEATHER_WHY_MAX);
    if (result != 0)
        return result;
    struct weather *made = calloc(1, sizeof *made);
    size_t count = (size_t)settings->days * 24;
    struct weather_hour *hours = calloc(count, sizeof *hours);
    if (made == NULL || hours == NULL) {
        free(made);
        free(hours);
        free(records);
        return -ENOMEM;
    }
    *made = (struct weather){.start_s = settings->start_s, .hour_count = count, .hours = hours};
    struct making m = {.weather = made, .records = records, .settings = settings};
    dice_seed(&m.dice, settings->seed, STREAM_WEATHER, 0);
    m.year = (int)dice_below(&m.dice, (uint32_t)records->years);
    make_hours(&m);
    free(records);
    *weather = made;
    return 0;
}

void weather_close(struct weather *weather)
{
    if (weather == NULL)
        return;
    free(weather->hours);
    free(weather);
}

const struct weather_hour *weather_at(const struct weather *weather, int64_t at_s)
{
    int64_t index = (at_s - weather->start_s) / 3600;
    if (index < 0)
        index = 0;
    if (index >= (int64_t)weather->hour_count)
        index = (int64_t)weather->hour_count - 1;
    return &weather->hours[index];
}
