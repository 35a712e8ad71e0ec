#include "deploy/rehearsal/verdict.h"

#include <errno.h>
#include <sqlite3.h>
#include <stdint.h>
#include <string.h>

/* By trap: hours since its present unit was heard (-1: never), and whether it guards in the last
 * hour. */
static const char question[] =
    "SELECT t.name,"
    " (SELECT (SELECT max(to_us) FROM interval) / 3600000000.0 - max(c.at_us) / 3600000000.0 FROM "
    "copy c"
    "   JOIN frame f USING (frame) WHERE f.unit = a.unit),"
    " (SELECT guarding FROM level l WHERE l.trap = t.trap ORDER BY at_s DESC LIMIT 1)"
    " FROM trap t JOIN assignment a ON a.trap = t.trap"
    " WHERE a.to_us = (SELECT max(to_us) FROM assignment)";

static const char index_frames[] = "CREATE INDEX IF NOT EXISTS frame_unit ON frame (unit);"
                                   "CREATE INDEX IF NOT EXISTS copy_frame ON copy (frame, at_us);"
                                   "CREATE INDEX IF NOT EXISTS level_trap ON level (trap, at_s);";

static bool said_of(FILE *said, const char *trap, char condition[32])
{
    char line[160], name[64];
    if (fseek(said, 0, SEEK_SET) != 0)
        return false;
    while (fgets(line, sizeof line, said) != NULL) {
        if (sscanf(line, "%63[^,],%31[^,]", name, condition) == 2 && strcmp(name, trap) == 0)
            return true;
    }
    return false;
}

static void judge(struct verdict *v, double hours, bool guarding, const char *condition)
{
    bool said_silent = strcmp(condition, "silent") == 0;
    bool listed = strcmp(condition, "due") == 0 || strcmp(condition, "failed") == 0;
    v->traps++;
    v->silent_truly += hours > 24.0;
    v->silent_said += said_silent;
    v->silent_missed += hours > 24.0 && !said_silent;
    v->silent_invented += hours < 12.0 && said_silent;
    v->listed += listed;
    v->listed_early += listed && guarding;
    if (hours < 24.0 && !said_silent && !guarding) {
        v->failing_truly++;
        v->failing_listed += listed;
    }
}

static int judge_all(sqlite3 *db, FILE *said, struct verdict *v)
{
    sqlite3_stmt *statement;
    char condition[32];
    if (sqlite3_exec(db, index_frames, NULL, NULL, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(db, question, -1, &statement, NULL) != SQLITE_OK) {
        fprintf(stderr, "edgerow-rehearse: ledger: %s\n", sqlite3_errmsg(db));
        return -EIO;
    }
    while (sqlite3_step(statement) == SQLITE_ROW) {
        double hours = sqlite3_column_type(statement, 1) == SQLITE_NULL
                           ? 1e6
                           : sqlite3_column_double(statement, 1);
        if (said_of(said, (const char *)sqlite3_column_text(statement, 0), condition))
            judge(v, hours, sqlite3_column_int(statement, 2) != 0, condition);
    }
    sqlite3_finalize(statement);
    return 0;
}

int verdict_of(const char *folder, struct verdict *verdict)
{
    char path[512];
    sqlite3 *db = NULL;
    *verdict = (struct verdict){0};
    snprintf(path, sizeof path, "%s/said.csv", folder);
    FILE *said = fopen(path, "re");
    if (said == NULL) {
        fprintf(stderr, "edgerow-rehearse: %s: %s\n", path, strerror(errno));
        return -ENOENT;
    }
    snprintf(path, sizeof path, "%s/ledger.db", folder);
    int result = sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, NULL) == SQLITE_OK ? 0 : -EIO;
    if (result == 0)
        result = judge_all(db, said, verdict);
    sqlite3_close(db);
    fclose(said);
    return result;
}

void verdict_print(const struct verdict *v, FILE *out)
{
    fprintf(out, "  silent stations: truly %u, said %u, missed %u, invented %u\n", v->silent_truly,
            v->silent_said, v->silent_missed, v->silent_invented);
    fprintf(out,
            "  traps that do not guard now: %u, of these listed for a visit %u; listed ahead of "
            "time: %u of %u\n",
            v->failing_truly, v->failing_listed, v->listed_early, v->listed);
}
