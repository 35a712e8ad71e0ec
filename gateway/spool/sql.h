/* What the spool's files ask of SQLite. Errors as in disk.h. */
#ifndef EDGEROW_SPOOL_SQL_H
#define EDGEROW_SPOOL_SQL_H

#include <sqlite3.h>
#include <stdbool.h>

/* A result of SQLite as 0 or a negative errno. db tells what the system said; NULL: nobody does. */
int sql_error(sqlite3 *db, int code);
/* Runs a statement that gives no rows, and lets go of what was bound to it. */
int sql_run(sqlite3_stmt *statement);
/* Runs statements whose rows nobody wants. */
int sql_execute(sqlite3 *db, const char *sql);
/* A statement kept for as long as the file is open. -EBADMSG when the file has no such table. */
int sql_prepare(sqlite3 *db, const char *sql, sqlite3_stmt **statement);

/* A file that is there and not empty. */
bool sql_file_exists(const char *path);
void sql_file_delete(const char *path);

#endif
