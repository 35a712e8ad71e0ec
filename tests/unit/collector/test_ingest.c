/* Rows of several gateways through ingest into a store on disk, in many orders and batches, with restarts and
 * refused batches; against the truth of the stations and against each other. */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tests/suite.h"
#include "tests/unit/collector/desk.h"

/* The sanitizers make each world several times longer, and see in one what they would see in four. */
#ifdef __SANITIZE_ADDRESS__
enum { MORE_SEEDS = 0, BACKLOG = 900 };
#else
enum { MORE_SEEDS = 3, BACKLOG = 2000 };
#endif

static void both_ways(const struct world_habits *habits, uint64_t seed)
{
    struct world world;
    struct desk plain = {.path = ""}, wild = {.path = ""};
    desk_clear();
    world_make(&world, habits, seed);
    world_write_roster(&world, desk_folder);
    desk_open(&plain, "plain.db");
    desk_run_plainly(&plain, &world);
    desk_expect_conserved(&plain, &world);
    desk_open(&wild, "wild.db");
    desk_run_wildly(&wild, &world, "wild.db", seed);
    desk_expect_conserved(&wild, &world);
    char *a = desk_rows(&plain), *b = desk_rows(&wild);
    if (strcmp(a, b) != 0) {
        FILE *x = fopen("/tmp/edgerow-a.txt", "w"), *y = fopen("/tmp/edgerow-b.txt", "w");
        fputs(a, x), fputs(b, y);
        fclose(x), fclose(y);
        ck_abort_msg("seed %llu: rows differ", (unsigned long long)seed);
    }
    free(a), free(b);
    desk_close(&plain);
    desk_close(&wild);
    world_free(&world);
}

START_TEST(right_clocks)
{
    struct world_habits habits = {.stations = 8, .intervals = 400, .loss = 0.2, .hard = true};
    for (uint64_t seed = 1; seed <= 1 + MORE_SEEDS; seed++)
        both_ways(&habits, seed);
}
END_TEST

START_TEST(wrong_clocks)
{
    struct world_habits habits = {.stations = 8,
                                  .intervals = 400,
                                  .loss = 0.3,
                                  .unsure = 0.5,
                                  .corrected = 0.6,
                                  .hard = true};
    for (uint64_t seed = 11; seed <= 11 + MORE_SEEDS; seed++)
        both_ways(&habits, seed);
}
END_TEST

/* A gateway brings three weeks of backlog after the others. */
START_TEST(backlog)
{
    struct world_habits habits = {.stations = 5, .intervals = BACKLOG, .loss = 0.5};
    for (uint64_t seed = 21; seed <= 21 + MORE_SEEDS / 2; seed++)
        both_ways(&habits, seed);
}
END_TEST

START_TEST(gaps_and_losses)
{
    struct desk c;
    struct world world;
    desk_one_world(&c, &world, "gaps.db");
    const struct world_spool *spool = &world.spools[0];
    desk_take(&c, spool, &spool->rows[0]);
    desk_take(&c, spool, &spool->rows[2]); /* 2 is missing */
    desk_finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 1);
    ck_assert_uint_eq(ingest_count(c.ingest)->gaps, 1);
    struct feed_row row = spool->rows[4]; /* 2 to 4 no longer exist */
    row.oldest = 5;
    desk_take(&c, spool, &row);
    desk_finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 5);
    ck_assert_int_eq(desk_number(&c, "SELECT count FROM loss WHERE first = 2 AND last = 4"), 3);
    ck_assert_int_eq(desk_number(&c, "SELECT passed FROM spool"), 3);
    /* 6 to 8 were given up; one row stands for them. */
    struct feed_row loss = {.kind = FEED_ROW_LOSS,
                            .n = 8,
                            .oldest = 5,
                            .loss = {.first = 6, .last = 8, .count = 3, .why = "spool full"}};
    strcpy(loss.spool, spool->id);
    strcpy(loss.hash, spool->rows[7].hash);
    desk_take(&c, spool, &loss);
    desk_take(&c, spool, &spool->rows[8]);
    desk_finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 9);
    ck_assert_uint_eq(c.ears.losses, 2);
    ck_assert(ingest_caught_up(c.ingest, "gw0", spool->id, 9));
    ck_assert(!ingest_caught_up(c.ingest, "gw0", spool->id, 10));
    desk_close(&c);
    world_free(&world);
}
END_TEST

START_TEST(conflicts)
{
    struct desk c;
    struct world world;
    desk_one_world(&c, &world, "conflicts.db");
    const struct world_spool *spool = &world.spools[0];
    desk_take(&c, spool, &spool->rows[0]);
    struct feed_row row = spool->rows[1];
    row.frame = spool->rows[0].frame;
    row.frame.payload[5] ^= 1;
    row.frame.has_report = false;
    desk_take(&c, spool, &row);
    desk_finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 2);
    ck_assert_uint_eq(c.ears.conflicts, 1);
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM conflict"), 1);
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM report"), 1);
    /* The last number again, from a copied card: what follows there does not continue what is here, and a mark for
     * it would let the gateway forget rows that nobody has. */
    strcpy(row.hash, "ffffffffffffffffffffffffffffffff");
    desk_take(&c, spool, &row);
    desk_take(&c, spool, &spool->rows[2]);
    desk_finish(&c);
    ck_assert_uint_eq(c.ears.contradictions, 1);
    ck_assert_uint_eq(c.ears.n[0], 2);
    /* And from the card that was here before. */
    strcpy(row.hash, spool->rows[1].hash);
    desk_take(&c, spool, &row);
    desk_take(&c, spool, &spool->rows[2]);
    desk_finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 3);
    desk_close(&c);
    world_free(&world);
}
END_TEST

START_TEST(quarantine)
{
    struct desk c;
    struct world world;
    char path[256];
    desk_one_world(&c, &world, "quarantine.db");
    desk_close(&c);
    snprintf(path, sizeof path, "%s/stations.csv", desk_folder);
    FILE *file = fopen(path, "w");
    fputs("trap,block,unit\nt000,b0,01000000\n", file); /* the others are not known yet */
    fclose(file);
    c = (struct desk){.path = ""};
    desk_open(&c, "quarantine.db");
    desk_run_plainly(&c, &world);
    ck_assert_int_gt(desk_number(&c, "SELECT count(*) FROM quarantine"), 50);
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        ck_assert_uint_eq(c.ears.n[g], world.spools[g].count);
    world_write_roster(&world, desk_folder);
    struct roster *roster = NULL;
    struct roster_fault fault;
    char blocks[256];
    snprintf(blocks, sizeof blocks, "%s/blocks.geojson", desk_folder);
    ck_assert_int_eq(roster_read_in(path, blocks, desk_zone, &roster, &fault), 0);
    ck_assert_int_eq(store_change_roster(c.store, roster, NOW_S), 0);
    ingest_change_roster(c.ingest, roster);
    ck_assert_int_eq(ingest_retry(c.ingest, NOW_S), 0);
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM quarantine"), 0);
    desk_expect_conserved(&c, &world);
    char *late = desk_rows(&c);
    struct desk plain = {.path = ""};
    desk_open(&plain, "plain.db");
    desk_run_plainly(&plain, &world);
    char *rows = desk_rows(&plain);
    ck_assert_str_eq(late, rows);
    free(late), free(rows);
    desk_close(&plain);
    roster_free(c.roster);
    c.roster = roster;
    desk_close(&c);
    world_free(&world);
}
END_TEST

START_TEST(messages_that_cannot_be_read)
{
    struct desk c;
    struct world world;
    static const char *const bad[] = {
        "",
        "{",
        "[]",
        "{\"version\": 1}",
        "{\"spool\": \"0011223344556677\", \"n\": 0}",
        "{\"spool\": \"0011223344556677\", \"n\": 1, \"n\": 2, \"oldest\": 1}"};
    static const char newer[] =
        "{\"version\": 9, \"spool\": \"0011223344556677\", \"n\": 1, \"oldest\": 1,"
        "\"hash\": \"00112233445566778899aabbccddeeff\", \"news\": [1, 2]}";
    desk_one_world(&c, &world, "bad.db");
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_int_eq(ingest_take(c.ingest, "gw0", bad[i], strlen(bad[i]), NOW_S), 0);
    desk_finish(&c);
    ck_assert_uint_eq(ingest_count(c.ingest)->malformed, 6);
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM quarantine"), 0);
    ck_assert_int_eq(ingest_take(c.ingest, "gw0", newer, strlen(newer), NOW_S), 0);
    desk_finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 1);
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM quarantine WHERE why = 'newer row'"), 1);
    ck_assert_int_eq(ingest_retry(c.ingest, NOW_S), 0);
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM quarantine"), 1);
    desk_close(&c);
    world_free(&world);
}
END_TEST

/* Frames that cannot be used now wait as they came, each with its reason, and nothing behind them is held up. */
START_TEST(reports_that_cannot_be_used)
{
    struct desk c;
    struct world world;
    desk_one_world(&c, &world, "unusable.db");
    const struct world_spool *spool = &world.spools[0];
    for (size_t i = 0; i < 6; i++) {
        struct feed_row row = spool->rows[i];
        row.frame.has_report = false;
        if (i == 1)
            row.frame.fport = 99; /* some other software's */
        else if (i == 2)
            row.frame.payload[0] = 0x20; /* layout 2 of AIR.md is none yet */
        else if (i == 3)
            row.frame.payload_len = 3;
        else if (i == 4)
            row.frame.devaddr = 0x01FFFFFF; /* no trap has it */
        desk_take(&c, spool, &row);
    }
    desk_finish(&c);
    ck_assert_uint_eq(c.ears.n[0], 6);
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM report"), 2);
    static const char *const reasons[] = {"not a report", "newer report", "unreadable report",
                                          "unknown unit"};
    for (size_t i = 0; i < sizeof reasons / sizeof reasons[0]; i++)
        ck_assert_msg(
            desk_number(&c, "SELECT count(*) FROM quarantine WHERE why = '%s'", reasons[i]) == 1,
            "%s", reasons[i]);
    ck_assert_int_eq(ingest_retry(c.ingest, NOW_S), 0); /* nothing has changed: they stay */
    ck_assert_int_eq(desk_number(&c, "SELECT count(*) FROM quarantine"), 4);
    desk_close(&c);
    world_free(&world);
}
END_TEST

/* A message in a later layout is kept when it says whose row it is, and is no row when it does not. */
START_TEST(an_envelope_is_whole_or_none)
{
    static const char good[] = "{\"version\": 9, \"spool\": \"%s\", \"n\": %s, \"oldest\": %s,"
                               " \"hash\": \"%s\"}";
    static const char id[] = "0011223344556677", hash[] = "00112233445566778899aabbccddeeff";
    static const struct {
        const char *spool, *n, *oldest, *hash;
        bool whole;
    } cases[] = {
        {id, "1", "1", hash, true},
        {id, "2.0", "1", hash, true}, /* a whole number however it is written */
        {"0011223344556G77", "3", "1", hash, false},
        {"00112233445566", "3", "1", hash, false},
        {id, "3", "1", "short", false},
        {id, "2.5", "1", hash, false},
        {id, "-3", "1", hash, false},
        {id, "1e300", "1", hash, false},
        {id, "\"3\"", "1", hash, false},
        {id, "3", "0", hash, false},
        {id, "3", "4", hash, false},
    };
    struct desk c;
    struct world world;
    char text[400];
    uint64_t whole = 0;
    desk_one_world(&c, &world, "envelopes.db");
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        snprintf(text, sizeof text, good, cases[i].spool, cases[i].n, cases[i].oldest,
                 cases[i].hash);
        ck_assert_int_eq(ingest_take(c.ingest, "gw0", text, strlen(text), NOW_S), 0);
        desk_finish(&c);
        whole += cases[i].whole;
        ck_assert_uint_eq(ingest_count(c.ingest)->quarantined, whole);
        ck_assert_uint_eq(ingest_count(c.ingest)->malformed, i + 1 - whole);
    }
    char *long_text = malloc(FEED_MESSAGE_MAX + 2);
    memset(long_text, ' ', FEED_MESSAGE_MAX + 2);
    memcpy(long_text, "{}", 2);
    ck_assert_int_eq(ingest_take(c.ingest, "gw0", long_text, FEED_MESSAGE_MAX + 1, NOW_S), 0);
    desk_finish(&c);
    ck_assert_uint_eq(ingest_count(c.ingest)->malformed, 10);
    free(long_text);
    desk_close(&c);
    world_free(&world);
}
END_TEST

/* Moving a trap changes what comes after, and what the file now says of before; days add up either way. */
START_TEST(assignments)
{
    struct desk c;
    struct world world;
    char path[256];
    desk_one_world(&c, &world, "assignments.db");
    desk_run_plainly(&c, &world);
    int64_t all = desk_number(&c, "SELECT sum(entries) FROM hour");
    desk_close(&c);
    snprintf(path, sizeof path, "%s/stations.csv", desk_folder);
    FILE *file = fopen(path, "w");
    fputs("trap,block,unit,from,to\nt000,b0,01000000,,2026-08-01T12:00\n"
          "t009,b1,01000000,2026-08-01T12:00,\nt001,b1,01000001,,\nt002,b0,01000002,2026-08-01T10:"
          "00,\n",
          file);
    fclose(file);
    c = (struct desk){.path = ""};
    desk_open(&c, "assignments.db");
    ck_assert_int_eq(all, desk_number(&c, "SELECT sum(entries) FROM hour"));
    int64_t assigned = desk_number(&c, "SELECT sum(entries) FROM block_day");
    int64_t unassigned = desk_number(&c, "SELECT sum(entries) FROM unassigned_day");
    ck_assert_int_eq(all, assigned + unassigned);
    ck_assert_int_gt(unassigned, 0);
    ck_assert_int_eq(assigned, desk_number(&c, "SELECT sum(entries) FROM trap_day"));
    /* Noon in Rome is 10:00 UTC: the hours before are t000's. */
    ck_assert_int_eq(
        desk_number(&c, "SELECT sum(entries) FROM trap_day WHERE trap = 't000'"),
        desk_number(&c,
                    "SELECT sum(hour.entries) FROM hour JOIN series USING (series) WHERE devaddr"
                    " = 16777216 AND hour_s < 1785578400"));
    desk_close(&c);
    world_free(&world);
}
END_TEST

int main(void)
{
    if (desk_begin())
        return EXIT_FAILURE;
    Suite *suite = suite_create("ingest");
    TCase *tcase = tcase_create("rows");
    tcase_set_timeout(tcase, 280);
    tcase_add_test(tcase, right_clocks);
    tcase_add_test(tcase, wrong_clocks);
    tcase_add_test(tcase, backlog);
    tcase_add_test(tcase, gaps_and_losses);
    tcase_add_test(tcase, conflicts);
    tcase_add_test(tcase, quarantine);
    tcase_add_test(tcase, messages_that_cannot_be_read);
    tcase_add_test(tcase, reports_that_cannot_be_used);
    tcase_add_test(tcase, an_envelope_is_whole_or_none);
    tcase_add_test(tcase, assignments);
    suite_add_tcase(suite, tcase);
    int failed = suite_run(suite);
    failed += desk_end();
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
