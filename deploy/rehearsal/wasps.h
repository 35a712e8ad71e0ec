/*
 * Paper wasps: nests near the blocks, workers that fly by daylight, warmth and dryness, and traps
 * that compete for them with each other and with ripening fruit. Rates are judgement, no source;
 * the colony's growth follows the phases of Polistes (workers from early summer, decline from late
 * summer).
 */
#ifndef EDGEROW_REHEARSAL_WASPS_H
#define EDGEROW_REHEARSAL_WASPS_H

#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/place.h"
#include "deploy/rehearsal/weather.h"

struct wasps;

int wasps_open(struct wasps **wasps, const struct place *place, uint64_t seed);
void wasps_close(struct wasps *wasps);
/* Share of workers on the wing, 0 to 1. */
double wasps_flight(const struct weather_hour *hour);
/* Expected approaches an hour at every trap, given how strongly each calls now. */
void wasps_rates(const struct wasps *wasps, const struct weather_hour *hour, int64_t at_s,
                 const double *attraction, double *per_hour);
/* A trap that hangs elsewhere now. */
void wasps_moved(struct wasps *wasps, size_t trap, struct place_point at);

#endif
