/* What is said of traps and blocks: from verdicts and the store's daily passes. */
#ifndef EDGEROW_JUDGING_STATES_H
#define EDGEROW_JUDGING_STATES_H

#include <sqlite3.h>

#include "collector/judging/facts.h"
#include "collector/store/zone.h"

/* Reads the passes of today, yesterday and the last seven complete days. 0 or -EIO. */
int states_read_passes(sqlite3 *db, struct facts *facts, const struct zone *zone, int64_t now_s);
void states_trap(const struct facts *facts, const struct facts_trap *trap, int64_t now_s,
                 struct feed_trap_state *state);
void states_blocks(struct facts *facts, int64_t now_s);
/* A change worth saying at once, beyond the drift of figures. */
bool states_trap_differs(const struct feed_trap_state *a, const struct feed_trap_state *b);
bool states_block_differs(const struct feed_block_state *a, const struct feed_block_state *b);

#endif
