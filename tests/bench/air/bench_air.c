/*
 * Frames verified, decrypted and decoded per second of processor time, with the key schedule kept
 * and, for comparison in the same run, with the keys expanded anew for every frame. Rounds
 * alternate, the median of each counts, so that a busy machine does not favour one. Ends with 1
 * when keeping the schedule does not pay.
 */
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "protocol/air/frame.h"
#include "protocol/air/report.h"

enum { UNITS = 300, ROUNDS = 15, FRAMES = 20000 };

struct unit {
    uint8_t nwk[16], app[16];
    struct air_keys keys;
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len;
    uint32_t last;
};

static struct unit units[UNITS];

static void make_unit(struct unit *unit, uint32_t number)
{
    for (int i = 0; i < 16; i++) {
        unit->nwk[i] = (uint8_t)(number * 7 + (uint32_t)i);
        unit->app[i] = (uint8_t)(number * 13 + (uint32_t)i * 5);
    }
    int error = air_keys_init(&unit->keys, unit->nwk, unit->app);
    assert(error == 0);
    struct air_report report = {.kind = AIR_REGULAR,
                                .entries = number,
                                .interval_min = 15,
                                .humidity_pm = 600,
                                .battery_mv = 3200,
                                .recent_count = AIR_RECENT_MAX};
    struct air_frame frame = {.type = AIR_UPLINK, .devaddr = number, .fport = AIR_PORT_REPORT};
    size_t payload_len = 0;
    error = air_report_encode(&report, frame.payload, &payload_len);
    assert(error == 0);
    frame.payload_len = (uint8_t)payload_len;
    unit->last = 1000 + number;
    error = air_frame_build(&frame, &unit->keys, unit->last + 1, unit->bytes, sizeof unit->bytes,
                            &unit->len);
    assert(error == 0);
}

static uint32_t read_one(const struct unit *unit, const struct air_keys *keys)
{
    struct air_frame frame;
    struct air_report report;
    uint32_t fcnt32;
    int error = air_frame_parse(unit->bytes, unit->len, &frame);
    bool found = air_frame_find_fcnt(unit->bytes, unit->len, keys, &unit->last, &fcnt32);
    assert(error == 0 && found);
    air_frame_crypt(&frame, keys, fcnt32);
    error = air_report_decode(frame.payload, frame.payload_len, &report);
    assert(error == 0);
    return report.entries;
}

static uint32_t read_kept(const struct unit *unit)
{
    return read_one(unit, &unit->keys);
}

static uint32_t read_careless(const struct unit *unit)
{
    struct air_keys keys;
    int error = air_keys_init(&keys, unit->nwk, unit->app);
    assert(error == 0);
    uint32_t entries = read_one(unit, &keys);
    air_keys_free(&keys);
    return entries;
}

static double cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

static double round_rate(uint32_t (*read_way)(const struct unit *))
{
    double from = cpu_s();
    for (uint32_t i = 0; i < FRAMES; i++) {
        uint32_t entries = read_way(&units[i % UNITS]);
        assert(entries == i % UNITS);
    }
    return FRAMES / (cpu_s() - from);
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

int main(void)
{
    static double kept[ROUNDS], careless[ROUNDS];
    for (uint32_t i = 0; i < UNITS; i++)
        make_unit(&units[i], i);
    for (int round = 0; round < ROUNDS; round++) {
        kept[round] = round_rate(read_kept);
        careless[round] = round_rate(read_careless);
    }
    qsort(kept, ROUNDS, sizeof kept[0], by_size);
    qsort(careless, ROUNDS, sizeof careless[0], by_size);
    double ratio = kept[ROUNDS / 2] / careless[ROUNDS / 2];
    printf("frames of %zu bytes verified, decrypted and decoded, per second and core\n",
           units[0].len);
    printf("key schedule kept     %9.0f\n", kept[ROUNDS / 2]);
    printf("expanded every time   %9.0f\n", careless[ROUNDS / 2]);
    printf("ratio                 %9.2f\n", ratio);
    return ratio > 1 ? EXIT_SUCCESS : EXIT_FAILURE;
}
