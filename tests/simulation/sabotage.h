/* Safeguards of the product that this program can do without, to show that the oracle sees the loss. Only the
 * program built for that has any. */
#ifndef EDGEROW_SIMULATION_SABOTAGE_H
#define EDGEROW_SIMULATION_SABOTAGE_H

#include <stdbool.h>

/* False: there is none of this name. */
bool sabotage_set(const char *name);
/* The one that is left out; NULL: none. */
const char *sabotage_name(void);

#endif
