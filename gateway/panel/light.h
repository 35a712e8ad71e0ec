/*
 * What the status light of a gateway shows, told apart by rhythm alone so that nobody needs to see its colour:
 *
 *   steady                       all is well
 *   a short flash every 3 s      it works, but no station was heard for an hour
 *   one second on, one off       it hears, but the broker cannot be reached; what it hears is kept
 *   two fast flashes a second    trouble: a radio does not work, or the disk cannot be written
 *   dark                         the gateway does not run
 *
 * A count is shown digit by digit: as many short flashes as the digit says, a long one for zero. No rhythm is
 * faster than two flashes a second. Pure.
 */
#ifndef EDGEROW_PANEL_LIGHT_H
#define EDGEROW_PANEL_LIGHT_H

#include <stdbool.h>
#include <stdint.h>

enum light_state { LIGHT_WELL, LIGHT_UNHEARD, LIGHT_OFFLINE, LIGHT_TROUBLE };
enum { LIGHT_COUNT_MOST = 99999 };

/* All zero: well, since the beginning of the clock. */
struct light {
    enum light_state state;
    int64_t since_us; /* its rhythm began */
    bool counting;    /* a count goes before the state until it has been shown */
    uint32_t count;
    int64_t counted_us; /* its showing began */
};

void light_say(struct light *light, enum light_state state, int64_t now_us);
/* More than LIGHT_COUNT_MOST shows as that. */
void light_count(struct light *light, uint32_t count, int64_t now_us);
/* Is it lit now? *next_us: when to ask again; INT64_MAX: not before something else is said. */
bool light_at(struct light *light, int64_t now_us, int64_t *next_us);

#endif
