/*
 * Frames verified, decrypted and written durably, per second and per second of processor time, by how many
 * frames share a commit. Ends with 1 below what a rehearsal needs: 15,000 frames per processor second.
 */
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "gateway/hearing.h"

enum { UNITS = 500, FRAMES = 60000, LEAST_PER_CPU_S = 15000 };

static double seconds(clockid_t clock)
{
    struct timespec now;
    clock_gettime(clock, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static struct verify_table *make_table(void)
{
    static struct verify_secret secrets[UNITS];
    struct verify_table *table;
    for (unsigned i = 0; i < UNITS; i++) {
        secrets[i].devaddr = 0x01000000 + i;
        memcpy(secrets[i].nwk_skey, &i, sizeof i);
        memcpy(secrets[i].app_skey, &i, sizeof i);
    }
    int error = verify_table_new(secrets, UNITS, &table);
    assert(error == 0);
    return table;
}

static struct radio_packet make_packet(struct verify_table *table, unsigned i)
{
    struct radio_packet packet = {
        .frequency_hz = 868100000, .bandwidth_hz = 125000, .spreading_factor = 7};
    struct verify_unit *unit = verify_table_at(table, i % UNITS);
    struct air_frame frame = {
        .type = AIR_UPLINK, .devaddr = unit->devaddr, .fport = AIR_PORT_REPORT};
    struct air_report report = {.kind = AIR_REGULAR,
                                .entries = i,
                                .interval_min = 15,
                                .battery_mv = 3300,
                                .recent_count = 7};
    size_t len;
    int error = air_report_encode(&report, frame.payload, &len);
    assert(error == 0);
    frame.payload_len = (uint8_t)len;
    error = air_frame_build(&frame, &unit->keys, 1 + i / UNITS, packet.bytes, sizeof packet.bytes,
                            &len);
    assert(error == 0);
    packet.len = (uint8_t)len;
    return packet;
}

struct result {
    double per_s, per_cpu_s;
};

static struct result measure(const struct radio_packet *packets, struct verify_table *table,
                             unsigned count, unsigned together)
{
    char folder[] = "/tmp/edgerow-bench-XXXXXX", path[64];
    char *made = mkdtemp(folder);
    assert(made != NULL);
    snprintf(path, sizeof path, "%s/spool.db", folder);
    struct gateway_collectors collectors = {.count = 1, .name = {"main"}};
    struct spool_options options = {.path = path,
                                    .size_bytes = UINT64_C(64) << 20,
                                    .boot = "0123456789abcdef",
                                    .collectors = &collectors};
    struct settings_fault fault;
    struct hearing hearing = {.table = table, .boot = "0123456789abcdef"};
    int error = spool_open(&hearing.spool, &options, 0, &fault);
    assert(error == 0);
    for (size_t i = 0; i < UNITS; i++)
        verify_table_at(table, i)->counter = (struct verify_counter){0};
    double wall = seconds(CLOCK_MONOTONIC), cpu = seconds(CLOCK_PROCESS_CPUTIME_ID);
    for (unsigned i = 0; i < count; i++) {
        struct hearing_time time = {.event_us = INT64_C(1790000000000000) + i, .own = true};
        struct hearing_outcome outcome;
        hearing_packet(&hearing, &packets[i], &time, 0, &outcome);
        if ((i + 1) % together == 0)
            error |= spool_commit(hearing.spool, 1790000000);
    }
    error |= spool_commit(hearing.spool, 1790000000);
    wall = seconds(CLOCK_MONOTONIC) - wall;
    cpu = seconds(CLOCK_PROCESS_CPUTIME_ID) - cpu;
    assert(error == 0 && hearing.counts[VERIFY_ACCEPTED] == count);
    spool_close(hearing.spool);
    char command[96];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    error = system(command);
    assert(error == 0);
    return (struct result){count / wall, count / cpu};
}

int main(void)
{
    struct verify_table *table = make_table();
    struct radio_packet *packets = calloc(FRAMES, sizeof *packets);
    assert(packets != NULL);
    for (unsigned i = 0; i < FRAMES; i++)
        packets[i] = make_packet(table, i);
    static const struct {
        unsigned together, count;
    } cases[] = {{1, 500}, {20, 5000}, {200, FRAMES}, {2000, FRAMES}};
    struct result result = {0};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        result = measure(packets, table, cases[i].count, cases[i].together);
        printf("gateway hearing: %4u frames a commit: %8.0f frames/s, %8.0f frames per processor "
               "second\n",
               cases[i].together, result.per_s, result.per_cpu_s);
    }
    free(packets);
    verify_table_free(table);
    return result.per_cpu_s >= LEAST_PER_CPU_S ? 0 : 1;
}
