#include "collector/judging/states.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { DAY_S = 86400, WEEK_DAYS = 7 };

static int64_t day_before(const struct zone *zone, int64_t day_s)
{
    return zone_day(zone, day_s - 1).begin_s;
}

static void guarded(struct facts *facts, struct facts_trap *trap, int64_t from_s, int64_t to_s)
{
    struct bait_limits limits = facts_limits(facts, trap);
    trap->guarded_s = 0;
    for (int64_t at = from_s / FACTS_HOUR_S; at < to_s / FACTS_HOUR_S; at++) {
        int64_t i = at - facts->first_hour;
        if (i < 0 || i >= LEVEL_HOURS)
            continue;
        const struct level_hour *hour = &trap->hours[i];
        double level = hour->level_8mm / 8.0;
        bool held = hour->level_8mm == LEVEL_NONE ||
                    (level >= limits.low_mm && level <= limits.full_mm + 10);
        if (hour->flags & LEVEL_HOUR_HEARD && !(hour->flags & LEVEL_HOUR_TILTED) && held)
            trap->guarded_s += FACTS_HOUR_S;
    }
}

static int read_traps(sqlite3 *db, struct facts *facts, int64_t today_s, int64_t yesterday_s)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(db, "SELECT day_s, trap, entries FROM trap_day WHERE day_s IN (?, ?)",
                           -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, today_s);
    sqlite3_bind_int64(statement, 2, yesterday_s);
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        const char *name = (const char *)sqlite3_column_text(statement, 1);
        struct facts_trap *trap = name != NULL ? facts_trap(facts, name) : NULL;
        if (trap == NULL)
            continue;
        if (sqlite3_column_int64(statement, 0) == today_s)
            trap->passes_today = sqlite3_column_int64(statement, 2);
        else
            trap->passes_yesterday = sqlite3_column_int64(statement, 2);
    }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

static void take_block_day(struct facts_block *block, int64_t day_s, int64_t today_s,
                           int64_t yesterday_s, int64_t entries, int64_t covered_s)
{
    if (day_s == today_s) {
        block->passes_today = entries;
        return;
    }
    block->passes_week += entries;
    if (day_s == yesterday_s) {
        block->passes_yesterday = entries;
        block->covered_s = covered_s;
    }
}

static int read_blocks(sqlite3 *db, struct facts *facts, int64_t today_s, int64_t yesterday_s,
                       int64_t week_s)
{
    sqlite3_stmt *statement;
    if (sqlite3_prepare_v2(
            db,
            "SELECT day_s, block, entries, covered_s FROM block_day WHERE day_s BETWEEN ? AND ?",
            -1, &statement, NULL) != SQLITE_OK)
        return -EIO;
    sqlite3_bind_int64(statement, 1, week_s);
    sqlite3_bind_int64(statement, 2, today_s);
    int step;
    while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
        const char *name = (const char *)sqlite3_column_text(statement, 1);
        for (size_t i = 0; i < facts->block_count; i++)
            if (name != NULL && strcmp(facts->blocks[i].block->name, name) == 0)
                take_block_day(&facts->blocks[i], sqlite3_column_int64(statement, 0), today_s,
                               yesterday_s, sqlite3_column_int64(statement, 2),
                               sqlite3_column_int64(statement, 3));
    }
    sqlite3_finalize(statement);
    return step == SQLITE_DONE ? 0 : -EIO;
}

int states_read_passes(sqlite3 *db, struct facts *facts, const struct zone *zone, int64_t now_s)
{
    int64_t today_s = zone_day(zone, now_s).begin_s, yesterday_s = day_before(zone, today_s);
    int64_t week_s = today_s;
    for (int i = 0; i < WEEK_DAYS; i++)
        week_s = day_before(zone, week_s);
    for (size_t i = 0; i < facts->trap_count; i++) {
        struct facts_trap *trap = &facts->traps[i];
        trap->passes_today = trap->passes_yesterday = -1;
        guarded(facts, trap, yesterday_s, today_s);
    }
    for (size_t i = 0; i < facts->block_count; i++) {
        struct facts_block *block = &facts->blocks[i];
        block->passes_today = block->passes_yesterday = block->passes_week = block->covered_s = 0;
    }
    int rc = read_traps(db, facts, today_s, yesterday_s);
    return rc < 0 ? rc : read_blocks(db, facts, today_s, yesterday_s, week_s);
}

void states_trap(const struct facts *facts, const struct facts_trap *trap, int64_t now_s,
                 struct feed_trap_state *state)
{
    const struct bait_verdict *bait = &trap->bait;
    *state = (struct feed_trap_state){
        .at_ms = now_s * 1000,
        .devaddr = trap->active ? trap->assignment->devaddr : 0,
        .condition = bait->condition,
        .reason = bait->reason,
        .visit_by_ms = bait->by_s * 1000,
        .visit_from_ms = bait->from_s * 1000,
        .visit_until_ms = bait->until_s * 1000,
        .last_heard_ms = trap->heard_s * 1000,
        .last_visit_ms = trap->trace.visited_s * 1000,
        .level_mm = bait->level_mm,
        .bait_age_days = bait->age_days,
        .battery_v = trap->battery_mv == AIR_BATTERY_UNKNOWN ? NAN : trap->battery_mv / 1000.0,
        .temperature_c = trap->temperature_c,
        .passes_since_emptied = facts_net(facts, trap, now_s),
        .passes_today = trap->passes_today,
        .passes_yesterday = trap->passes_yesterday,
        .doubtful_hours = trap->heard_s != 0 ? (int64_t)trap->counts.week_hours : -1};
    memcpy(state->trap, trap->name, sizeof(state->trap));
    memcpy(state->block, facts->blocks[trap->block].block->name, sizeof(state->block));
}

static void count_trap(struct feed_block_state *state, const struct facts_trap *trap)
{
    state->traps++;
    switch (trap->bait.condition) {
    case FEED_TRAP_NEW:
        break;
    case FEED_TRAP_WORKING:
        state->traps_working++;
        break;
    case FEED_TRAP_DUE:
        state->traps_due++;
        break;
    case FEED_TRAP_FAILED:
        state->traps_failed++;
        break;
    case FEED_TRAP_SILENT:
        state->traps_silent++;
        break;
    }
}

void states_blocks(struct facts *facts, int64_t now_s)
{
    for (size_t i = 0; i < facts->block_count; i++) {
        struct facts_block *block = &facts->blocks[i];
        struct feed_block_state state = {.at_ms = now_s * 1000,
                                         .passes_today = block->passes_today,
                                         .passes_yesterday = block->passes_yesterday,
                                         .passes_week = block->passes_week,
                                         .days_counted = (double)block->covered_s / DAY_S};
        int64_t guarded_s = 0;
        for (size_t k = 0; k < facts->trap_count; k++) {
            const struct facts_trap *trap = &facts->traps[k];
            if (trap->block != i || !trap->active)
                continue;
            count_trap(&state, trap);
            guarded_s += trap->guarded_s;
        }
        state.days_guarding = (double)guarded_s / DAY_S;
        state.passes_per_trap_day =
            state.days_counted > 0.01 ? (double)state.passes_yesterday / state.days_counted : NAN;
        memcpy(state.block, block->block->name, sizeof(state.block));
        snprintf(state.title, sizeof(state.title), "%s", block->block->title);
        block->state = state;
    }
}

static bool apart(double a, double b, double by)
{
    return isnan(a) != isnan(b) || fabs(a - b) >= by;
}

bool states_trap_differs(const struct feed_trap_state *a, const struct feed_trap_state *b)
{
    return a->condition != b->condition || a->reason != b->reason || a->devaddr != b->devaddr ||
           a->last_visit_ms != b->last_visit_ms || strcmp(a->block, b->block) != 0 ||
           llabs(a->visit_by_ms - b->visit_by_ms) > 6 * 3600 * 1000LL ||
           apart(a->level_mm, b->level_mm, 2);
}

bool states_block_differs(const struct feed_block_state *a, const struct feed_block_state *b)
{
    return a->traps != b->traps || a->traps_working != b->traps_working ||
           a->traps_due != b->traps_due || a->traps_failed != b->traps_failed ||
           a->traps_silent != b->traps_silent || a->passes_week != b->passes_week ||
           a->week_change != b->week_change || a->week_calibrated != b->week_calibrated ||
           strcmp(a->leading_side, b->leading_side) != 0;
}
