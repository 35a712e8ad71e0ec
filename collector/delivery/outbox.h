/*
 * The outbox: messages owed, their bytes frozen when they were judged. Identity is (notice,
 * revision, delivery). A row waits until its time; one of a fallback sleeps until the delivery
 * before it fails. Thin: every function is a statement or two on the caller's connection, within
 * the caller's transaction if there is one.
 */
#ifndef EDGEROW_OUTBOX_H
#define EDGEROW_OUTBOX_H

#include <sqlite3.h>
#include <stddef.h>
#include <stdint.h>

enum { OUTBOX_NAME_MAX = 32 };
#define OUTBOX_ASLEEP INT64_MAX

struct outbox_key {
    int64_t notice;
    uint32_t revision;
    char delivery[OUTBOX_NAME_MAX + 1];
};

struct outbox_row {
    struct outbox_key key;
    int64_t made_s;
    unsigned tries;
    char *bytes; /* freed by outbox_row_free */
    size_t len;
};

/* All return 0 or a negative errno (-EIO: the store said no, see sqlite3_errmsg). */
int outbox_add(sqlite3 *db, const struct outbox_key *key, int64_t made_s, int64_t next_s,
               const char *bytes, size_t len);
/* At most most rows whose time has come, the longest waiting first; *count is set. */
int outbox_due(sqlite3 *db, int64_t now_s, struct outbox_row *rows, size_t most, size_t *count);
void outbox_row_free(struct outbox_row *row);
/* Accepted. What still sleeps of the same message for the named fallbacks is no longer needed. */
int outbox_done(sqlite3 *db, const struct outbox_key *key, int64_t now_s,
                const char *const *fallbacks, size_t fallback_count);
int outbox_failed(sqlite3 *db, const struct outbox_key *key, int64_t next_s, const char *error);
int outbox_give_up(sqlite3 *db, const struct outbox_key *key, int64_t now_s, const char *error);
/* Wakes the same message of another delivery, if it sleeps. */
int outbox_wake(sqlite3 *db, const struct outbox_key *key, const char *delivery, int64_t now_s);
/* *accepted: some delivery had the same message accepted. */
int outbox_accepted(sqlite3 *db, const struct outbox_key *key, int *accepted);
/* Waiting rows of deliveries that are no longer configured go to the first one. */
int outbox_adopt(sqlite3 *db, const char *const *names, size_t count);
/* Time of the earliest waiting row, INT64_MAX for none, and how many wait. */
int outbox_waiting(sqlite3 *db, int64_t *next_s, unsigned *waiting);
/* Forgets messages settled before an instant. */
int outbox_prune(sqlite3 *db, int64_t before_s);

#endif
