#include "tests/simulation/scenes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "protocol/air/frame.h"

bool scene_is_open(const struct scene *scene)
{
    return scene->opened;
}

void scene_frame(unsigned station, unsigned k, struct feed_frame *frame)
{
    size_t len;
    struct air_report report = {.kind = AIR_REGULAR,
                                .epoch = 5,
                                .entries = UINT32_MAX - 20 + 3 * k,
                                .level_qmm = 4 * 50,
                                .tick = (uint8_t)(k % AIR_TICK_MODULUS),
                                .interval_min = 60,
                                .temperature_dc = 220,
                                .humidity_pm = 500,
                                .battery_mv = 3000,
                                .recent_count = 2,
                                .recent = {3, 3}};
    *frame = (struct feed_frame){.devaddr = WORLD_FIRST_UNIT + station,
                                 .key_check = 0xABCD0000 + station,
                                 .fcnt = 0xFFF0 + k,
                                 .fport = AIR_PORT_REPORT,
                                 .heard_ms = BEGIN_US / 1000 + (k + 1) * (int64_t)3600000,
                                 .synchronised = true,
                                 .boot = "00000000000000b0",
                                 .frequency_hz = 868100000,
                                 .bandwidth_hz = 500000,
                                 .spreading_factor = 7,
                                 .rssi_cdbm = -9000,
                                 .has_report = true,
                                 .report = report};
    if (air_report_encode(&report, frame->payload, &len) != 0)
        abort();
    frame->payload_len = (uint8_t)len;
}

/* The gateway's. */
enum { ROUNDS = 6, ROWS = 6 };

static struct gateway_collectors names = {.count = 1, .name = {"office"}};
static struct spool *spool;
static struct verify_table *table;
static unsigned added; /* rounds whose rows are in the spool's queue or on disk */

static int gateway_open(struct scene *scene)
{
    struct settings_fault fault;
    struct verify_secret secret = {.devaddr = WORLD_FIRST_UNIT};
    struct spool_options options = {.path = "/medium/3/spool.db",
                                    .size_bytes = 1 << 20,
                                    .history_s = 0,
                                    .boot = "00000000000000b0",
                                    .collectors = &names};
    int error = spool_open(&spool, &options, BEGIN_US / SECOND_US, &fault);
    if (error == 0)
        error = verify_table_new(&secret, 1, &table);
    if (error == 0)
        error = spool_load_counters(spool, table);
    scene->opened = error == 0;
    if (error != 0)
        scene->close(scene);
    return error;
}

static void gateway_close(struct scene *scene)
{
    spool_close(spool);
    verify_table_free(table);
    spool = NULL;
    table = NULL;
    scene->opened = false;
}

/* Rows of a round that are not on disk yet. */
static void add_round(unsigned round)
{
    struct spool_state state;
    spool_state(spool, &state);
    uint64_t have = state.last + state.waiting;
    for (uint64_t k = have; k < (uint64_t)(round + 1) * ROWS; k++) {
        struct record record = {.kind = FEED_ROW_FRAME, .mic = (uint32_t)k};
        scene_frame(0, (unsigned)k, &record.frame);
        spool_add(spool, &record, record.frame.heard_ms * 1000);
    }
    added = round + 1;
}

static int mark_half(unsigned round)
{
    struct feed_row row;
    struct feed_mark mark = {.store = "00000000000000aa"};
    uint64_t n = (uint64_t)(round + 1) * ROWS / 2;
    int found = spool_read(spool, n, &row);
    if (found < 0)
        return found;
    if (found == 0 || row.n != n)
        return 0; /* forgotten already */
    mark.n = n;
    memcpy(mark.spool, row.spool, sizeof mark.spool);
    memcpy(mark.hash, row.hash, sizeof mark.hash);
    /* One that could not be checked just now waits until the collector says it again. */
    (void)spool_mark(spool, 0, &mark);
    return spool_collector_mark(spool, 0) == n ? 0 : -1;
}

static int gateway_play(struct scene *scene, unsigned step)
{
    int64_t now_s = BEGIN_US / SECOND_US + step * 86400;
    if (step % 2 == 0)
        add_round(step / 2);
    else if (mark_half(step / 2) != 0)
        return -1;
    int error = spool_commit(spool, now_s);
    if (error != 0 || step % 2 == 0)
        return error;
    scene->close(scene);
    return scene->open(scene);
}

static char *gateway_tell(struct scene *scene)
{
    char *text = NULL;
    size_t size = 0;
    struct spool_state state;
    struct feed_row row;
    (void)scene;
    FILE *out = open_memstream(&text, &size);
    spool_state(spool, &state);
    fprintf(out, "last %llu mark %llu%s\n", (unsigned long long)state.last,
            (unsigned long long)state.marked,
            medium_has(SCENE_MACHINE, "damaged") ? " set aside" : "");
    for (uint64_t n = state.marked + 1; spool_read(spool, n, &row) == 1; n = row.n + 1)
        fprintf(out, "%llu %u %s\n", (unsigned long long)row.n, row.frame.fcnt, row.hash);
    fclose(out);
    return text;
}

struct scene *scene_of_gateway(void)
{
    static struct scene scene = {.name = "gateway",
                                 .steps = 2 * ROUNDS,
                                 .open = gateway_open,
                                 .close = gateway_close,
                                 .play = gateway_play,
                                 .tell = gateway_tell};
    return &scene;
}
