#include "collector/judging/ledger.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

/* The column open: a notice that is cured and whose closing waits for the letter. */
enum { CURED = 2 };

static void copy_text(sqlite3_stmt *statement, int column, char *text, size_t capacity)
{
    const char *value = (const char *)sqlite3_column_text(statement, column);
    snprintf(text, capacity, "%s", value != NULL ? value : "");
}

static int finish(sqlite3_stmt *statement, int step)
{
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

static int load_watches(sqlite3 *db, struct notice_engine *engine)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db,
                           "SELECT kind, subject, item, state, since_s, notice, detail FROM watch",
                           -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    int step, rc = 0;
    while (rc == 0 && (step = sqlite3_step(statement)) == SQLITE_ROW) {
        struct notice_watch watch = {
            .kind = (enum feed_notice_kind)sqlite3_column_int(statement, 0),
            /* The pace is stored with the state. */
            .state = (enum notice_watch_state)(sqlite3_column_int(statement, 3) % 16),
            .pace = (enum notice_pace)(sqlite3_column_int(statement, 3) / 16),
            .since_s = sqlite3_column_int64(statement, 4),
            .notice = sqlite3_column_int64(statement, 5)};
        copy_text(statement, 1, watch.subject, sizeof(watch.subject));
        copy_text(statement, 2, watch.item, sizeof(watch.item));
        copy_text(statement, 6, watch.detail, sizeof(watch.detail));
        if (watch.kind > FEED_NOTICE_BEES || watch.state < NOTICE_RISING ||
            watch.state > NOTICE_CURED || watch.pace > NOTICE_URGENT)
            continue; /* written by something else: the condition will rise anew */
        rc = notice_engine_add_watch(engine, &watch);
    }
    int ended = finish(statement, rc == 0 ? step : SQLITE_DONE);
    return rc < 0 ? rc : ended;
}

static int load_notices(sqlite3 *db, struct notice_engine *engine)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(
            db,
            "SELECT id, kind, subject, revision, urgent, opened_s, changed_s, sent_s,"
            " acknowledged_s, open FROM notice WHERE open <> 0",
            -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    int step, rc = 0;
    while (rc == 0 && (step = sqlite3_step(statement)) == SQLITE_ROW) {
        struct notice notice = {.id = sqlite3_column_int64(statement, 0),
                                .kind = (enum feed_notice_kind)sqlite3_column_int(statement, 1),
                                .revision = (uint32_t)sqlite3_column_int64(statement, 3),
                                .open = true,
                                .cured = sqlite3_column_int(statement, 9) == CURED,
                                .urgent = sqlite3_column_int(statement, 4),
                                .opened_s = sqlite3_column_int64(statement, 5),
                                .changed_s = sqlite3_column_int64(statement, 6),
                                .sent_s = sqlite3_column_int64(statement, 7),
                                .acknowledged_s = sqlite3_column_int64(statement, 8)};
        copy_text(statement, 2, notice.subject, sizeof(notice.subject));
        if (notice.kind <= FEED_NOTICE_BEES)
            rc = notice_engine_add_notice(engine, &notice);
    }
    int ended = finish(statement, rc == 0 ? step : SQLITE_DONE);
    return rc < 0 ? rc : ended;
}

static int load_number(sqlite3 *db, const char *sql, int64_t *value)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    int step = sqlite3_step(statement);
    if (step == SQLITE_ROW)
        *value = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    return step == SQLITE_ROW || step == SQLITE_DONE ? 0 : -EIO;
}

int ledger_load(sqlite3 *db, struct notice_engine *engine, int64_t *run_s, int64_t *letter_s)
{
    int64_t last = 0;
    *run_s = *letter_s = 0;
    int rc = load_watches(db, engine);
    if (rc == 0)
        rc = load_notices(db, engine);
    if (rc == 0)
        rc = load_number(db, "SELECT coalesce(max(id), 0) FROM notice", &last);
    if (rc == 0)
        rc = load_number(db, "SELECT run_s FROM judged", run_s);
    if (rc == 0)
        rc = load_number(db, "SELECT letter_s FROM judged", letter_s);
    if (rc == 0 && last >= engine->next_id)
        engine->next_id = last + 1;
    return rc;
}

int ledger_load_acknowledged(sqlite3 *db, struct notice_engine *engine)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(
            db, "SELECT id, acknowledged_s FROM notice WHERE open = 1 AND acknowledged_s > 0", -1,
            &statement, NULL) != SQLITE_OK)
        return -EIO;
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW)
        for (size_t i = 0; i < engine->notice_count; i++)
            if (engine->notices[i].id == sqlite3_column_int64(statement, 0))
                engine->notices[i].acknowledged_s = sqlite3_column_int64(statement, 1);
    return finish(statement, step);
}

static int bind_and_step(sqlite3_stmt *statement, int bad)
{
    int step = bad ? SQLITE_ERROR : sqlite3_step(statement);
    int reset = sqlite3_reset(statement);
    return step == SQLITE_DONE && reset == SQLITE_OK ? 0 : -EIO;
}

static int save_watch(sqlite3_stmt *put, sqlite3_stmt *drop, const struct notice_watch *watch)
{
    sqlite3_stmt *statement = watch->gone ? drop : put;
    int bad = sqlite3_bind_int(statement, 1, (int)watch->kind);
    bad |= sqlite3_bind_text(statement, 2, watch->subject, -1, SQLITE_STATIC);
    bad |= sqlite3_bind_text(statement, 3, watch->item, -1, SQLITE_STATIC);
    if (!watch->gone) {
        bad |= sqlite3_bind_int(statement, 4, (int)watch->state + 16 * (int)watch->pace);
        bad |= sqlite3_bind_int64(statement, 5, watch->since_s);
        bad |= sqlite3_bind_int64(statement, 6, watch->notice);
        bad |= sqlite3_bind_text(statement, 7, watch->detail, -1, SQLITE_STATIC);
    }
    return bind_and_step(statement, bad);
}

static int save_watches(sqlite3 *db, const struct notice_engine *engine)
{
    sqlite3_stmt *put = NULL, *drop = NULL;
    int bad = sqlite3_prepare_v2(db,
                                 "INSERT OR REPLACE INTO watch (kind, subject, item, state,"
                                 " since_s, notice, detail) VALUES (?, ?, ?, ?, ?, ?, ?)",
                                 -1, &put, NULL);
    bad |= sqlite3_prepare_v2(db, "DELETE FROM watch WHERE kind = ? AND subject = ? AND item = ?",
                              -1, &drop, NULL);
    int rc = bad ? -EIO : 0;
    for (size_t i = 0; i < engine->watch_count && rc == 0; i++)
        if (engine->watches[i].changed || engine->watches[i].gone)
            rc = save_watch(put, drop, &engine->watches[i]);
    sqlite3_finalize(put);
    sqlite3_finalize(drop);
    return rc;
}

static int save_notice(sqlite3_stmt *put, const struct notice *notice)
{
    int bad = sqlite3_bind_int64(put, 1, notice->id);
    bad |= sqlite3_bind_int(put, 2, (int)notice->kind);
    bad |= sqlite3_bind_text(put, 3, notice->subject, -1, SQLITE_STATIC);
    bad |= sqlite3_bind_int64(put, 4, notice->revision);
    bad |= sqlite3_bind_int(put, 5, notice->cured ? CURED : notice->open);
    bad |= sqlite3_bind_int(put, 6, notice->urgent);
    bad |= sqlite3_bind_int64(put, 7, notice->opened_s);
    bad |= sqlite3_bind_int64(put, 8, notice->changed_s);
    bad |= sqlite3_bind_int64(put, 9, notice->sent_s);
    bad |= sqlite3_bind_int64(put, 10, notice->acknowledged_s);
    return bind_and_step(put, bad);
}

int ledger_save(sqlite3 *db, const struct notice_engine *engine)
{
    sqlite3_stmt *put = NULL;
    int rc = save_watches(db, engine);
    if (rc == 0 && sqlite3_prepare_v2(
                       db,
                       "INSERT INTO notice (id, kind, subject, revision, open, urgent, opened_s,"
                       " changed_s, sent_s, acknowledged_s, title, text)"
                       " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, '', '')"
                       " ON CONFLICT (id) DO UPDATE SET revision = ?4, open = ?5, urgent = ?6,"
                       " changed_s = ?8, sent_s = ?9, acknowledged_s = ?10",
                       -1, &put, NULL) != SQLITE_OK)
        rc = -EIO;
    for (size_t i = 0; i < engine->notice_count && rc == 0; i++)
        if (engine->notices[i].changed)
            rc = save_notice(put, &engine->notices[i]);
    sqlite3_finalize(put);
    return rc;
}

int ledger_save_text(sqlite3 *db, int64_t notice, const char *title, const char *text)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db, "UPDATE notice SET title = ?, text = ? WHERE id = ?", -1, &statement,
                           NULL) != SQLITE_OK)
        return -EIO;
    int bad = sqlite3_bind_text(statement, 1, title, -1, SQLITE_STATIC);
    bad |= sqlite3_bind_text(statement, 2, text, -1, SQLITE_STATIC);
    bad |= sqlite3_bind_int64(statement, 3, notice);
    int rc = bind_and_step(statement, bad);
    sqlite3_finalize(statement);
    return rc;
}

int ledger_save_judged(sqlite3 *db, int64_t run_s, int64_t letter_s)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db,
                           "INSERT OR REPLACE INTO judged (one, run_s, letter_s) VALUES (1, ?, ?)",
                           -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    int bad = sqlite3_bind_int64(statement, 1, run_s);
    bad |= sqlite3_bind_int64(statement, 2, letter_s);
    int rc = bind_and_step(statement, bad);
    sqlite3_finalize(statement);
    return rc;
}

static const char SELECT_STATE[] = "SELECT id, kind, subject, revision, open, urgent, opened_s,"
                                   " changed_s, title, text FROM notice ";

static void read_state(sqlite3_stmt *statement, struct feed_notice_state *state)
{
    *state =
        (struct feed_notice_state){.kind = (enum feed_notice_kind)sqlite3_column_int(statement, 1),
                                   .revision = (uint32_t)sqlite3_column_int64(statement, 3),
                                   .open = sqlite3_column_int(statement, 4) == 1,
                                   .urgent = sqlite3_column_int(statement, 5),
                                   .opened_ms = sqlite3_column_int64(statement, 6) * 1000,
                                   .changed_ms = sqlite3_column_int64(statement, 7) * 1000};
    snprintf(state->notice, sizeof(state->notice), "n-%06" PRId64,
             (int64_t)sqlite3_column_int64(statement, 0));
    copy_text(statement, 2, state->subject, sizeof(state->subject));
    copy_text(statement, 8, state->title, sizeof(state->title));
    copy_text(statement, 9, state->text, sizeof(state->text));
}

int ledger_tell(sqlite3 *db, int64_t since_s,
                void (*tell)(void *user, const struct feed_notice_state *), void *user)
{
    char sql[400];
    sqlite3_stmt *statement;
    snprintf(sql, sizeof(sql), "%s WHERE revision > 0 AND (open = 1 OR changed_s > ?)",
             SELECT_STATE);
    if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, since_s);
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        struct feed_notice_state state;
        read_state(statement, &state);
        tell(user, &state);
    }
    return finish(statement, step);
}

int ledger_read(sqlite3 *db, int64_t notice, struct feed_notice_state *state)
{
    char sql[400];
    sqlite3_stmt *statement;
    snprintf(sql, sizeof(sql), "%s WHERE id = ?", SELECT_STATE);
    if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, notice);
    int step = sqlite3_step(statement);
    if (step == SQLITE_ROW)
        read_state(statement, state);
    sqlite3_finalize(statement);
    return step == SQLITE_ROW ? 0 : step == SQLITE_DONE ? -ENOENT : -EIO;
}
