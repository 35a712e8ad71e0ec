/* Where the sun stands: the low-precision formulas of Meeus, Astronomical Algorithms, chapter 25,
 * as used in the NOAA solar calculator; good to a minute of time. */
#ifndef EDGEROW_REHEARSAL_SUN_H
#define EDGEROW_REHEARSAL_SUN_H

#include <stdint.h>

/* Geometric elevation of the sun's centre above the horizon, degrees. */
double sun_elevation_deg(double latitude, double longitude, int64_t at_s);
/* Radiation above the atmosphere over a day, mm of water: FAO Irrigation and Drainage Paper 56,
 * eq. 21. */
double sun_day_mm(double latitude, int day_of_year);

#endif
