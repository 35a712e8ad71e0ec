/* Frames back to back through driver and ring, with each chip, on the model's clock: nothing that the model
 * delivered may be lost, though the thread wakes late and the loop empties the ring only every second. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "gateway/radio/ring.h"
#include "tests/models/virtual.h"

struct flood {
    struct virtual_bus virtual;
    struct transceiver *transceiver;
    struct radio_ring *ring;
    uint32_t sent, taken, wrong;
    int64_t next_ns;
};

/* A frame's bytes follow from its number. */
static void fill(struct model_packet *p, uint32_t number)
{
    p->len = (uint8_t)(33 + number % 9); /* as long as a report in its frame */
    for (size_t i = 0; i < p->len; i++)
        p->bytes[i] = (uint8_t)(number >> 8 * (i % 4));
}

static void put_on_air(struct flood *f)
{
    struct model_packet p;

    model_receiving(f->virtual.model, &p);
    p.preamble = 8;
    p.crc_present = true;
    p.inverted = false;
    p.coding_rate = 1;
    p.rssi_dbm = -100;
    p.start_ns = f->next_ns;
    fill(&p, f->sent);
    if (model_air(f->virtual.model, &p)) {
        f->sent++;
        f->next_ns = model_packet_end_ns(&p) + 1;
    }
}

static void empty_ring(struct flood *f)
{
    struct radio_packet packet;
    struct model_packet want;

    while (radio_ring_take(f->ring, &packet)) {
        fill(&want, f->taken++);
        f->wrong += packet.len != want.len || memcmp(packet.bytes, want.bytes, want.len) != 0;
    }
}

static void open_flood(struct flood *f, enum model_kind kind, enum chip_model chip)
{
    struct transceiver_setup setup = {.chip = {.model = chip,
                                               .power_dbm = 14,
                                               .boost = true,
                                               .channel = {915000000, 500000, 7, 0x34, 1}}};
    char why[256];

    memset(f, 0, sizeof *f);
    virtual_open(&f->virtual, kind, &setup.bus);
    f->virtual.wake_ns = 2000000; /* a thread that wakes 2 ms late */
    if (radio_ring_new(&f->ring) < 0 ||
        transceiver_open(&f->transceiver, &setup, radio_ring_put, f->ring, why, sizeof why) < 0)
        exit(2);
    transceiver_service(f->transceiver);
    f->next_ns = f->virtual.now_ns + 1000000;
}

static int flood(const char *name, enum model_kind kind, enum chip_model chip, uint32_t frames)
{
    clock_t begun = clock();
    struct radio_counts counts;
    struct model_tally tally;
    struct flood f;

    open_flood(&f, kind, chip);
    while (f.sent < frames || model_on_air(f.virtual.model) > 0) {
        while (f.sent < frames && model_on_air(f.virtual.model) < 48)
            put_on_air(&f);
        virtual_run(&f.virtual, f.transceiver, f.virtual.now_ns + 900000000);
        empty_ring(&f);
    }
    transceiver_counts(f.transceiver, &counts);
    model_tally(f.virtual.model, &tally);
    printf("%s: %u frames back to back, %llu delivered by the model, %u in the loop, %u wrong, "
           "overrun %llu, ring full %llu, misuse %llu; %.1f s of CPU\n",
           name, f.sent, (unsigned long long)tally.delivered, f.taken, f.wrong,
           (unsigned long long)counts.overrun, (unsigned long long)counts.ring_full,
           (unsigned long long)tally.faults_spi, (double)(clock() - begun) / CLOCKS_PER_SEC);
    transceiver_close(f.transceiver);
    radio_ring_free(f.ring);
    virtual_close(&f.virtual);
    return f.taken == tally.delivered && f.taken == frames && f.wrong == 0 ? 0 : 1;
}

int main(int argc, char **argv)
{
    uint32_t frames = argc > 1 ? (uint32_t)strtoul(argv[1], NULL, 10) : 100000;

    return flood("SX1272", MODEL_SX1272, CHIP_SX1272, frames) |
           flood("SX1276", MODEL_SX1276, CHIP_SX1276, frames) |
           flood("SX1262", MODEL_SX1262, CHIP_SX1262, frames);
}
