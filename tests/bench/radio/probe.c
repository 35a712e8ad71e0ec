/*
 * bench_radio_probe FOLDER PACKETS DRIVER: the gateway's radio thread, ring and spool, with a loop that commits
 * what came before it answers. Runs on the supervisor's board. Prints how long a packet takes from the
 * interrupt to the ring and to the spool. Each answer carries the time at which it is due. What became of the
 * answers goes to FOLDER/answers: how many were taken, sent, given up as late.
 */
#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "gateway/radio/hardware.h"
#include "gateway/radio/thread.h"
#include "gateway/spool/spool.h"

/* Packets of answers.c come every 79.264 ms: 25 times that and 30 ms, so that an answer goes out in a pause. */
enum { RX1_US = 2011600, PACKETS_MOST = 20000 };

static int64_t ring_us[PACKETS_MOST], spool_us[PACKETS_MOST];
static radio_deliver next_deliver;

static int64_t now_us(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000LL + t.tv_nsec / 1000;
}

/* Stamps the packet when it goes into the ring. */
static bool stamp(void *sink, const struct radio_packet *packet)
{
    struct radio_packet stamped = *packet;

    stamped.event_us = now_us();
    return next_deliver(sink, &stamped);
}

static struct radio_ops stamping;
static const struct radio_ops *driven;

static int open_stamping(struct radio **radio, const struct radio_settings *settings,
                         radio_deliver deliver, void *sink, char *why, size_t why_size)
{
    next_deliver = deliver;
    return driven->open(radio, settings, stamp, sink, why, why_size);
}

static struct radio_settings settings_for(const char *driver)
{
    struct radio_settings s = {.driver = RADIO_DRIVER_SX127X,
                               .chip = RADIO_CHIP_SX1276,
                               .spi = (char *)(uintptr_t) "/dev/spidev0.0",
                               .spi_hz = 8000000,
                               .reset_line = (char *)(uintptr_t) "GPIO17",
                               .interrupt_line = (char *)(uintptr_t) "GPIO4",
                               .frequency_hz = 915000000,
                               .bandwidth_hz = 500000,
                               .spreading_factor = 7,
                               .coding_rate = 1,
                               .sync_word = 1,
                               .power_dbm = 14};

    driven = &radio_sx127x;
    if (strcmp(driver, "sx126x") == 0) {
        s.driver = RADIO_DRIVER_SX126X;
        s.chip = RADIO_CHIP_SX1262;
        s.busy_line = (char *)(uintptr_t) "GPIO24";
        driven = &radio_sx126x;
    }
    stamping = *driven;
    stamping.open = open_stamping;
    return s;
}

static struct spool *open_spool(const char *folder)
{
    static struct gateway_collectors collectors = {.count = 1, .name = {"office"}};
    static char path[512];
    struct spool_options options = {.path = path,
                                    .size_bytes = 8 << 20,
                                    .history_s = 86400,
                                    .boot = "0123456789abcdef",
                                    .collectors = &collectors};
    struct settings_fault fault;
    struct spool *spool;

    snprintf(path, sizeof path, "%s/spool.db", folder);
    if (spool_open(&spool, &options, time(NULL), &fault) == 0)
        return spool;
    fprintf(stderr, "%s\n", fault.text);
    exit(2);
}

static void add_row(struct spool *spool, const struct radio_packet *packet, uint32_t number)
{
    struct record record = {.kind = FEED_ROW_FRAME};

    record.frame.devaddr = 1;
    record.frame.fcnt = number;
    record.frame.fport = 10;
    memcpy(record.frame.boot, "0123456789abcdef", FEED_ID_SIZE);
    record.frame.payload_len = packet->len < 28 ? packet->len : 28;
    memcpy(record.frame.payload, packet->bytes, record.frame.payload_len);
    spool_add(spool, &record, packet->transport_us);
}

static int answer(struct radio_thread *thread, const struct radio_packet *packet)
{
    struct radio_sending s = {.len = 12,
                              .frequency_hz = packet->frequency_hz,
                              .bandwidth_hz = packet->bandwidth_hz,
                              .spreading_factor = packet->spreading_factor,
                              .power_dbm = 14,
                              .due_us = packet->transport_us + RX1_US};

    memcpy(s.bytes, &s.due_us, sizeof s.due_us);
    return packet->timed ? radio_thread_send(thread, &s) : -ETIME;
}

static void note_answers(const char *folder, uint32_t taken, const struct radio_counts *counts)
{
    char path[512];
    FILE *file;

    snprintf(path, sizeof path, "%s/answers", folder);
    file = fopen(path, "w");
    if (!file)
        return;
    fprintf(file, "%u %llu %llu\n", taken, (unsigned long long)counts->sent,
            (unsigned long long)counts->sent_late);
    fclose(file);
}

static int by_size(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;

    return (x > y) - (x < y);
}

static void print(const char *what, int64_t *us, size_t n)
{
    qsort(us, n, sizeof *us, by_size);
    if (n > 0)
        printf("%s: median %lld us, p99 %lld us, most %lld us\n", what, (long long)us[n / 2],
               (long long)us[n * 99 / 100], (long long)us[n - 1]);
}

int main(int argc, char **argv)
{
    uint32_t packets = argc > 2 ? (uint32_t)strtoul(argv[2], NULL, 10) : 0, heard = 0;
    uint32_t asked = 0, refused = 0;
    struct radio_settings settings = settings_for(argc > 3 ? argv[3] : "sx127x");
    struct spool *spool = open_spool(argc > 1 ? argv[1] : ".");
    struct radio_packet batch[RADIO_RING_PLACES];
    struct radio_counts counts;
    struct radio_thread *thread;
    struct radio_ring *ring;
    bool real_time;
    char why[256] = "";

    if (radio_ring_new(&ring) < 0 ||
        radio_thread_start(&thread, &stamping, &settings, ring, &real_time, why, sizeof why) < 0) {
        fprintf(stderr, "%s\n", why);
        return 2;
    }
    while (heard < packets && heard < PACKETS_MOST) {
        struct pollfd wanted = {.fd = radio_ring_descriptor(ring), .events = POLLIN};
        uint32_t n = 0;

        if (poll(&wanted, 1, 5000) != 1)
            break;
        while (n < RADIO_RING_PLACES && heard + n < packets && radio_ring_take(ring, &batch[n]))
            add_row(spool, &batch[n], heard + n), n++;
        spool_commit(spool, time(NULL));
        for (uint32_t i = 0; i < n; i++) {
            int r = answer(thread, &batch[i]);

            ring_us[heard + i] = batch[i].event_us - batch[i].transport_us;
            spool_us[heard + i] = now_us() - batch[i].transport_us;
            asked += r == 0;
            refused += r != 0;
        }
        heard += n;
    }
    nanosleep(&(struct timespec){.tv_sec = 1 + RX1_US / 1000000}, NULL); /* the last answer too */
    radio_thread_counts(thread, &counts);
    printf(
        "%s, %s: %u packets; answers taken %u, refused %u (window already near, or overlap), sent "
        "%llu, given up as late %llu; overrun %llu, ring full %llu, restarts %llu\n",
        driven->name, real_time ? "real-time" : "ordinary priority", heard, asked, refused,
        (unsigned long long)counts.sent, (unsigned long long)counts.sent_late,
        (unsigned long long)counts.overrun, (unsigned long long)counts.ring_full,
        (unsigned long long)counts.restarts);
    note_answers(argv[1], asked, &counts);
    print("interrupt to ring", ring_us, heard);
    print("interrupt to spool", spool_us, heard);
    radio_thread_stop(thread);
    radio_ring_free(ring);
    spool_close(spool);
    /* What is on the air while the radio itself sends is not heard. */
    return heard * 10 >= packets * 8 ? 0 : 1;
}
