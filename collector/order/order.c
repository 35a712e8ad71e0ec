#include "collector/order/order.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "collector/store/database.h"

/* Came after the first stores, and is made when it is missing. */
static const char made[] =
    "CREATE TABLE IF NOT EXISTS station_order (number INTEGER PRIMARY KEY AUTOINCREMENT,"
    " devaddr INTEGER NOT NULL, trap TEXT NOT NULL, state INTEGER NOT NULL, made_s INTEGER NOT "
    "NULL,"
    " sent_s INTEGER NOT NULL DEFAULT 0, answered_s INTEGER NOT NULL DEFAULT 0,"
    " until_s INTEGER NOT NULL, sent INTEGER NOT NULL DEFAULT 0, bytes BLOB NOT NULL) STRICT";

#define COLUMNS                                                                                    \
    "SELECT number, devaddr, trap, state, made_s, sent_s, answered_s, until_s, sent, bytes"        \
    " FROM station_order "

int order_open(sqlite3 *db)
{
    return database_run(db, made);
}

bool order_is_there(sqlite3 *db)
{
    sqlite3_stmt *row =
        database_prepare(db, "SELECT 1 FROM sqlite_schema WHERE name = 'station_order'");
    bool there = row && sqlite3_step(row) == SQLITE_ROW;
    sqlite3_finalize(row);
    return there;
}

bool order_is_over(enum order_state state)
{
    return state != ORDER_WAITING && state != ORDER_SENT;
}

static bool take(sqlite3_stmt *row, struct order *order)
{
    const uint8_t *bytes = sqlite3_column_blob(row, 9);
    *order = (struct order){.order = {.number = (uint64_t)sqlite3_column_int64(row, 0),
                                      .devaddr = (uint32_t)sqlite3_column_int64(row, 1),
                                      .until_ms = sqlite3_column_int64(row, 7) * 1000},
                            .state = (enum order_state)sqlite3_column_int(row, 3),
                            .made_s = sqlite3_column_int64(row, 4),
                            .sent_s = sqlite3_column_int64(row, 5),
                            .answered_s = sqlite3_column_int64(row, 6),
                            .sent = (uint64_t)sqlite3_column_int64(row, 8)};
    snprintf(order->trap, sizeof order->trap, "%s", (const char *)sqlite3_column_text(row, 2));
    return air_order_decode(bytes, (size_t)sqlite3_column_bytes(row, 9), &order->order.order) ==
           AIR_OK;
}

int order_latest(sqlite3 *db, uint32_t devaddr, struct order *order)
{
    struct order found;
    sqlite3_stmt *row =
        database_prepare(db, COLUMNS "WHERE devaddr = ?1 ORDER BY number DESC LIMIT 1");
    if (!row)
        return -EIO;
    sqlite3_bind_int64(row, 1, devaddr);
    int result = sqlite3_step(row);
    bool sound = result == SQLITE_ROW && take(row, &found);
    sqlite3_finalize(row);
    if (sound)
        *order = found;
    return sound                                           ? 0
           : result == SQLITE_ROW || result == SQLITE_DONE ? -ENOENT
                                                           : database_error(result);
}

static int insert(sqlite3 *db, const char *trap, uint32_t devaddr, const struct air_order *order,
                  int64_t now_s, int64_t until_s)
{
    uint8_t bytes[AIR_ORDER_MAX];
    size_t len;
    if (air_order_encode(order, bytes, &len) != AIR_OK)
        return -EINVAL;
    sqlite3_stmt *put = database_prepare(
        db, "INSERT INTO station_order (devaddr, trap, state, made_s, until_s, bytes)"
            " VALUES (?1, ?2, ?3, ?4, ?5, ?6)");
    if (!put)
        return -EIO;
    sqlite3_bind_int64(put, 1, devaddr);
    sqlite3_bind_text(put, 2, trap, -1, SQLITE_STATIC);
    sqlite3_bind_int(put, 3, ORDER_WAITING);
    sqlite3_bind_int64(put, 4, now_s);
    sqlite3_bind_int64(put, 5, until_s);
    sqlite3_bind_blob(put, 6, bytes, (int)len, SQLITE_STATIC);
    int error = database_step(put);
    sqlite3_finalize(put);
    return error;
}

static int end_writing(sqlite3 *db, int error)
{
    if (!error)
        error = database_run(db, "COMMIT");
    if (error)
        (void)database_run(db, "ROLLBACK");
    return error;
}

int order_give(sqlite3 *db, const char *trap, uint32_t devaddr, const struct air_order *order,
               int64_t now_s, int64_t until_s, uint64_t *number)
{
    struct order latest = {.state = ORDER_DONE};
    int error = database_run(db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    error = order_latest(db, devaddr, &latest);
    if (!error && !order_is_over(latest.state))
        error = -EEXIST;
    else if (!error || error == -ENOENT)
        error = insert(db, trap, devaddr, order, now_s, until_s);
    sqlite3_int64 given = sqlite3_last_insert_rowid(db);
    error = end_writing(db, error);
    if (!error)
        *number = (uint64_t)given;
    return error;
}

int order_set(sqlite3 *db, const struct order *order)
{
    uint8_t bytes[AIR_ORDER_MAX];
    size_t len;
    if (air_order_encode(&order->order.order, bytes, &len) != AIR_OK)
        return -EINVAL;
    sqlite3_stmt *put = database_prepare(
        db, "UPDATE station_order SET state = ?2, sent_s = ?3, answered_s = ?4, sent = ?5,"
            " bytes = ?6 WHERE number = ?1 AND state IN (0, 1)");
    if (!put)
        return -EIO;
    sqlite3_bind_int64(put, 1, (int64_t)order->order.number);
    sqlite3_bind_int(put, 2, (int)order->state);
    sqlite3_bind_int64(put, 3, order->sent_s);
    sqlite3_bind_int64(put, 4, order->answered_s);
    sqlite3_bind_int64(put, 5, (int64_t)order->sent);
    sqlite3_bind_blob(put, 6, bytes, (int)len, SQLITE_STATIC);
    int error = database_step(put);
    sqlite3_finalize(put);
    return error;
}

int order_cancel(sqlite3 *db, uint32_t devaddr, int64_t now_s, struct order *cancelled)
{
    struct order latest = {.state = ORDER_DONE};
    int error = database_run(db, "BEGIN IMMEDIATE");
    if (error)
        return error;
    error = order_latest(db, devaddr, &latest);
    if (!error && order_is_over(latest.state))
        error = -ENOENT;
    if (!error) {
        latest.state = ORDER_CANCELLED;
        latest.answered_s = now_s;
        error = order_set(db, &latest);
    }
    error = end_writing(db, error);
    if (!error)
        *cancelled = latest;
    return error;
}

int order_each(sqlite3 *db, int64_t since_s, void (*each)(void *user, const struct order *order),
               void *user)
{
    struct order order;
    int result;
    sqlite3_stmt *row =
        database_prepare(db, COLUMNS "WHERE state IN (0, 1) OR answered_s >= ?1 ORDER BY number");
    if (!row)
        return -EIO;
    sqlite3_bind_int64(row, 1, since_s);
    while ((result = sqlite3_step(row)) == SQLITE_ROW)
        if (take(row, &order))
            each(user, &order);
    sqlite3_finalize(row);
    return database_error(result);
}

void order_text(const struct air_order *order, char *text, size_t size)
{
    switch (order->kind) {
    case AIR_ORDER_INTERVAL:
        snprintf(text, size, "interval %u min", order->interval_min);
        break;
    case AIR_ORDER_MARKS:
        snprintf(text, size, "full mark %u mm, low mark %u mm", order->full_mark_mm,
                 order->low_mark_mm);
        break;
    case AIR_ORDER_CHANNEL:
        snprintf(text, size, "channel %.4f MHz, %u kHz, spreading factor %u",
                 order->frequency_hz / 1e6, order->bandwidth_hz / 1000, order->spreading_factor);
        break;
    case AIR_ORDER_POWER:
        snprintf(text, size, "power %d dBm", order->power_dbm);
        break;
    case AIR_ORDER_DIAGNOSTICS:
        snprintf(text, size, "diagnostics");
        break;
    }
}

const char *order_state_word(enum order_state state)
{
    static const char *const words[] = {[ORDER_WAITING] = "waiting",
                                        [ORDER_SENT] = "sent",
                                        [ORDER_DONE] = "done",
                                        [ORDER_REFUSED] = "refused",
                                        [ORDER_UNKNOWN] = "unknown_order",
                                        [ORDER_EXPIRED] = "expired",
                                        [ORDER_CANCELLED] = "cancelled"};
    return words[state];
}

const char *order_state_text(enum order_state state)
{
    static const char *const texts[] = {
        [ORDER_WAITING] = "waits for the station's next report",
        [ORDER_SENT] = "is sent after each report until the station answers",
        [ORDER_DONE] = "done, as the station says",
        [ORDER_REFUSED] = "refused by the station: outside what it can or may do; nothing changed",
        [ORDER_UNKNOWN] = "not understood by the station: is its firmware older than the order?",
        [ORDER_EXPIRED] = "given up: the station did not answer in time",
        [ORDER_CANCELLED] = "taken back"};
    return texts[state];
}

bool order_answered(const struct order *order, const struct air_report *report, int64_t heard_s,
                    enum order_state *state)
{
    static const enum order_state states[] = {[AIR_ANSWER_DONE] = ORDER_DONE,
                                              [AIR_ANSWER_REFUSED] = ORDER_REFUSED,
                                              [AIR_ANSWER_UNKNOWN_ORDER] = ORDER_UNKNOWN};
    if (order->state != ORDER_SENT || heard_s < order->sent_s ||
        report->order_answer == AIR_ANSWER_NONE ||
        report->order_sequence != order->order.order.sequence)
        return false;
    *state = states[report->order_answer];
    return true;
}
