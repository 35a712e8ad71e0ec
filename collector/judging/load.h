/* Facts from the store. */
#ifndef EDGEROW_JUDGING_LOAD_H
#define EDGEROW_JUDGING_LOAD_H

#include <sqlite3.h>

#include "collector/judging/facts.h"

/* The reports and visits of as many hours as facts hold. 0, -EIO or -ENOMEM. */
int load_history(sqlite3 *db, struct facts *facts, int64_t now_s);
/* Of traps whose station is not in that history: when it was last heard. */
int load_long_silent(sqlite3 *db, struct facts *facts);
/* Where reading what people entered has come to. */
struct load_entered {
    int64_t visit, withdrawn; /* ids */
};

/* Visits entered and withdrawn since; *last moves on. */
int load_visits(sqlite3 *db, struct facts *facts, struct load_entered *last);

#endif
