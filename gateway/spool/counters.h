/*
 * The tables of used counters in the spool's file: of each unit the highest counter up that was heard, and the counter
 * down below which all are gone. They outlive the rows, and are saved out of a damaged file. Errors as in disk.h.
 */
#ifndef EDGEROW_SPOOL_COUNTERS_H
#define EDGEROW_SPOOL_COUNTERS_H

#include <stdint.h>

#include "gateway/verify/unit.h"

struct counters_heard {
    uint32_t devaddr, key_check;
    struct verify_heard highest;
};

/* Every counter down below next is gone: never to be used again. */
struct counters_gone {
    uint32_t devaddr, key_check;
    uint64_t next;
};

struct counters;
struct sqlite3;

/* The table that every spool has from its first day, within the transaction that makes the file. */
int counters_make(struct sqlite3 *db);
int counters_open(struct counters **counters, struct sqlite3 *db);
void counters_close(struct counters *counters); /* before its database; NULL is fine */

/* Neither ever goes back. */
int counters_put_heard(struct counters *counters, const struct counters_heard *heard);
int counters_put_gone(struct counters *counters, const struct counters_gone *gone);
int counters_each_heard(struct counters *counters,
                        void (*each)(void *user, const struct counters_heard *heard), void *user);
int counters_each_gone(struct counters *counters,
                       void (*each)(void *user, const struct counters_gone *gone), void *user);

/* Copies what can be read of a damaged file, in an open transaction. *saved: how many counters up. An error means that
 * trying again may save more. */
int counters_salvage(struct counters *to, const char *damaged_path, unsigned *saved);

#endif
