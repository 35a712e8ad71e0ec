#include "gateway/spool/sql.h"

#include <errno.h>
#include <stddef.h>

static int error_of(int code)
{
    switch (code & 0xFF) {
    case SQLITE_OK:
    case SQLITE_ROW:
    case SQLITE_DONE:
        return 0;
    case SQLITE_FULL:
        return -ENOSPC;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return -EBUSY;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return -EBADMSG;
    case SQLITE_READONLY:
    case SQLITE_CANTOPEN:
    case SQLITE_PERM:
    case SQLITE_AUTH:
        return -EACCES;
    case SQLITE_NOMEM:
        return -ENOMEM;
    default:
        return -EIO;
    }
}

/* A full disk may also show itself as an input/output error with the system's ENOSPC behind it. */
int sql_error(sqlite3 *db, int code)
{
    int error = error_of(code);
    if (error == -EIO && db != NULL && sqlite3_system_errno(db) == ENOSPC)
        return -ENOSPC;
    return error;
}

int sql_run(sqlite3_stmt *statement)
{
    sqlite3_step(statement);
    int code = sqlite3_reset(statement);
    sqlite3_clear_bindings(statement);
    return sql_error(sqlite3_db_handle(statement), code);
}

int sql_execute(sqlite3 *db, const char *sql)
{
    return sql_error(db, sqlite3_exec(db, sql, NULL, NULL, NULL));
}

int sql_prepare(sqlite3 *db, const char *sql, sqlite3_stmt **statement)
{
    int code = sqlite3_prepare_v3(db, sql, -1, SQLITE_PREPARE_PERSISTENT, statement, NULL);
    return code == SQLITE_ERROR ? -EBADMSG : sql_error(db, code);
}

bool sql_file_exists(const char *path)
{
    sqlite3_vfs *files = sqlite3_vfs_find(NULL);
    int there = 0;
    return files->xAccess(files, path, SQLITE_ACCESS_EXISTS, &there) == SQLITE_OK && there != 0;
}

void sql_file_delete(const char *path)
{
    sqlite3_vfs *files = sqlite3_vfs_find(NULL);
    (void)files->xDelete(files, path, 0);
}
