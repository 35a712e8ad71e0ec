/*
 * The units whose reports the store holds, and their histories in memory. Inside the store's room.
 *
 * Of each unit all reports filed at or after loaded_from_s are held. Normally that is the store's
 * horizon, a day back; a unit that has been quiet for longer, or whose late reports come in, is
 * read further back.
 */
#ifndef EDGEROW_UNIT_H
#define EDGEROW_UNIT_H

#include <sqlite3.h>

#include "collector/store/history.h"

struct unit_series {
    int64_t id;
    uint8_t epoch;
    bool dirty;
    uint32_t first_fcnt, last_fcnt;
    int64_t anchor; /* -1: none */
    int64_t unplaced, pruned;
    int64_t last_at_s, heard_s;
    uint32_t entries;
    int64_t reports, ignored;
};

struct unit {
    uint32_t devaddr, key_check;
    struct history history;
    int64_t loaded_from_s;
    struct unit_series *series;
    size_t series_count;
};

struct units {
    sqlite3 *db;
    sqlite3_stmt *scan, *add_series, *put_series;
    struct unit **slots; /* open addressing by address and key */
    size_t slot_count, count;
    struct unit **of_series; /* by series' id */
    size_t of_series_count;
    int64_t horizon_s; /* all units' reports from here on are held */
    int64_t oldest_s;  /* no report is filed before this */
    size_t held;
    int64_t pruned_s; /* hours before this are pruned; INT64_MIN: none */
};

/* Reads all series, and the reports of the last day. 0 or a negative errno. */
int units_open(struct units *units, sqlite3 *db);
/* Reads all series, and only the reports filed up to to_s. */
int units_open_until(struct units *units, sqlite3 *db, int64_t to_s);
void units_close(struct units *units);
/* The unit, made when it is new; NULL: no memory. */
struct unit *units_get(struct units *units, uint32_t devaddr, uint32_t key_check);
struct unit *units_of_series(const struct units *units, int64_t series);
struct unit_series *unit_series_of(struct unit *unit, uint8_t epoch);
/* The series of an epoch, made in the file when it is new. 0 or a negative errno. */
int units_make_series(struct units *units, struct unit *unit, uint8_t epoch, uint32_t fcnt,
                      struct unit_series **series);
/* Reads as far back as fcnt needs. */
int units_reach(struct units *units, struct unit *unit, uint32_t fcnt, uint8_t epoch);
/* Writes the series that changed. */
int units_write(struct units *units);
void units_trim(struct units *units, int64_t before_s);

#endif
