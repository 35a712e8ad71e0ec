#include "deploy/rehearsal/ledger.h"

#include <errno.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>

static const char schema[] =
    "PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA page_size = 8192;"
    "CREATE TABLE note (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;"
    "CREATE TABLE block (block INTEGER PRIMARY KEY, name TEXT NOT NULL, title TEXT NOT NULL) "
    "STRICT;"
    "CREATE TABLE trap (trap INTEGER PRIMARY KEY, name TEXT NOT NULL, block INTEGER NOT NULL,"
    " full_mark_mm REAL NOT NULL, low_mark_mm REAL NOT NULL) STRICT;"
    "CREATE TABLE gateway (gateway INTEGER PRIMARY KEY, name TEXT NOT NULL) STRICT;"
    "CREATE TABLE unit (unit INTEGER PRIMARY KEY, devaddr INTEGER NOT NULL, key_check INTEGER NOT "
    "NULL) STRICT;"
    "CREATE TABLE assignment (unit INTEGER NOT NULL, trap INTEGER NOT NULL, from_us INTEGER NOT "
    "NULL,"
    " to_us INTEGER NOT NULL) STRICT;"
    "CREATE TABLE interval (unit INTEGER NOT NULL, number INTEGER NOT NULL, epoch INTEGER NOT NULL,"
    " from_us INTEGER NOT NULL, to_us INTEGER NOT NULL, whole INTEGER NOT NULL, entries INTEGER "
    "NOT NULL,"
    " total INTEGER NOT NULL) STRICT;"
    "CREATE TABLE frame (frame INTEGER PRIMARY KEY, unit INTEGER NOT NULL, epoch INTEGER NOT NULL,"
    " fcnt INTEGER NOT NULL, from_us INTEGER NOT NULL, interval INTEGER NOT NULL, entries INTEGER "
    "NOT NULL,"
    " recent INTEGER NOT NULL, daily INTEGER NOT NULL) STRICT;"
    "CREATE TABLE copy (frame INTEGER NOT NULL, gateway INTEGER NOT NULL, at_us INTEGER NOT NULL,"
    " echo INTEGER NOT NULL, sure INTEGER NOT NULL) STRICT;"
    "CREATE TABLE insects (trap INTEGER NOT NULL, hour_s INTEGER NOT NULL, kind INTEGER NOT NULL,"
    " inwards INTEGER NOT NULL) STRICT;"
    "CREATE TABLE level (at_s INTEGER NOT NULL, trap INTEGER NOT NULL, level_mm REAL NOT NULL,"
    " age_days REAL NOT NULL, dead INTEGER NOT NULL, guarding INTEGER NOT NULL) STRICT;"
    "CREATE TABLE visit (visit INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, trap INTEGER NOT NULL,"
    " unit INTEGER NOT NULL, replaced INTEGER NOT NULL, pressed INTEGER NOT NULL, before_mm REAL "
    "NOT NULL,"
    " after_mm REAL NOT NULL, counted INTEGER NOT NULL) STRICT;"
    "CREATE TABLE visit_count (visit INTEGER NOT NULL, kind INTEGER NOT NULL, truth INTEGER NOT "
    "NULL,"
    " counted INTEGER NOT NULL) STRICT;"
    "CREATE TABLE fault (kind TEXT NOT NULL, item INTEGER NOT NULL, other INTEGER NOT NULL,"
    " from_us INTEGER NOT NULL, until_us INTEGER NOT NULL, subject TEXT NOT NULL) STRICT;"
    "BEGIN;";

enum statement {
    ADD_NOTE,
    ADD_BLOCK,
    ADD_TRAP,
    ADD_GATEWAY,
    ADD_UNIT,
    ADD_ASSIGNMENT,
    ADD_INTERVAL,
    ADD_FRAME,
    ADD_COPY,
    ADD_INSECTS,
    ADD_LEVEL,
    ADD_VISIT,
    ADD_VISIT_COUNT,
    ADD_FAULT,
    STATEMENTS
};

static const char *const texts[STATEMENTS] = {
    [ADD_NOTE] = "INSERT OR REPLACE INTO note VALUES (?,?)",
    [ADD_BLOCK] = "INSERT INTO block VALUES (?,?,?)",
    [ADD_TRAP] = "INSERT INTO trap VALUES (?,?,?,?,?)",
    [ADD_GATEWAY] = "INSERT INTO gateway VALUES (?,?)",
    [ADD_UNIT] = "INSERT INTO unit VALUES (?,?,?)",
    [ADD_ASSIGNMENT] = "INSERT INTO assignment VALUES (?,?,?,?)",
    [ADD_INTERVAL] = "INSERT INTO interval VALUES (?,?,?,?,?,?,?,?)",
    [ADD_FRAME] = "INSERT INTO frame VALUES (?,?,?,?,?,?,?,?,?)",
    [ADD_COPY] = "INSERT INTO copy VALUES (?,?,?,?,?)",
    [ADD_INSECTS] = "INSERT INTO insects VALUES (?,?,?,?)",
    [ADD_LEVEL] = "INSERT INTO level VALUES (?,?,?,?,?,?)",
    [ADD_VISIT] = "INSERT INTO visit VALUES (?,?,?,?,?,?,?,?,?)",
    [ADD_VISIT_COUNT] = "INSERT INTO visit_count VALUES (?,?,?,?)",
    [ADD_FAULT] = "INSERT INTO fault VALUES (?,?,?,?,?,?)",
};

struct ledger {
    sqlite3 *db;
    sqlite3_stmt *statements[STATEMENTS];
    uint64_t frames, visits;
    int error;
};

static void failed(struct ledger *ledger)
{
    if (ledger->error == 0) {
        fprintf(stderr, "ledger: %s\n", sqlite3_errmsg(ledger->db));
        ledger->error = -EIO;
    }
}

static void run(struct ledger *ledger, enum statement which)
{
    sqlite3_stmt *statement = ledger->statements[which];
    if (sqlite3_step(statement) != SQLITE_DONE)
        failed(ledger);
    sqlite3_reset(statement);
}

static void put(struct ledger *ledger, enum statement which, int count, const int64_t *values)
{
    for (int i = 0; i < count; i++)
        sqlite3_bind_int64(ledger->statements[which], i + 1, values[i]);
}

static void put_real(struct ledger *ledger, enum statement which, int at, double value)
{
    sqlite3_bind_double(ledger->statements[which], at, value);
}

static void put_text(struct ledger *ledger, enum statement which, int at, const char *value)
{
    sqlite3_bind_text(ledger->statements[which], at, value, -1, SQLITE_TRANSIENT);
}

static void add(struct ledger *ledger, enum statement which, int count, const int64_t *values)
{
    put(ledger, which, count, values);
    run(ledger, which);
}

static void add_place(struct ledger *ledger, const struct place *place)
{
    for (size_t b = 0; b < place->block_count; b++) {
        put(ledger, ADD_BLOCK, 1, (int64_t[]){(int64_t)b});
        put_text(ledger, ADD_BLOCK, 2, place->blocks[b].name);
        put_text(ledger, ADD_BLOCK, 3, place->blocks[b].title);
        run(ledger, ADD_BLOCK);
    }
    for (size_t t = 0; t < place->trap_count; t++) {
        put(ledger, ADD_TRAP, 3, (int64_t[]){(int64_t)t, 0, (int64_t)place->traps[t].block});
        put_text(ledger, ADD_TRAP, 2, place->traps[t].name);
        put_real(ledger, ADD_TRAP, 4, place->traps[t].full_mark_mm);
        put_real(ledger, ADD_TRAP, 5, place->traps[t].low_mark_mm);
        run(ledger, ADD_TRAP);
    }
    for (size_t g = 0; g < place->gateway_count; g++) {
        put(ledger, ADD_GATEWAY, 1, (int64_t[]){(int64_t)g});
        put_text(ledger, ADD_GATEWAY, 2, place->gateways[g].name);
        run(ledger, ADD_GATEWAY);
    }
}

static int prepare(struct ledger *ledger)
{
    if (sqlite3_exec(ledger->db, schema, NULL, NULL, NULL) != SQLITE_OK)
        return -EIO;
    for (int i = 0; i < STATEMENTS; i++) {
        if (sqlite3_prepare_v2(ledger->db, texts[i], -1, &ledger->statements[i], NULL) != SQLITE_OK)
            return -EIO;
    }
    return 0;
}

int ledger_open(struct ledger **ledger, const char *path, const struct place *place)
{
    struct ledger *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    int flags = SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX;
    int result = sqlite3_open_v2(path, &made->db, flags, NULL) == SQLITE_OK ? prepare(made) : -EIO;
    if (result != 0) {
        failed(made);
        ledger_close(made);
        return result;
    }
    add_place(made, place);
    *ledger = made;
    return 0;
}

void ledger_close(struct ledger *ledger)
{
    if (ledger == NULL)
        return;
    for (int i = 0; i < STATEMENTS; i++)
        sqlite3_finalize(ledger->statements[i]);
    sqlite3_exec(ledger->db, "COMMIT", NULL, NULL, NULL);
    sqlite3_close(ledger->db);
    free(ledger);
}

int ledger_error(const struct ledger *ledger)
{
    return ledger->error;
}

void ledger_commit(struct ledger *ledger)
{
    if (sqlite3_exec(ledger->db, "COMMIT; BEGIN", NULL, NULL, NULL) != SQLITE_OK)
        failed(ledger);
}

void ledger_note(struct ledger *ledger, const char *key, const char *value)
{
    put_text(ledger, ADD_NOTE, 1, key);
    put_text(ledger, ADD_NOTE, 2, value);
    run(ledger, ADD_NOTE);
}

void ledger_unit(struct ledger *ledger, const struct place *place, size_t unit, uint32_t key_check)
{
    add(ledger, ADD_UNIT, 3, (int64_t[]){(int64_t)unit, place->units[unit].devaddr, key_check});
}

void ledger_assignment(struct ledger *ledger, size_t unit, size_t trap, int64_t from_us,
                       int64_t to_us)
{
    add(ledger, ADD_ASSIGNMENT, 4, (int64_t[]){(int64_t)unit, (int64_t)trap, from_us, to_us});
}

void ledger_interval(struct ledger *ledger, size_t unit, const struct station_interval *interval)
{
    add(ledger, ADD_INTERVAL, 8,
        (int64_t[]){(int64_t)unit, (int64_t)interval->number, interval->epoch, interval->from_us,
                    interval->to_us, interval->whole, interval->entries, interval->total.entries});
}

uint64_t ledger_frame(struct ledger *ledger, size_t unit, const struct station_frame *frame)
{
    uint64_t number = ++ledger->frames;
    add(ledger, ADD_FRAME, 9,
        (int64_t[]){(int64_t)number, (int64_t)unit, frame->epoch, frame->fcnt, frame->from_us,
                    (int64_t)frame->interval, frame->report.entries, frame->report.recent_count,
                    frame->report.kind == AIR_DAILY});
    return number;
}

void ledger_copy(struct ledger *ledger, uint64_t frame, size_t gateway, int64_t at_us, bool echo,
                 enum ledger_delivery delivery)
{
    add(ledger, ADD_COPY, 5,
        (int64_t[]){(int64_t)frame, (int64_t)gateway, at_us, echo, delivery == LEDGER_SURE});
}

void ledger_insects(struct ledger *ledger, size_t trap, int64_t hour_s,
                    const unsigned inwards[INSECT_KINDS])
{
    for (int kind = 0; kind < INSECT_KINDS; kind++) {
        if (inwards[kind] > 0)
            add(ledger, ADD_INSECTS, 4, (int64_t[]){(int64_t)trap, hour_s, kind, inwards[kind]});
    }
}

void ledger_level(struct ledger *ledger, const struct ledger_level *level)
{
    put(ledger, ADD_LEVEL, 6,
        (int64_t[]){level->at_s, (int64_t)level->trap, 0, 0, level->dead, level->guarding});
    put_real(ledger, ADD_LEVEL, 3, level->level_mm);
    put_real(ledger, ADD_LEVEL, 4, level->age_days);
    run(ledger, ADD_LEVEL);
}

void ledger_visit(struct ledger *ledger, const struct ledger_visit *visit)
{
    int64_t number = (int64_t)++ledger->visits;
    put(ledger, ADD_VISIT, 9,
        (int64_t[]){number, visit->at_us, (int64_t)visit->trap, (int64_t)visit->unit,
                    visit->replaced, visit->pressed, 0, 0, visit->counted});
    put_real(ledger, ADD_VISIT, 7, visit->level_before_mm);
    put_real(ledger, ADD_VISIT, 8, visit->level_after_mm);
    run(ledger, ADD_VISIT);
    for (int kind = 0; kind < INSECT_KINDS; kind++) {
        if (visit->dead[kind] > 0 || visit->counted_kinds[kind] > 0)
            add(ledger, ADD_VISIT_COUNT, 4,
                (int64_t[]){number, kind, visit->dead[kind], visit->counted_kinds[kind]});
    }
}

static const char *subject_of(const struct place *place, const struct fault *fault, char text[16])
{
    if (fault->kind >= FAULT_GATEWAY_POWER)
        return place->gateways[fault->item].name;
    if (fault->kind == FAULT_TILT || fault->kind == FAULT_MOVE)
        return place->traps[fault->item].name;
    snprintf(text, 16, "%08X", (unsigned)place->units[fault->item].devaddr);
    return text;
}

void ledger_fault(struct ledger *ledger, const struct place *place, const struct fault *fault)
{
    char text[16];
    put(ledger, ADD_FAULT, 5,
        (int64_t[]){0, (int64_t)fault->item, (int64_t)fault->other, fault->from_us,
                    fault->until_us});
    put_text(ledger, ADD_FAULT, 1, fault_text(fault->kind));
    put_text(ledger, ADD_FAULT, 6, subject_of(place, fault, text));
    run(ledger, ADD_FAULT);
}
