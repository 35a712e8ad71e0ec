/*
 * Puts reports into a site's store, for tests that look at it: one a line on standard input,
 *   HEARD_MS DEVADDR FCNT PAYLOAD
 *   fill_store SITE.INI
 */
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/hex.h"
#include "collector/site.h"
#include "collector/store/store.h"
#include "protocol/air/report.h"

enum { BATCH_S = 6 * 3600 };

/* A batch for every six hours, stored at their end: a report from ahead of that would have a doubtful stamp. */
static void turn_batch(struct store *store, int64_t heard_s)
{
    static int64_t begun_s = INT64_MIN;
    if (begun_s != INT64_MIN && heard_s < begun_s + BATCH_S)
        return;
    int error = begun_s == INT64_MIN ? 0 : store_commit(store);
    if (error == 0)
        error = store_begin(store, heard_s + BATCH_S);
    assert(error == 0);
    begun_s = heard_s;
}

static void put(struct store *store, char *line)
{
    struct feed_frame frame = {.fport = 10,
                               .key_check = 0x5328320c,
                               .synchronised = true,
                               .boot = "0000000000000001",
                               .frequency_hz = 868100000,
                               .bandwidth_hz = 125000,
                               .spreading_factor = 9,
                               .rssi_cdbm = -9000,
                               .snr_cdb = 700,
                               .has_report = true};
    size_t len = 0;
    enum store_heard heard;
    frame.heard_ms = strtoll(strsep(&line, " "), NULL, 10);
    frame.devaddr = (uint32_t)strtoul(strsep(&line, " "), NULL, 16);
    frame.fcnt = (uint32_t)strtoul(strsep(&line, " "), NULL, 10);
    int error = hex_parse(line, frame.payload, sizeof frame.payload, &len);
    assert(error == 0);
    frame.payload_len = (uint8_t)len;
    error = air_report_decode(frame.payload, len, &frame.report);
    assert(error == 0);
    turn_batch(store, frame.heard_ms / 1000);
    error = store_hear(store, "barn", &frame, &frame.report, &heard);
    assert(error == 0);
}

int main(int argc, char **argv)
{
    struct site_settings site;
    struct settings_fault fault;
    struct roster_fault roster_fault;
    struct roster *roster;
    struct zone *zone;
    struct store *store;
    char line[200];
    assert(argc == 2);
    int error = site_read(argv[1], &site, &fault);
    assert(error == 0);
    error = zone_open(site.time_zone, &zone);
    assert(error == 0);
    error = roster_read(site.stations, site.blocks, site.time_zone, &roster, &roster_fault);
    assert(error == 0);
    error = store_open(&store, site.store, zone, roster, 0, &fault);
    if (error != 0)
        fprintf(stderr, "%s\n", fault.text);
    assert(error == 0);
    while (fgets(line, sizeof line, stdin))
        put(store, line);
    error = store_commit(store);
    assert(error == 0);
    store_close(store);
    roster_free(roster);
    zone_close(zone);
    site_free(&site);
    return 0;
}
