#include "collector/judging/load.h"

#include <errno.h>
#include <string.h>

/* The key of an unsynchronised report is where its neighbours put it: as good as can be had. */
static void load_row(sqlite3_stmt *statement, struct facts *facts, bool first)
{
    struct air_report report;
    const void *payload = sqlite3_column_blob(statement, 4);
    if (payload == NULL ||
        air_report_decode(payload, (size_t)sqlite3_column_bytes(statement, 4), &report) != AIR_OK)
        return;
    struct judging_report heard = {.devaddr = (uint32_t)sqlite3_column_int64(statement, 1),
                                   .key_check = (uint32_t)sqlite3_column_int64(statement, 2),
                                   .fcnt = (uint32_t)sqlite3_column_int64(statement, 3),
                                   .heard_ms = sqlite3_column_int(statement, 8)
                                                   ? sqlite3_column_int64(statement, 0)
                                                   : sqlite3_column_int64(statement, 6) * 1000,
                                   .first = first,
                                   .gateway = (const char *)sqlite3_column_text(statement, 5),
                                   .report = &report};
    facts_hear(facts, &heard);
}

int load_history(sqlite3 *db, struct facts *facts, int64_t now_s)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(
            db,
            "SELECT r.heard_ms, s.devaddr, s.key_check, r.fcnt, r.payload, h.gateway,"
            " r.at_s, r.series, r.sure FROM report r JOIN series s ON s.series = r.series"
            " LEFT JOIN heard h ON h.at_s = r.at_s AND h.series = r.series"
            " AND h.fcnt = r.fcnt WHERE r.at_s BETWEEN ? AND ?"
            " ORDER BY r.at_s, r.series, r.fcnt",
            -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, facts->first_hour * FACTS_HOUR_S);
    sqlite3_bind_int64(statement, 2, now_s + FACTS_HOUR_S);
    int64_t at_s = -1, series = -1, fcnt = -1;
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        bool first = sqlite3_column_int64(statement, 6) != at_s ||
                     sqlite3_column_int64(statement, 7) != series ||
                     sqlite3_column_int64(statement, 3) != fcnt;
        at_s = sqlite3_column_int64(statement, 6);
        series = sqlite3_column_int64(statement, 7);
        fcnt = sqlite3_column_int64(statement, 3);
        load_row(statement, facts, first);
    }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

/* A station that was last heard before all that: it is silent, not new. */
int load_long_silent(sqlite3 *db, struct facts *facts)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db, "SELECT devaddr, max(heard_s) FROM series GROUP BY devaddr", -1,
                           &statement, NULL) != SQLITE_OK)
        return -EIO;
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        int64_t heard_s = sqlite3_column_int64(statement, 1);
        const struct roster_assignment *a =
            roster_of_unit(facts->roster, (uint32_t)sqlite3_column_int64(statement, 0), heard_s);
        if (heard_s == 0 || a == NULL || a->to_s != INT64_MAX)
            continue;
        struct facts_trap *trap =
            &facts->traps[facts->trap_of_assignment[a - facts->roster->assignments]];
        if (trap->heard_s == 0)
            trap->heard_s = heard_s;
    }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

static bool action_of(const char *text, enum level_action *action)
{
    static const struct {
        const char *text;
        enum level_action action;
    } known[] = {{"topped up", LEVEL_TOPPED_UP},
                 {"replaced", LEVEL_REPLACED},
                 {"emptied", LEVEL_EMPTIED},
                 {"cleaned", LEVEL_CLEANED}};
    for (size_t i = 0; text != NULL && i < sizeof(known) / sizeof(known[0]); i++)
        if (strcmp(text, known[i].text) == 0) {
            *action = known[i].action;
            return true;
        }
    return false;
}

static const char ENTERED[] = "SELECT id, at_s, trap, action FROM kept_visit"
                              " WHERE id > ?1 AND at_s >= ?2 ORDER BY id";
static const char WITHDRAWN[] =
    "SELECT w.id, v.at_s, v.trap, v.action FROM withdrawn w JOIN visit v ON v.id = w.entry"
    " WHERE w.what = 'visit' AND w.id > ?1 AND v.at_s >= ?2 ORDER BY w.id";

typedef void say_visit(struct facts *, const char *trap, int64_t at_s, enum level_action action);

static int load_some(sqlite3 *db, const char *sql, struct facts *facts, say_visit *say,
                     int64_t *last_id)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, *last_id);
    sqlite3_bind_int64(statement, 2, facts->first_hour * FACTS_HOUR_S);
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        enum level_action action;
        const char *trap = (const char *)sqlite3_column_text(statement, 2);
        if (trap != NULL && action_of((const char *)sqlite3_column_text(statement, 3), &action))
            say(facts, trap, sqlite3_column_int64(statement, 1), action);
        *last_id = sqlite3_column_int64(statement, 0);
    }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

int load_visits(sqlite3 *db, struct facts *facts, struct load_entered *last)
{
    int rc = load_some(db, ENTERED, facts, facts_visit, &last->visit);
    return rc < 0 ? rc : load_some(db, WITHDRAWN, facts, facts_unvisit, &last->withdrawn);
}
