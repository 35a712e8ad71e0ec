/* Questions to a store, for tests. They end the test when the answer is not what it must be. */
#ifndef EDGEROW_TEST_STORED_H
#define EDGEROW_TEST_STORED_H

#include <sqlite3.h>

#include "tests/unit/collector/world.h"

int64_t stored_number(sqlite3 *db, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* Every series against the stations' truth, and what is derived against the hours. */
void stored_expect_conserved(sqlite3 *db, const struct world *world);
/* All final rows as text, without what counts how they came. Caller frees. */
char *stored_rows(sqlite3 *db);

#endif
