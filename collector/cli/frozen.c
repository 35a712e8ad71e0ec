#include "collector/cli/frozen.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "collector/store/database.h"

enum { KEPT_S = 30 * 86400 };

void frozen_free(struct frozen *frozen)
{
    free(frozen->text);
    free(frozen->json);
    *frozen = (struct frozen){0};
}

static char *copy_of(sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);
    return text ? strdup(text) : NULL;
}

int frozen_read(const struct site_view *view, const char *asked, struct frozen *frozen)
{
    sqlite3_stmt *row = NULL;
    if (sqlite3_prepare_v2(
            view->db,
            "SELECT made_s, text, json FROM frozen_round WHERE day_s = ? AND asked = "
            "?",
            -1, &row, NULL) != SQLITE_OK)
        return -ENOENT;
    sqlite3_bind_int64(row, 1, zone_day(view->zone, view->now_s).begin_s);
    sqlite3_bind_text(row, 2, asked, -1, SQLITE_STATIC);
    int error = -ENOENT;
    if (sqlite3_step(row) == SQLITE_ROW) {
        frozen->made_s = sqlite3_column_int64(row, 0);
        frozen->text = copy_of(row, 1);
        frozen->json = copy_of(row, 2);
        error = frozen->text && frozen->json ? 0 : -ENOMEM;
    }
    sqlite3_finalize(row);
    return error;
}

static int write_row(sqlite3 *db, int64_t day_s, const char *asked, const struct frozen *frozen)
{
    sqlite3_stmt *row = NULL;
    int error = database_error(sqlite3_prepare_v2(db,
                                                  "INSERT OR REPLACE INTO frozen_round (day_s, "
                                                  "asked, made_s, text, json) VALUES (?, ?, ?, ?, "
                                                  "?)",
                                                  -1, &row, NULL));
    if (error)
        return error;
    sqlite3_bind_int64(row, 1, day_s);
    sqlite3_bind_text(row, 2, asked, -1, SQLITE_STATIC);
    sqlite3_bind_int64(row, 3, frozen->made_s);
    sqlite3_bind_text(row, 4, frozen->text, -1, SQLITE_STATIC);
    sqlite3_bind_text(row, 5, frozen->json, -1, SQLITE_STATIC);
    error = database_step(row);
    sqlite3_finalize(row);
    return error;
}

static int drop_old(sqlite3 *db, int64_t before_s)
{
    sqlite3_stmt *row = NULL;
    int error = database_error(
        sqlite3_prepare_v2(db, "DELETE FROM frozen_round WHERE day_s < ?", -1, &row, NULL));
    if (error)
        return error;
    sqlite3_bind_int64(row, 1, before_s);
    error = database_step(row);
    sqlite3_finalize(row);
    return error;
}

int frozen_write(const struct site_view *view, const char *asked, const struct frozen *frozen)
{
    struct settings_fault fault;
    sqlite3 *db = NULL;
    int64_t day_s = zone_day(view->zone, view->now_s).begin_s;
    int error = database_open_beside(view->site.store, &db, &fault);
    if (!error)
        error = write_row(db, day_s, asked, frozen);
    if (!error)
        error = drop_old(db, day_s - KEPT_S);
    sqlite3_close(db);
    return error;
}
