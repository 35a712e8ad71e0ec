/* The whole vineyard: repeatable, and its stations keep their duties, seen from what is on the air.
 */
#include <check.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "deploy/rehearsal/calendar.h"
#include "deploy/rehearsal/world.h"
#include "protocol/air/frame.h"
#include "protocol/air/report.h"
#include "tests/suite.h"

enum { STATIONS = 40, DAYS = 9 };

struct run {
    struct place *place;
    struct ledger *ledger;
    struct world *world;
    int64_t start_s;
    char path[64];
    uint64_t copies, hash;
};

static void stir(struct run *run, uint64_t value)
{
    run->hash = (run->hash ^ value) * 1099511628211u;
}

static void heard(void *user, const struct waves_copy *copy)
{
    struct run *run = user;
    run->copies++;
    for (unsigned i = 0; i < copy->len; i++)
        stir(run, copy->bytes[i]);
    stir(run, (uint64_t)copy->at_us);
    stir(run, copy->gateway);
    ledger_copy(run->ledger, copy->origin.report, copy->gateway, copy->at_us, copy->echo,
                LEDGER_SURE);
}

static void begin(struct run *run, uint64_t seed)
{
    char weather[512], why[WEATHER_WHY_MAX];
    snprintf(weather, sizeof weather, "%s/rehearsal/weather", getenv("EDGEROW_BUILD"));
    memset(run, 0, sizeof *run);
    strcpy(run->path, "/tmp/edgerow-world-XXXXXX");
    close(mkstemp(run->path));
    ck_assert_int_eq(place_invent(&run->place, seed, STATIONS, 2), 0);
    ck_assert_int_eq(calendar_zone(run->place->time_zone), 0);
    ck_assert_int_eq(ledger_open(&run->ledger, run->path, run->place), 0);
    ck_assert_int_eq(calendar_parse("2026-08-01", &run->start_s), 0);
    struct world_settings settings = {.seed = seed,
                                      .start_s = run->start_s,
                                      .days = DAYS,
                                      .interval_min = 15,
                                      .crew = CREW_WEEKLY,
                                      .loss = 0.1,
                                      .wet = 1,
                                      .repeats = 0.05,
                                      .capture = true,
                                      .weather_folder = weather,
                                      .climate = "mild"};
    ck_assert_int_eq(faults_groups("all", &settings.fault_groups), 0);
    int result = world_open(&run->world, run->place, &settings, run->ledger, why);
    ck_assert_msg(result == 0, "%s", why);
}

static void live(struct run *run, int step_s)
{
    for (int64_t at = run->start_s + step_s; at <= run->start_s + DAYS * 86400; at += step_s)
        ck_assert_int_eq(world_advance(run->world, at * 1000000, heard, run), 0);
}

static void end(struct run *run)
{
    world_close(run->world);
    ledger_close(run->ledger);
    place_close(run->place);
}

START_TEST(one_seed_one_outcome)
{
    struct run first, again, other;
    begin(&first, 11);
    begin(&again, 11);
    begin(&other, 12);
    live(&first, 3600);
    live(&again, 300); /* the outcome does not depend on how it is cut */
    live(&other, 3600);
    ck_assert_uint_gt(first.copies, STATIONS * DAYS * 96);
    ck_assert_uint_eq(first.copies, again.copies);
    ck_assert_uint_eq(first.hash, again.hash);
    ck_assert_uint_ne(first.hash, other.hash);
    end(&first);
    end(&again);
    end(&other);
    unlink(first.path);
    unlink(again.path);
    unlink(other.path);
}
END_TEST

static int64_t ask(const char *path, const char *question)
{
    sqlite3 *db;
    sqlite3_stmt *statement;
    ck_assert_int_eq(sqlite3_open(path, &db), SQLITE_OK);
    ck_assert_msg(sqlite3_prepare_v2(db, question, -1, &statement, NULL) == SQLITE_OK, "%s",
                  sqlite3_errmsg(db));
    ck_assert_int_eq(sqlite3_step(statement), SQLITE_ROW);
    int64_t answer = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    sqlite3_close(db);
    return answer;
}

/* The ledger agrees with itself: within a series totals grow by the intervals' entries; every
 * frame's counter is the total of its interval; no frame counter is used twice; reports come at
 * most 120 s after a tick. */
START_TEST(the_ledger_is_consistent)
{
    struct run run;
    begin(&run, 21);
    live(&run, 3600);
    end(&run);
    ck_assert_int_eq(ask(run.path,
                         "SELECT count(*) FROM interval b JOIN interval a ON a.unit = b.unit AND"
                         " a.number = b.number - 1 AND a.epoch = b.epoch WHERE"
                         " (a.total + b.entries - b.total) % 4294967296 <> 0"),
                     0);
    ck_assert_int_eq(ask(run.path,
                         "SELECT count(*) FROM frame f LEFT JOIN interval i ON i.unit = f.unit AND"
                         " i.number = f.interval AND i.epoch = f.epoch"
                         " WHERE i.total IS NOT f.entries"),
                     0);
    ck_assert_int_eq(
        ask(run.path, "SELECT count(*) - count(DISTINCT unit * 4294967296 + fcnt) FROM frame"), 0);
    ck_assert_int_eq(ask(run.path,
                         "SELECT count(*) FROM interval b JOIN interval a ON a.unit = b.unit AND"
                         " a.number = b.number - 1 WHERE b.from_us < a.to_us"),
                     0);
    ck_assert_int_gt(ask(run.path, "SELECT count(DISTINCT epoch) FROM interval"), 1);
    ck_assert_int_gt(ask(run.path, "SELECT count(*) FROM assignment"), STATIONS);
    ck_assert_int_gt(ask(run.path, "SELECT count(*) FROM visit WHERE NOT pressed"), 0);
    ck_assert_int_gt(ask(run.path, "SELECT count(*) FROM copy WHERE echo"), 0);
    ck_assert_int_gt(ask(run.path, "SELECT sum(entries) FROM interval"), STATIONS * DAYS);
    /* Wasps fly by day, moths by night. */
    ck_assert_int_eq(ask(run.path, "SELECT count(*) FROM insects WHERE kind = 0 AND"
                                   " (hour_s + 17 * 3600) % 86400 / 3600 IN (0, 1, 2, 3, 23)"),
                     0);
    ck_assert_int_eq(ask(run.path, "SELECT count(*) FROM insects WHERE kind = 4 AND"
                                   " (hour_s + 17 * 3600) % 86400 / 3600 IN (10, 11, 12, 13, 14)"),
                     0);
    unlink(run.path);
}
END_TEST

struct listening {
    struct run run;
    struct air_keys keys[STATIONS + STATIONS / 10 + 1];
    unsigned frames, daily, bad;
};

static void decode(void *user, const struct waves_copy *copy)
{
    struct listening *l = user;
    struct air_frame frame;
    struct air_report report;
    const struct air_keys *keys = &l->keys[copy->origin.unit];
    bool good = air_frame_parse(copy->bytes, copy->len, &frame) == 0 &&
                (air_frame_verify(copy->bytes, copy->len, keys, frame.fcnt) ||
                 air_frame_verify(copy->bytes, copy->len, keys, frame.fcnt | 0x10000u));
    uint32_t fcnt = frame.fcnt;
    if (good && !air_frame_verify(copy->bytes, copy->len, keys, fcnt))
        fcnt |= 0x10000u;
    if (good)
        air_frame_crypt(&frame, keys, fcnt);
    good = good && frame.fport == AIR_PORT_REPORT &&
           air_report_decode(frame.payload, frame.payload_len, &report) == 0;
    good = good && report.interval_min == 15 && frame.adr == false && copy->len <= 41;
    l->frames++;
    l->bad += !good;
    l->daily += good && report.kind == AIR_DAILY;
}

/* Every frame on the air verifies and decodes by the product's own protocol room. */
START_TEST(frames_are_good)
{
    static struct listening l;
    begin(&l.run, 31);
    for (size_t u = 0; u < l.run.place->unit_count; u++)
        ck_assert_int_eq(air_keys_init(&l.keys[u], l.run.place->units[u].nwk_skey,
                                       l.run.place->units[u].app_skey),
                         0);
    ck_assert_int_eq(world_advance(l.run.world, (l.run.start_s + 3 * 86400) * 1000000, decode, &l),
                     0);
    ck_assert_uint_gt(l.frames, STATIONS * 96);
    ck_assert_uint_eq(l.bad, 0);
    ck_assert_uint_gt(l.daily, STATIONS);
    for (size_t u = 0; u < l.run.place->unit_count; u++)
        air_keys_free(&l.keys[u]);
    end(&l.run);
    unlink(l.run.path);
}
END_TEST

int main(void)
{
    TCase *tests = tcase_create("world");
    tcase_set_timeout(tests, 60);
    tcase_add_test(tests, one_seed_one_outcome);
    tcase_add_test(tests, the_ledger_is_consistent);
    tcase_add_test(tests, frames_are_good);
    Suite *suite = suite_create("rehearsal world");
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
