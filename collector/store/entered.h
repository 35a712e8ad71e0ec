/*
 * What people enter at a trap, kept twice: in the store, and in a second file that outlives it. The operator's
 * command writes both beside a running collector, which brings either up to date from the other when it starts.
 */
#ifndef EDGEROW_ENTERED_H
#define EDGEROW_ENTERED_H

#include <sqlite3.h>
#include <stddef.h>
#include <stdint.h>

#include "common/settings.h"

struct entered_count {
    const char *kind; /* one of entered_kinds */
    int64_t count;
};

struct entered_visit {
    int64_t at_s; /* when the trap was served */
    const char *trap;
    const char *action; /* one of entered_actions */
    double litres;      /* NAN: not said */
    const char *by_whom;
    int64_t entered_s; /* when it was written down */
    const struct entered_count *counts;
    size_t count_count;
};

/* Clusters of fruit that somebody looked at, in one place of a block. */
struct entered_fruit {
    int64_t at_s;
    const char *block;
    const char *place; /* one of entered_places */
    int64_t looked_at, damaged;
    const char *by_whom;
    int64_t entered_s;
};

/* What somebody saw of the season. */
struct entered_stage {
    int64_t at_s;
    const char *block; /* empty: the site */
    const char *stage; /* one of the caller's */
    const char *by_whom;
    int64_t entered_s;
};

/* An entry that was a mistake. It stays in both files and no longer counts. */
struct entered_withdrawal {
    const char *what; /* visit, fruit, stage */
    int64_t entry;    /* its number among those */
    const char *by_whom;
    int64_t entered_s;
};

/* NULL-terminated. */
extern const char *const entered_actions[]; /* topped up, replaced, emptied, cleaned */
extern const char *const entered_kinds[];   /* paper wasps, other wasps, honey bees, others */
extern const char *const entered_places[];  /* edge, interior, untrapped */

/* The operator's connection: it writes, but never checkpoints. The second file is made when it is missing.
 * 0 or a negative errno with a sentence. Close with sqlite3_close. */
int entered_open(const char *store_path, const char *entered_path, sqlite3 **db,
                 struct settings_fault *fault);
/* Writes a visit and its counts into both. 0 and *id; -EINVAL for an action, kind or number that is none;
 * or another negative errno, and neither has it. */
int entered_add(sqlite3 *db, const struct entered_visit *visit, int64_t *id);
/* Several at once, or none of them: one mistake in a line does not leave half a line entered. */
int entered_add_visits(sqlite3 *db, const struct entered_visit *visits, size_t count);
int entered_add_fruit(sqlite3 *db, const struct entered_fruit *fruit, size_t count);
int entered_add_stage(sqlite3 *db, const struct entered_stage *stage);
/* -ENOENT: there is no such entry; -EALREADY: it was withdrawn before. */
int entered_withdraw(sqlite3 *db, const struct entered_withdrawal *withdrawal);
/* For the collector's own connection: copies what either file lacks. */
int entered_sync(sqlite3 *db, const char *entered_path, struct settings_fault *fault);

#endif
