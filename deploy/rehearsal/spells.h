/* Good and bad spells of each link: a wet canopy swallows frames for hours. Two states per link;
 * bad spells begin more often in rain and dew. Lengths and depths are assumptions. */
#ifndef EDGEROW_REHEARSAL_SPELLS_H
#define EDGEROW_REHEARSAL_SPELLS_H

#include <stddef.h>
#include <stdint.h>

#include "deploy/rehearsal/weather.h"

struct spells;

int spells_open(struct spells **spells, size_t links, uint64_t seed);
void spells_close(struct spells *spells);
/* strength: 1 as modelled, 0 none. */
void spells_weather(struct spells *spells, const struct weather_hour *hour, double strength,
                    int64_t from_us, int64_t length_us);
/* Loss of the link now beyond the usual, dB. */
double spells_loss_db(const struct spells *spells, size_t link, int64_t at_us);

#endif
