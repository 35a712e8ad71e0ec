#include "collector/delivery/outbox.h"

#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

/* Prepares and binds: i an int64_t, t a text, b a blob with its length as size_t. NULL on failure.
 */
static sqlite3_stmt *prepare(sqlite3 *db, const char *sql, const char *kinds, va_list values)
{
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK)
        return NULL;
    int rc = SQLITE_OK;
    for (int i = 0; kinds[i] != '\0' && rc == SQLITE_OK; i++) {
        if (kinds[i] == 'i') {
            rc = sqlite3_bind_int64(statement, i + 1, va_arg(values, int64_t));
        } else if (kinds[i] == 't') {
            rc = sqlite3_bind_text(statement, i + 1, va_arg(values, const char *), -1,
                                   SQLITE_TRANSIENT);
        } else {
            const void *bytes = va_arg(values, const void *);
            rc = sqlite3_bind_blob64(statement, i + 1, bytes, va_arg(values, size_t),
                                     SQLITE_TRANSIENT);
        }
    }
    if (rc == SQLITE_OK)
        return statement;
    sqlite3_finalize(statement);
    return NULL;
}

static sqlite3_stmt *query(sqlite3 *db, const char *sql, const char *kinds, ...)
{
    va_list values;
    va_start(values, kinds);
    sqlite3_stmt *statement = prepare(db, sql, kinds, values);
    va_end(values);
    return statement;
}

static int execute(sqlite3 *db, const char *sql, const char *kinds, ...)
{
    va_list values;
    va_start(values, kinds);
    sqlite3_stmt *statement = prepare(db, sql, kinds, values);
    va_end(values);
    if (statement == NULL)
        return -EIO;
    int rc = sqlite3_step(statement);
    sqlite3_finalize(statement);
    return rc == SQLITE_DONE ? 0 : -EIO;
}

int outbox_add(sqlite3 *db, const struct outbox_key *key, int64_t made_s, int64_t next_s,
               const char *bytes, size_t len)
{
    return execute(db,
                   "INSERT INTO outbox (notice, revision, delivery, made_s, next_s, bytes)"
                   " VALUES (?, ?, ?, ?, ?, ?)",
                   "iitiib", key->notice, (int64_t)key->revision, key->delivery, made_s, next_s,
                   bytes, len);
}

static int read_row(sqlite3_stmt *statement, struct outbox_row *row)
{
    const void *bytes = sqlite3_column_blob(statement, 5);
    *row = (struct outbox_row){.key = {.notice = sqlite3_column_int64(statement, 0),
                                       .revision = (uint32_t)sqlite3_column_int64(statement, 1)},
                               .made_s = sqlite3_column_int64(statement, 3),
                               .tries = (unsigned)sqlite3_column_int64(statement, 4),
                               .len = (size_t)sqlite3_column_bytes(statement, 5)};
    const unsigned char *name = sqlite3_column_text(statement, 2);
    if (name == NULL || strlen((const char *)name) > OUTBOX_NAME_MAX)
        return -EIO;
    strcpy(row->key.delivery, (const char *)name);
    row->bytes = malloc(row->len + 1);
    if (row->bytes == NULL)
        return -ENOMEM;
    if (row->len > 0)
        memcpy(row->bytes, bytes, row->len);
    row->bytes[row->len] = '\0';
    return 0;
}

void outbox_row_free(struct outbox_row *row)
{
    free(row->bytes);
    row->bytes = NULL;
}

int outbox_due(sqlite3 *db, int64_t now_s, struct outbox_row *rows, size_t most, size_t *count)
{
    sqlite3_stmt *statement =
        query(db,
              "SELECT notice, revision, delivery, made_s, tries, bytes FROM outbox"
              " WHERE done_s = 0 AND given_up_s = 0 AND next_s <= ? ORDER BY next_s LIMIT ?",
              "ii", now_s, (int64_t)most);
    if (statement == NULL)
        return -EIO;
    size_t n = 0;
    int rc = 0, step = SQLITE_DONE;
    while (rc == 0 && n < most && (step = sqlite3_step(statement)) == SQLITE_ROW) {
        rc = read_row(statement, &rows[n]);
        n += rc == 0;
    }
    if (rc == 0 && step != SQLITE_ROW && step != SQLITE_DONE)
        rc = -EIO;
    sqlite3_finalize(statement);
    if (rc < 0) {
        while (n > 0)
            outbox_row_free(&rows[--n]);
        return rc;
    }
    *count = n;
    return 0;
}

int outbox_done(sqlite3 *db, const struct outbox_key *key, int64_t now_s,
                const char *const *fallbacks, size_t fallback_count)
{
    int rc = execute(db,
                     "UPDATE outbox SET done_s = ?, tries = tries + 1, last_error = ''"
                     " WHERE notice = ? AND revision = ? AND delivery = ?",
                     "iiit", now_s, key->notice, (int64_t)key->revision, key->delivery);
    for (size_t i = 0; i < fallback_count && rc == 0; i++)
        rc = execute(db,
                     "DELETE FROM outbox WHERE notice = ? AND revision = ? AND delivery = ?"
                     " AND done_s = 0 AND next_s = ?",
                     "iiti", key->notice, (int64_t)key->revision, fallbacks[i],
                     (int64_t)OUTBOX_ASLEEP);
    return rc;
}

int outbox_failed(sqlite3 *db, const struct outbox_key *key, int64_t next_s, const char *error)
{
    return execute(db,
                   "UPDATE outbox SET tries = tries + 1, next_s = ?, last_error = ?"
                   " WHERE notice = ? AND revision = ? AND delivery = ?",
                   "itiit", next_s, error, key->notice, (int64_t)key->revision, key->delivery);
}

int outbox_give_up(sqlite3 *db, const struct outbox_key *key, int64_t now_s, const char *error)
{
    return execute(db,
                   "UPDATE outbox SET tries = tries + 1, given_up_s = ?, last_error = ?"
                   " WHERE notice = ? AND revision = ? AND delivery = ?",
                   "itiit", now_s, error, key->notice, (int64_t)key->revision, key->delivery);
}

int outbox_wake(sqlite3 *db, const struct outbox_key *key, const char *delivery, int64_t now_s)
{
    return execute(db,
                   "UPDATE outbox SET next_s = ? WHERE notice = ? AND revision = ? AND delivery = ?"
                   " AND done_s = 0 AND next_s = ?",
                   "iiiti", now_s, key->notice, (int64_t)key->revision, delivery,
                   (int64_t)OUTBOX_ASLEEP);
}

int outbox_accepted(sqlite3 *db, const struct outbox_key *key, int *accepted)
{
    sqlite3_stmt *statement =
        query(db, "SELECT count(*) FROM outbox WHERE notice = ? AND revision = ? AND done_s > 0",
              "ii", key->notice, (int64_t)key->revision);
    if (statement == NULL)
        return -EIO;
    int rc = sqlite3_step(statement) == SQLITE_ROW ? 0 : -EIO;
    if (rc == 0)
        *accepted = sqlite3_column_int(statement, 0) > 0;
    sqlite3_finalize(statement);
    return rc;
}

/* The names of all waiting rows that are not configured; each is handed to the first delivery. */
static int adopt_one(sqlite3 *db, const char *stranger, const char *first)
{
    int rc = execute(db,
                     "UPDATE OR IGNORE outbox SET delivery = ?"
                     " WHERE delivery = ? AND done_s = 0 AND given_up_s = 0 AND next_s < ?",
                     "tti", first, stranger, (int64_t)OUTBOX_ASLEEP);
    /* Left over: asleep, or a message that the first delivery has as well. */
    if (rc == 0)
        rc = execute(db, "DELETE FROM outbox WHERE delivery = ? AND done_s = 0 AND given_up_s = 0",
                     "t", stranger);
    return rc;
}

int outbox_adopt(sqlite3 *db, const char *const *names, size_t count)
{
    char stranger[OUTBOX_NAME_MAX + 1];
    for (int bound = 0; count > 0 && bound < 1000; bound++) {
        sqlite3_stmt *statement = query(
            db, "SELECT DISTINCT delivery FROM outbox WHERE done_s = 0 AND given_up_s = 0", "");
        if (statement == NULL)
            return -EIO;
        stranger[0] = '\0';
        while (stranger[0] == '\0' && sqlite3_step(statement) == SQLITE_ROW) {
            const char *name = (const char *)sqlite3_column_text(statement, 0);
            size_t known = 0;
            while (known < count && name != NULL && strcmp(names[known], name) != 0)
                known++;
            if (known == count && name != NULL && strlen(name) <= OUTBOX_NAME_MAX)
                strcpy(stranger, name);
        }
        sqlite3_finalize(statement);
        if (stranger[0] == '\0')
            return 0;
        int rc = adopt_one(db, stranger, names[0]);
        if (rc < 0)
            return rc;
    }
    return 0;
}

int outbox_waiting(sqlite3 *db, int64_t *next_s, unsigned *waiting)
{
    sqlite3_stmt *statement = query(db,
                                    "SELECT min(next_s), count(*) FROM outbox"
                                    " WHERE done_s = 0 AND given_up_s = 0 AND next_s < ?",
                                    "i", (int64_t)OUTBOX_ASLEEP);
    if (statement == NULL)
        return -EIO;
    int rc = sqlite3_step(statement) == SQLITE_ROW ? 0 : -EIO;
    if (rc == 0) {
        *waiting = (unsigned)sqlite3_column_int64(statement, 1);
        *next_s = *waiting > 0 ? sqlite3_column_int64(statement, 0) : INT64_MAX;
    }
    sqlite3_finalize(statement);
    return rc;
}

int outbox_prune(sqlite3 *db, int64_t before_s)
{
    return execute(db,
                   "DELETE FROM outbox WHERE (done_s > 0 AND done_s < ?)"
                   " OR (given_up_s > 0 AND given_up_s < ?)",
                   "ii", before_s, before_s);
}
