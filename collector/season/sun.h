/*
 * Sun times of one local day, from libnova. Rising and setting are those of the upper limb on an
 * unobstructed horizon in an average atmosphere (centre 50 minutes of arc below it); civil twilight
 * ends at 6 degrees (United States Naval Observatory, "Rise, Set, and Twilight Definitions").
 * Hills, rows and cloud make it darker. Pure.
 */
#ifndef EDGEROW_SEASON_SUN_H
#define EDGEROW_SEASON_SUN_H

#include <stdbool.h>
#include <stdint.h>

struct sun_day {
    bool rises;                                    /* false: the sun stays up or down all day */
    bool twilight;                                 /* civil twilight begins and ends */
    int64_t dawn_s, rise_s, noon_s, set_s, dusk_s; /* UTC seconds, rounded to nearest */
};

/* latitude and longitude in degrees, north and east positive; about_noon_s: any instant within six
 * hours of the local noon of the day wanted. */
void sun_of_day(double latitude, double longitude, int64_t about_noon_s, struct sun_day *day);

#endif
