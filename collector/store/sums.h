/*
 * Changes of the hour rows and of what is derived from them, gathered over a batch so that each row
 * is written once. An hour's passes belong to the trap and block that the unit served in the middle
 * of that hour.
 */
#ifndef EDGEROW_SUMS_H
#define EDGEROW_SUMS_H

#include <sqlite3.h>

#include "collector/roster/roster.h"
#include "collector/store/series.h"

enum { SUMS_TABLES = 5 };

struct sum {
    int64_t at_s;     /* beginning of the hour or day */
    const char *name; /* trap or block; NULL: number counts */
    int64_t number;   /* series, or unit's address */
    uint32_t devaddr; /* of the series */
    struct series_change by;
};

struct sum_list {
    struct sum *items;
    size_t count, capacity;
};

struct sums {
    struct sum_list lists[SUMS_TABLES];
    sqlite3_stmt *add[SUMS_TABLES], *drop[SUMS_TABLES];
};

int sums_open(struct sums *sums, sqlite3 *db);
void sums_close(struct sums *sums);
/* Forgets what was gathered. */
void sums_clear(struct sums *sums);
int sums_add(struct sums *sums, int64_t series, uint32_t devaddr,
             const struct series_placing *placing);
/* Writes hours and derived rows within the caller's transaction, and clears. */
int sums_write(struct sums *sums, const struct roster *roster, const struct zone *zone,
               int64_t now_s);
/* Makes the derived rows from from_s on anew from the hours, within the caller's transaction. Revisions start
 * again. */
int sums_derive_all(struct sums *sums, sqlite3 *db, const struct roster *roster,
                    const struct zone *zone, int64_t from_s);

#endif
