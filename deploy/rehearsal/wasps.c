#include "deploy/rehearsal/wasps.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <time.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/streams.h"

enum { TRAPS_OF_NEST = 12 };

struct nest {
    struct place_point at;
    double workers; /* at the season's height */
};

struct wasps {
    size_t nest_count, trap_count;
    struct nest *nests;
    double *kernel; /* nest by trap: how easily its workers find the trap */
};

static double kernel_of(struct place_point nest, struct place_point trap)
{
    double far = place_distance_m(nest, trap) / 60.0;
    return 1.0 / (1.0 + far * far);
}

void wasps_moved(struct wasps *wasps, size_t trap, struct place_point at)
{
    for (size_t n = 0; n < wasps->nest_count; n++)
        wasps->kernel[n * wasps->trap_count + trap] = kernel_of(wasps->nests[n].at, at);
}

/* Nests hang in eaves, sheds and hedges: outside, some metres from a trap picked at random. */
static void place_nests(struct wasps *wasps, const struct place *place, uint64_t seed)
{
    struct dice dice;
    dice_seed(&dice, seed, STREAM_NESTS, 0);
    for (size_t n = 0; n < wasps->nest_count; n++) {
        const struct place_trap *near =
            &place->traps[dice_below(&dice, (uint32_t)place->trap_count)];
        double far = dice_between(&dice, 15.0, 90.0), way = dice_between(&dice, 0.0, 2.0 * M_PI);
        wasps->nests[n].at = (struct place_point){near->at.east_m + far * cos(way),
                                                  near->at.north_m + far * sin(way)};
        wasps->nests[n].workers = 25.0 * exp(0.6 * dice_normal(&dice));
    }
    for (size_t t = 0; t < place->trap_count; t++)
        wasps_moved(wasps, t, place->traps[t].at);
}

int wasps_open(struct wasps **wasps, const struct place *place, uint64_t seed)
{
    struct wasps *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->nest_count = 2 + place->trap_count / TRAPS_OF_NEST;
    made->trap_count = place->trap_count;
    made->nests = calloc(made->nest_count, sizeof *made->nests);
    made->kernel = calloc(made->nest_count * made->trap_count, sizeof *made->kernel);
    if (made->nests == NULL || made->kernel == NULL) {
        wasps_close(made);
        return -ENOMEM;
    }
    place_nests(made, place, seed);
    *wasps = made;
    return 0;
}

void wasps_close(struct wasps *wasps)
{
    if (wasps == NULL)
        return;
    free(wasps->nests);
    free(wasps->kernel);
    free(wasps);
}

static double ramp(double value, double none, double full)
{
    return fmax(0.0, fmin(1.0, (value - none) / (full - none)));
}

double wasps_flight(const struct weather_hour *hour)
{
    double light = ramp(hour->elevation_deg, 0.0, 15.0);
    double warm =
        ramp(hour->temperature_c, 12.0, 24.0) * (1.0 - 0.7 * ramp(hour->temperature_c, 33.0, 41.0));
    double dry = hour->rain_mm > 0.1 ? 0.05 : 1.0;
    double calm = 1.0 - 0.8 * ramp(hour->wind_ms, 5.0, 11.0);
    return light * warm * dry * calm;
}

/* Day of the year to share of a nest's workers: first workers in June, most in August, decline to
 * October. */
static double season_of(int64_t at_s)
{
    time_t at = (time_t)at_s;
    struct tm tm;
    gmtime_r(&at, &tm);
    double rise = 1.0 / (1.0 + exp(-(tm.tm_yday - 200) / 12.0));
    double fall = 1.0 / (1.0 + exp((tm.tm_yday - 275) / 8.0));
    return rise * fall;
}

/* Ripe fruit calls too, more so as the season goes on. */
static double fruit_of(int64_t at_s)
{
    return 2.0 + 4.0 * season_of(at_s + 30 * 86400);
}

void wasps_rates(const struct wasps *wasps, const struct weather_hour *hour, int64_t at_s,
                 const double *attraction, double *per_hour)
{
    double flight = 0.6 * wasps_flight(hour) * season_of(at_s), fruit = fruit_of(at_s);
    for (size_t t = 0; t < wasps->trap_count; t++)
        per_hour[t] = 0.0;
    for (size_t n = 0; flight > 0.0 && n < wasps->nest_count; n++) {
        const double *kernel = &wasps->kernel[n * wasps->trap_count];
        double calls = fruit;
        for (size_t t = 0; t < wasps->trap_count; t++)
            calls += kernel[t] * attraction[t];
        double each = wasps->nests[n].workers * flight / calls;
        for (size_t t = 0; t < wasps->trap_count; t++)
            per_hour[t] += each * kernel[t] * attraction[t];
    }
}
