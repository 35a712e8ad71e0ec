#include "tests/unit/radio/bench.h"

#include <string.h>

static bool deliver(void *user, const struct radio_packet *packet)
{
    struct bench *b = user;

    if (b->full)
        return false;
    if (b->heard_count < BENCH_HEARD)
        b->heard[b->heard_count] = *packet;
    b->heard_count++;
    return true;
}

void bench_open(struct bench *b, int kind, uint32_t bandwidth_hz, uint8_t spreading_factor)
{
    static const enum model_kind models[BENCH_KINDS] = {MODEL_SX1272, MODEL_SX1276, MODEL_SX1262};
    static const enum chip_model chips[BENCH_KINDS] = {CHIP_SX1272, CHIP_SX1276, CHIP_SX1262};

    memset(b, 0, sizeof *b);
    virtual_open(&b->virtual, models[kind], &b->setup.bus);
    b->setup.chip.model = chips[kind];
    b->setup.chip.boost = true;
    b->setup.chip.power_dbm = 14;
    b->setup.chip.channel = (struct radio_channel){.frequency_hz = 915000000,
                                                   .bandwidth_hz = bandwidth_hz,
                                                   .spreading_factor = spreading_factor,
                                                   .sync_word = 0x34,
                                                   .coding_rate = 1};
}

void bench_start(struct bench *b)
{
    char why[256] = "";

    ck_assert_msg(transceiver_open(&b->transceiver, &b->setup, deliver, b, why, sizeof why) == 0,
                  "%s", why);
    transceiver_service(b->transceiver);
    bench_run_ms(b, 1);
}

void bench_close(struct bench *b)
{
    transceiver_close(b->transceiver);
    virtual_close(&b->virtual);
}

void bench_run_ms(struct bench *b, int64_t ms)
{
    virtual_run(&b->virtual, b->transceiver, b->virtual.now_ns + ms * 1000000);
}

struct model_packet bench_packet(const struct bench *b, int64_t after_us, uint8_t len,
                                 unsigned seed)
{
    const struct radio_channel *c = &b->setup.chip.channel;
    struct model_packet p = {.start_ns = b->virtual.now_ns + after_us * 1000,
                             .len = len,
                             .frequency_hz = c->frequency_hz,
                             .bandwidth_hz = c->bandwidth_hz,
                             .spreading_factor = c->spreading_factor,
                             .coding_rate = 1,
                             .sync_word = c->sync_word,
                             .preamble = 8,
                             .crc_present = true,
                             .rssi_dbm = -97,
                             .snr_qdb = 29,
                             .offset_hz = 0};

    for (size_t i = 0; i < len; i++) {
        seed = seed * 1103515245U + 12345U;
        p.bytes[i] = (uint8_t)(seed >> 16);
    }
    return p;
}

struct radio_counts bench_counts(struct bench *b)
{
    struct radio_counts counts;

    transceiver_counts(b->transceiver, &counts);
    return counts;
}

struct model_tally bench_tally(const struct bench *b)
{
    struct model_tally tally;

    model_tally(b->virtual.model, &tally);
    return tally;
}
