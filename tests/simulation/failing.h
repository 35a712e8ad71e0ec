/* Memory that fails: the Nth allocation of the product, of SQLite and of the JSON library, once or from then on. */
#ifndef EDGEROW_SIMULATION_FAILING_H
#define EDGEROW_SIMULATION_FAILING_H

#include <stdbool.h>
#include <stdint.h>

/* Before SQLite is used. */
void failing_install(void);
/* The nth allocation from now fails (1: the next); stays: so do all after it. 0: none. */
void failing_arm(uint64_t nth, bool stays);
bool failing_struck(void);

#endif
