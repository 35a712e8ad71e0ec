/*
 * Weather by the hour, from daily records and hourly normals of one city (see weather.sh). The
 * shape of a day comes from the normals, its extremes, rain and wind from the record; rain falls in
 * showers thrown by dice.
 */
#ifndef EDGEROW_REHEARSAL_WEATHER_H
#define EDGEROW_REHEARSAL_WEATHER_H

#include <stddef.h>
#include <stdint.h>

enum { WEATHER_WHY_MAX = 256 };

struct weather_hour {
    double temperature_c;
    double dew_point_c;
    double humidity;    /* 0 to 1 */
    double deficit_kpa; /* vapour pressure deficit, FAO-56 eq. 11 */
    double wind_ms;
    double rain_mm;       /* in this hour */
    double demand_mm;     /* this hour's share of the day's FAO-56 eq. 52 (Hargreaves) */
    double elevation_deg; /* of the sun, at the middle of the hour */
};

struct weather {
    int64_t start_s;
    size_t hour_count;
    struct weather_hour *hours;
};

struct weather_settings {
    const char *folder;  /* written by weather.sh */
    const char *climate; /* "mild" or "hot": which daily-*.csv */
    uint64_t seed;       /* picks the year and the showers */
    int64_t start_s;     /* UTC, on a full hour */
    int days;
    double latitude, longitude;
};

/* 0, or a negative errno with a sentence in why. */
int weather_open(struct weather **weather, const struct weather_settings *settings,
                 char why[WEATHER_WHY_MAX]);
void weather_close(struct weather *weather);
/* Before the start and after the end the nearest hour holds. */
const struct weather_hour *weather_at(const struct weather *weather, int64_t at_s);

#endif
