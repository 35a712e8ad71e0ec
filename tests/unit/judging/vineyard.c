#include "vineyard.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/store/database.h"

enum { STEP_S = 900, FIRST_ADDRESS = 0x01000000 };

static void on_trap(void *user, const struct feed_trap_state *state)
{
    struct vineyard *v = user;
    (void)state;
    v->traps_said++;
}

static void on_block(void *user, const struct feed_block_state *state)
{
    struct vineyard *v = user;
    (void)state;
    v->blocks_said++;
}

static void on_notice(void *user, const struct feed_notice_state *state)
{
    struct vineyard *v = user;
    v->notices_said++;
    v->last_notice = *state;
}

void vineyard_reopen(struct vineyard *v)
{
    struct judging_events events = {
        .user = v, .trap = on_trap, .block = on_block, .notice = on_notice};
    judging_close(v->judging);
    ck_assert_int_eq(judging_open(&v->judging, v->db, &v->site, &v->roster, &events, v->now_s), 0);
    judging_connection(v->judging, true, v->now_s - 86400);
}

static void make_roster(struct vineyard *v, size_t blocks, size_t traps_each)
{
    struct roster *r = &v->roster;
    r->block_count = blocks;
    r->blocks = calloc(blocks, sizeof(*r->blocks));
    r->assignment_count = blocks * traps_each;
    r->assignments = calloc(r->assignment_count, sizeof(*r->assignments));
    r->by_trap = calloc(r->assignment_count, sizeof(*r->by_trap));
    for (size_t b = 0; b < blocks; b++) {
        snprintf(r->blocks[b].name, sizeof(r->blocks[b].name), "block%zu", b);
        snprintf(r->blocks[b].title, sizeof(r->blocks[b].title), "%s block",
                 b == 0   ? "North"
                 : b == 1 ? "South"
                          : "West");
    }
    for (size_t i = 0; i < r->assignment_count; i++) {
        struct roster_assignment *a = &r->assignments[i];
        *a = (struct roster_assignment){.devaddr = FIRST_ADDRESS + (uint32_t)i,
                                        .block = i / traps_each,
                                        .from_s = 0,
                                        .to_s = INT64_MAX,
                                        .latitude = 46.25 + (double)i * 1e-4,
                                        .longitude = -119.7};
        /* Names in the order of addresses, so that by_trap is the same order. */
        snprintf(a->trap, sizeof(a->trap), "T-%04zu", i + 1);
        r->by_trap[i] = i;
    }
}

static void make_settings(struct site_settings *site)
{
    *site = (struct site_settings){
        .site = "demo",
        .title = "Demo vineyard",
        .time_zone = "America/Los_Angeles",
        .collector = "office",
        .latitude = 46.25,
        .longitude = -119.7,
        .bait = {.full_mark_mm = 90, .low_mark_mm = 60, .age_days = 7, .insects = 75},
        .silent_hours = 12,
        .gateway_silent_min = 30,
        .quiet_from_s = 21 * 3600,
        .quiet_to_s = 6 * 3600,
        .repeat_hours = 24,
        .letter_s = 6 * 3600,
        .mail_count = 1};
    site->mails[0] = (struct site_mail){.name = "manager",
                                        .to = "manager@farm.example",
                                        .from = "Edgerow <edgerow@farm.example>",
                                        .server = "127.0.0.1",
                                        .port = 25};
}

void vineyard_open(struct vineyard *v, size_t blocks, size_t traps_each)
{
    memset(v, 0, sizeof(*v));
    v->seed = 4711;
    v->now_s = 1785715200; /* 2026-08-03 00:00:00 UTC */
    v->trap_count = blocks * traps_each;
    make_roster(v, blocks, traps_each);
    make_settings(&v->site);
    ck_assert_int_eq(sqlite3_open(":memory:", &v->db), SQLITE_OK);
    char *error = NULL;
    ck_assert_int_eq(database_make_tables(v->db), 0);
    for (size_t i = 0; i < v->trap_count; i++) {
        char sql[200];
        v->traps[i] = (struct vineyard_trap){.level_mm = 90,
                                             .mm_day = 1.5 + 1.5 * vineyard_uniform(v),
                                             .battery_mv = 3000,
                                             .catch_day = 1,
                                             .gateway = "barn",
                                             .loss = 0.03};
        snprintf(sql, sizeof(sql),
                 "INSERT INTO series (series, devaddr, key_check, epoch, first_fcnt, last_fcnt, "
                 "last_at_s, entries,"
                 " heard_s, reports) VALUES (%zu, %zu, 7, 0, 0, 0, 0, 0, 0, 0)",
                 i + 1, FIRST_ADDRESS + i);
        sqlite3_exec(v->db, sql, NULL, NULL, &error);
        ck_assert_msg(error == NULL, "%s", error);
    }
    vineyard_reopen(v);
}

void vineyard_close(struct vineyard *v)
{
    judging_close(v->judging);
    sqlite3_close(v->db);
    free(v->roster.blocks);
    free(v->roster.assignments);
    free(v->roster.by_trap);
}

double vineyard_uniform(struct vineyard *v)
{
    v->seed = v->seed * 6364136223846793005u + 1442695040888963407u;
    return (double)(v->seed >> 11) / 9007199254740992.0;
}

int64_t vineyard_count(struct vineyard *v, const char *sql)
{
    sqlite3_stmt *statement;
    ck_assert_msg(sqlite3_prepare_v2(v->db, sql, -1, &statement, NULL) == SQLITE_OK, "%s",
                  sqlite3_errmsg(v->db));
    ck_assert_int_eq(sqlite3_step(statement), SQLITE_ROW);
    int64_t value = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    return value;
}

static void store_report(struct vineyard *v, size_t trap, uint32_t fcnt, int64_t at_s,
                         const struct air_report *report)
{
    static sqlite3_stmt *insert, *heard;
    static sqlite3 *owner;
    uint8_t bytes[AIR_REPORT_MAX];
    size_t len;
    ck_assert_int_eq(air_report_encode(report, bytes, &len), AIR_OK);
    if (owner != v->db) {
        sqlite3_prepare_v2(
            v->db,
            "INSERT INTO report (at_s, series, fcnt, heard_ms, air_ms, sure, payload)"
            " VALUES (?, ?, ?, ?, 60, 1, ?)",
            -1, &insert, NULL);
        sqlite3_prepare_v2(v->db, "INSERT INTO heard VALUES (?, ?, ?, ?, ?, 1, 'b', 0, 0)", -1,
                           &heard, NULL);
        owner = v->db;
    }
    sqlite3_bind_int64(insert, 1, at_s);
    sqlite3_bind_int64(insert, 2, (int64_t)trap + 1);
    sqlite3_bind_int64(insert, 3, fcnt);
    sqlite3_bind_int64(insert, 4, at_s * 1000);
    sqlite3_bind_blob(insert, 5, bytes, (int)len, SQLITE_TRANSIENT);
    ck_assert_msg(sqlite3_step(insert) == SQLITE_DONE, "%s", sqlite3_errmsg(v->db));
    sqlite3_reset(insert);
    sqlite3_bind_int64(heard, 1, at_s);
    sqlite3_bind_int64(heard, 2, (int64_t)trap + 1);
    sqlite3_bind_int64(heard, 3, fcnt);
    sqlite3_bind_text(heard, 4, v->traps[trap].gateway, -1, SQLITE_STATIC);
    sqlite3_bind_int64(heard, 5, at_s * 1000);
    ck_assert_msg(sqlite3_step(heard) == SQLITE_DONE, "%s", sqlite3_errmsg(v->db));
    sqlite3_reset(heard);
}

static double temperature(struct vineyard *v)
{
    double hour = (double)((v->now_s - 7 * 3600) % 86400) / 3600;
    return 20 + 7 * cos(2 * M_PI * (hour - 15) / 24) + 2 * sin((double)v->now_s / 400000);
}

static void say(struct vineyard *v, size_t i)
{
    struct vineyard_trap *t = &v->traps[i];
    int64_t at_s = v->now_s + (int64_t)(100 * vineyard_uniform(v));
    double noise = (vineyard_uniform(v) + vineyard_uniform(v) - 1) * 0.7;
    struct air_report report = {.kind = AIR_REGULAR,
                                .epoch = t->epoch,
                                .entries = t->entries,
                                .exits = t->exits,
                                .level_qmm = (uint16_t)fmax(0, lround((t->level_mm + noise) * 4)),
                                .tick = (uint8_t)(v->now_s / STEP_S % 64),
                                .interval_min = 15,
                                .flags = (uint8_t)(t->flags | (t->pressed ? AIR_FLAG_SERVICE : 0)),
                                .service_sequence = t->service_sequence,
                                .temperature_dc =
                                    (int16_t)(5 * lround((temperature(v) + noise) * 2)),
                                .humidity_pm = AIR_HUMIDITY_UNKNOWN,
                                .battery_mv = t->battery_mv};
    uint32_t fcnt = t->fcnt++;
    t->pressed = false;
    if (vineyard_uniform(v) < t->loss || v->gateway_away)
        return;
    store_report(v, i, fcnt, at_s, &report);
    struct judging_report heard = {.devaddr = FIRST_ADDRESS + (uint32_t)i,
                                   .key_check = 7,
                                   .fcnt = fcnt,
                                   .heard_ms = at_s * 1000,
                                   .first = true,
                                   .gateway = t->gateway,
                                   .report = &report};
    if (!v->store_only)
        judging_hear(v->judging, &heard);
}

void vineyard_step(struct vineyard *v)
{
    double hour = (double)((v->now_s - 7 * 3600) % 86400) / 3600;
    double day_share = fmax(0, sin(M_PI * (hour - 6) / 12)) * M_PI / 96 + 0.1 / 96;
    for (size_t i = 0; i < v->trap_count; i++) {
        struct vineyard_trap *t = &v->traps[i];
        t->level_mm = fmax(0, t->level_mm - t->mm_day * day_share);
        t->entries += vineyard_uniform(v) < t->catch_day / 96;
        if (!t->dead)
            say(v, i);
    }
    v->now_s += STEP_S;
    v->deaf_ms += (uint64_t)(v->deaf_share * STEP_S * 1000);
    if (v->gateway_away || v->store_only)
        return;
    struct feed_gateway_health health = {.at_ms = v->now_s * 1000,
                                         .synchronised = true,
                                         .disk_free_bytes = 1u << 30,
                                         .radio_count = 1,
                                         .radios = {{.working = true, .deaf_ms = v->deaf_ms}}};
    judging_hear_health(v->judging, "barn", &health, true);
}

void vineyard_live(struct vineyard *v, int64_t seconds)
{
    int64_t until_s = v->now_s + seconds;
    while (v->now_s < until_s) {
        vineyard_step(v);
        ck_assert_int_eq(judging_run(v->judging, v->now_s), 0);
    }
}

void vineyard_fill(struct vineyard *v, size_t trap, double level_mm, bool recorded)
{
    struct vineyard_trap *t = &v->traps[trap];
    t->level_mm = level_mm;
    if (!recorded)
        return;
    t->service_sequence = (t->service_sequence + 1) % 16;
    t->pressed = true;
}

void vineyard_fill_all(struct vineyard *v)
{
    for (size_t i = 0; i < v->trap_count; i++)
        vineyard_fill(v, i, 90, true);
}

int64_t vineyard_mails(struct vineyard *v, const char *like)
{
    char sql[300];
    snprintf(sql, sizeof(sql),
             "SELECT count(*) FROM outbox WHERE CAST(bytes AS TEXT) LIKE '%%%s%%'", like);
    return vineyard_count(v, sql);
}

struct judging_trap vineyard_trap_named(struct vineyard *v, const char *name)
{
    struct judging_trap trap;
    ck_assert_int_eq(judging_trap_named(v->judging, name, &trap), 0);
    return trap;
}
