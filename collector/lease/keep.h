/* Leases in the store: written before they are published, and never lower than they were. */
#ifndef EDGEROW_LEASE_KEEP_H
#define EDGEROW_LEASE_KEEP_H

#include <sqlite3.h>

#include "collector/lease/table.h"

/* Makes the table when it is missing, and reads all. 0 or a negative errno; what went wrong is logged. */
int lease_keep_load(sqlite3 *db, struct lease_table *table);
/* Writes every unit that is changed, in one transaction. 0, or a negative errno: then none is. */
int lease_keep_changed(sqlite3 *db, struct lease_table *table);

#endif
