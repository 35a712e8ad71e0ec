/*
 * Reports ingested per CPU-second with durable commits, pages written per report, and what a key that begins with
 * the station would cost. Stations report in turn, two gateways hear nine in ten of them; each batch is a
 * quarter of an hour.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#include "collector/ingest/ingest.h"
#include "protocol/air/frame.h"

enum { STATIONS = 300, DAYS = 4, TICKS = DAYS * 96, GATEWAYS = 2, FIRST_S = 1785556800 };

static char folder[] = "/tmp/edgerow-bench-XXXXXX";

static _Noreturn void fail(const char *what)
{
    fprintf(stderr, "bench_collector: %s\n", what);
    exit(EXIT_FAILURE);
}

static double cpu_s(void)
{
    struct rusage usage;
    getrusage(RUSAGE_SELF, &usage);
    return (double)(usage.ru_utime.tv_sec + usage.ru_stime.tv_sec) +
           (double)(usage.ru_utime.tv_usec + usage.ru_stime.tv_usec) * 1e-6;
}

static uint32_t chance(void)
{
    static uint64_t state = 7;
    state = state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (uint32_t)(state >> 33);
}

static void write_roster(const char *stations, const char *blocks)
{
    FILE *file = fopen(blocks, "w");
    if (!file)
        fail("cannot write");
    fputs("{\"type\": \"FeatureCollection\", \"features\": [{\"type\": \"Feature\", "
          "\"properties\": {\"block\":"
          " \"b0\"}, \"geometry\": {\"type\": \"Polygon\", \"coordinates\": [[[11, 44], [11.01, "
          "44], [11.01,"
          " 44.01], [11, 44]]]}}]}",
          file);
    fclose(file);
    file = fopen(stations, "w");
    if (!file)
        fail("cannot write");
    fputs("trap,block,unit\n", file);
    for (int i = 0; i < STATIONS; i++)
        fprintf(file, "t%03d,b0,%08X\n", i, 0x01000000 + i);
    fclose(file);
}

/* The text of one row; false: this gateway did not hear it. */
static bool make_row(int station, int tick, int gateway, uint64_t *n, uint32_t *entries, char *text,
                     size_t *len)
{
    static uint8_t recent[STATIONS][AIR_RECENT_MAX];
    struct feed_row row = {.kind = FEED_ROW_FRAME, .oldest = 1};
    struct feed_frame *frame = &row.frame;
    if (gateway == 0) {
        memmove(recent[station] + 1, recent[station], AIR_RECENT_MAX - 1);
        recent[station][0] = (uint8_t)(chance() % 4);
        entries[station] += recent[station][0];
    }
    if (chance() % 10 == 0)
        return false;
    row.n = ++n[gateway];
    snprintf(row.spool, sizeof row.spool, "%016x", (unsigned)gateway + 1);
    snprintf(row.hash, sizeof row.hash, "%032" PRIx64, row.n);
    frame->devaddr = 0x01000000 + (uint32_t)station;
    frame->key_check = 77;
    frame->fcnt = (uint32_t)tick;
    frame->fport = AIR_PORT_REPORT;
    frame->heard_ms = (FIRST_S + tick * 900 + station * 3) * INT64_C(1000) + gateway;
    frame->synchronised = true;
    snprintf(frame->boot, sizeof frame->boot, "%016x", 9);
    frame->frequency_hz = 868100000;
    frame->bandwidth_hz = 500000;
    frame->spreading_factor = 7;
    frame->has_report = true;
    frame->report = (struct air_report){.kind = AIR_REGULAR,
                                        .epoch = 1,
                                        .entries = entries[station],
                                        .level_qmm = 320,
                                        .tick = (uint8_t)(tick % 64),
                                        .interval_min = 15,
                                        .temperature_dc = 200,
                                        .humidity_pm = 500,
                                        .battery_mv = 3600,
                                        .recent_count = AIR_RECENT_MAX};
    memcpy(frame->report.recent, recent[station], AIR_RECENT_MAX);
    size_t payload_len;
    if (air_report_encode(&frame->report, frame->payload, &payload_len))
        fail("report");
    frame->payload_len = (uint8_t)payload_len;
    return feed_row_encode(&row, text, FEED_MESSAGE_MAX, len) == 0;
}

static void ingest_all(struct ingest *ingest, double *seconds, uint64_t *rows)
{
    static uint32_t entries[STATIONS];
    static char texts[STATIONS * GATEWAYS][1500];
    static size_t lens[STATIONS * GATEWAYS];
    static int from[STATIONS * GATEWAYS];
    static const char *const names[GATEWAYS] = {"east", "west"};
    uint64_t n[GATEWAYS] = {0};
    for (int tick = 0; tick < TICKS; tick++) {
        int count = 0;
        char text[FEED_MESSAGE_MAX];
        for (int station = 0; station < STATIONS; station++)
            for (int gateway = 0; gateway < GATEWAYS; gateway++)
                if (make_row(station, tick, gateway, n, entries, text, &lens[count])) {
                    memcpy(texts[count], text, lens[count]);
                    from[count++] = gateway;
                }
        double begin_s = cpu_s();
        for (int i = 0; i < count; i++)
            if (ingest_take(ingest, names[from[i]], texts[i], lens[i], FIRST_S + tick * 900 + 900))
                fail("a row was not taken");
        if (ingest_finish(ingest, tick * 900000000LL))
            fail("a batch was not committed");
        *seconds += cpu_s() - begin_s;
        *rows += (uint64_t)count;
    }
}

static int pages_written(sqlite3 *db)
{
    int now = 0, highest;
    sqlite3_db_status(db, SQLITE_DBSTATUS_CACHE_WRITE, &now, &highest, 0);
    return now;
}

/* The same reports into a bare table with this key, in batches of ten: stations report in turn. */
static double pages_per_row(const char *key)
{
    char path[300], sql[300];
    sqlite3 *db = NULL;
    sqlite3_stmt *add = NULL;
    snprintf(path, sizeof path, "%s/%.2s.db", folder, key);
    snprintf(sql, sizeof sql,
             "PRAGMA synchronous = OFF; PRAGMA journal_mode = WAL; CREATE TABLE report (at_s "
             "INTEGER, series INTEGER, fcnt "
             "INTEGER,"
             " heard_ms INTEGER, payload BLOB, PRIMARY KEY (%s)) STRICT, WITHOUT ROWID",
             key);
    if (sqlite3_open(path, &db) || sqlite3_exec(db, sql, NULL, NULL, NULL) ||
        sqlite3_prepare_v2(db, "INSERT INTO report VALUES (?1, ?2, ?3, ?1 * 1000, zeroblob(28))",
                           -1, &add, NULL))
        fail("bare table");
    for (int tick = 0, i = 0; tick < TICKS; tick++)
        for (int station = 0; station < STATIONS; station++, i++) {
            if (i % 10 == 0)
                sqlite3_exec(db, "BEGIN", NULL, NULL, NULL);
            sqlite3_bind_int64(add, 1, FIRST_S + tick * 900 + station * 3);
            sqlite3_bind_int(add, 2, station);
            sqlite3_bind_int(add, 3, tick);
            sqlite3_step(add);
            sqlite3_reset(add);
            if (i % 10 == 9)
                sqlite3_exec(db, "COMMIT", NULL, NULL, NULL);
        }
    double pages = (double)pages_written(db) / ((double)TICKS * STATIONS);
    sqlite3_finalize(add);
    sqlite3_close(db);
    return pages;
}

static void measure(void)
{
    char stations[300], blocks[300], path[300];
    struct zone *zone = NULL;
    struct roster *roster = NULL;
    struct store *store = NULL;
    struct ingest *ingest = NULL;
    struct roster_fault roster_fault;
    struct settings_fault fault;
    struct ingest_events events = {0};
    double seconds = 0;
    uint64_t rows = 0;
    snprintf(stations, sizeof stations, "%s/stations.csv", folder);
    snprintf(blocks, sizeof blocks, "%s/blocks.geojson", folder);
    snprintf(path, sizeof path, "%s/store.db", folder);
    write_roster(stations, blocks);
    if (zone_open("Europe/Rome", &zone) ||
        roster_read_in(stations, blocks, zone, &roster, &roster_fault) ||
        store_open(&store, path, zone, roster, FIRST_S, &fault) ||
        ingest_open(&ingest, store, roster, &events))
        fail("cannot open");
    int before = pages_written(store_db(store));
    ingest_all(ingest, &seconds, &rows);
    printf("rows ingested per CPU-second, decoded and durably committed: %.0f\n",
           (double)rows / seconds);
    printf("reports ingested per CPU-second: %.0f (%" PRIu64 " reports, %" PRIu64
           " rows, %d batches)\n",
           (double)ingest_count(ingest)->reports / seconds, ingest_count(ingest)->reports, rows,
           TICKS);
    printf("database pages written per report, with hours, days and blocks: %.3f\n",
           (pages_written(store_db(store)) - before) / (double)ingest_count(ingest)->reports);
    ingest_close(ingest);
    store_close(store);
    roster_free(roster);
    zone_close(zone);
}

int main(void)
{
    char command[300];
    if (!mkdtemp(folder))
        fail("no folder");
    measure();
    double time_first = pages_per_row("at_s, series, fcnt");
    double station_first = pages_per_row("series, at_s, fcnt");
    printf("pages written per report in commits of ten: key from time %.3f, key from station %.3f, "
           "ratio %.1f\n",
           time_first, station_first, station_first / time_first);
    snprintf(command, sizeof command, "rm -rf %s", folder);
    int failed = system(command) != 0 || station_first < 3 * time_first;
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
