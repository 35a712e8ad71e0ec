/* One transceiver on a model, with what it heard. */
#ifndef EDGEROW_TEST_RADIO_BENCH_H
#define EDGEROW_TEST_RADIO_BENCH_H

#include <check.h>

#include "tests/models/virtual.h"

enum { BENCH_HEARD = 128 };

struct bench {
    struct virtual_bus virtual;
    struct transceiver_setup setup;
    struct transceiver *transceiver;
    struct radio_packet heard[BENCH_HEARD];
    size_t heard_count; /* may exceed BENCH_HEARD */
    bool full;          /* the ring refuses */
};

/* The chips every test is run for. */
enum { BENCH_1272, BENCH_1276, BENCH_1262, BENCH_KINDS };

void bench_open(struct bench *bench, int kind, uint32_t bandwidth_hz, uint8_t spreading_factor);
void bench_start(struct bench *bench); /* opens the transceiver and lets it start */
void bench_close(struct bench *bench);
void bench_run_ms(struct bench *bench, int64_t ms);
/* A good packet on the chip's channel that starts `after_us` from now; its bytes follow from
 * `seed`. */
struct model_packet bench_packet(const struct bench *bench, int64_t after_us, uint8_t len,
                                 unsigned seed);
struct radio_counts bench_counts(struct bench *bench);
struct model_tally bench_tally(const struct bench *bench);

#endif
