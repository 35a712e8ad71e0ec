/*
 * The store's file: opening, checking, setting aside, transactions. SQLite in WAL mode, synchronous
 * FULL. One connection writes and checkpoints; readers never checkpoint.
 */
#ifndef EDGEROW_DATABASE_H
#define EDGEROW_DATABASE_H

#include <sqlite3.h>
#include <stdbool.h>
#include <stdint.h>

#include "common/settings.h"

enum { DATABASE_VERSION = 3 };

struct database {
    sqlite3 *db;
    int lock_fd;
    char id[17];     /* 16 hex digits, random, of this store */
    bool made;       /* the file was made by this opening */
    bool mended;     /* an index was damaged and made anew by this opening */
    char *set_aside; /* where a damaged file was moved by this opening; NULL: none was */
};

/* Opens the file for writing, makes it when there is none. A damaged index is made anew from its table; a file that is
 * damaged otherwise is moved aside and made anew. Errors: -EBUSY (another collector writes it), -ENOTSUP (made by newer
 * software), -ENOSPC, -EACCES, -EIO, with a sentence. */
int database_open(struct database *database, const char *path, int64_t now_s,
                  struct settings_fault *fault);
void database_close(struct database *database);
/* A reader's connection. Errors: -ENOENT, -ENOTSUP, -EACCES, -EIO, with a sentence. Close with
 * sqlite3_close. */
int database_open_readonly(const char *path, sqlite3 **db, struct settings_fault *fault);

/* A connection that writes now and then beside the collector's, and never checkpoints. Errors as above, and
 * -ENOENT when the collector has not made the store yet. */
int database_open_beside(const char *path, sqlite3 **db, struct settings_fault *fault);

/* Everything an empty store has, in an open transaction or none. 0 or a negative errno. */
int database_make_tables(sqlite3 *db);

/* A result of SQLite as a negative errno; SQLITE_OK, ROW and DONE give 0. */
int database_error(int result);
/* Runs statements without results. 0 or a negative errno. */
int database_run(sqlite3 *db, const char *sql);
/* Steps a statement that gives no rows, and resets it. 0 or a negative errno. */
int database_step(sqlite3_stmt *statement);
/* A statement kept for long; NULL: logged why. */
sqlite3_stmt *database_prepare(sqlite3 *db, const char *sql);

#endif
