#include "tests/unit/gateway/voice.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/clock.h"
#include "protocol/feed/topic.h"

#define ROWS "edgerow/home/gateway/barn/row"

struct voice voice;

static char folder[64], path[96];
static struct spool_options options;

/* The linker leads the publisher here. */
int64_t __wrap_clock_transport_us(void);
int __real_spool_read(struct spool *from_spool, uint64_t from, struct feed_row *row);
int __wrap_spool_read(struct spool *from_spool, uint64_t from, struct feed_row *row);
enum spool_mark_result __real_spool_mark(struct spool *in, int peer, const struct feed_mark *m);
enum spool_mark_result __wrap_spool_mark(struct spool *in, int peer, const struct feed_mark *m);

int64_t __wrap_clock_transport_us(void)
{
    return voice.now_us;
}

int __wrap_spool_read(struct spool *from_spool, uint64_t from, struct feed_row *row)
{
    return voice.spool_reads != 1 ? voice.spool_reads : __real_spool_read(from_spool, from, row);
}

enum spool_mark_result __wrap_spool_mark(struct spool *in, int peer, const struct feed_mark *m)
{
    return voice.thinned ? SPOOL_MARK_UNSURE : __real_spool_mark(in, peer, m);
}

static void on_connected(void *user)
{
    (void)user;
    voice.told.connected++;
}

static void on_lease(void *user, const struct feed_lease *lease)
{
    (void)user;
    voice.told.leases++;
    voice.told.devaddr = lease->devaddr;
    voice.told.term = lease->term;
}

static void on_order(void *user, uint32_t devaddr, const struct feed_order *order)
{
    (void)user;
    voice.told.orders += order != NULL;
    voice.told.cleared += order == NULL;
    voice.told.devaddr = devaddr;
    voice.told.number = order != NULL ? order->number : 0;
}

static void on_batch(void *user)
{
    (void)user;
    voice.told.batches++;
}

static void on_room(void *user)
{
    (void)user;
    voice.told.rooms++;
}

int voice_try(void)
{
    const struct publisher_events events = {.connected = on_connected,
                                            .lease = on_lease,
                                            .order = on_order,
                                            .batch = on_batch,
                                            .room = on_room};
    return publisher_open(&voice.publisher, voice.event, &voice.settings, voice.spool,
                          VOICE_START_S * 1000, &events);
}

void voice_open(void)
{
    fake.filter_count = 0;
    ck_assert_int_eq(voice_try(), 0);
}

void voice_begin(void)
{
    struct settings_fault fault;
    strcpy(folder, "/tmp/edgerow-publisher-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/spool.db", folder);
    voice = (struct voice){.settings = {.gateway = {.name = "barn", .site = "home"},
                                        .spool = {.window = 200},
                                        .collectors = {.count = 2, .name = {"main", "office"}}},
                           .now_us = VOICE_FAR_US,
                           .spreading_factor = 7,
                           .spool_reads = 1};
    options = (struct spool_options){.path = path,
                                     .size_bytes = 4 << 20,
                                     .history_s = 86400,
                                     .boot = "00112233445566ff",
                                     .collectors = &voice.settings.collectors};
    fake_reset();
    ck_assert_int_eq(spool_open(&voice.spool, &options, VOICE_START_S, &fault), 0);
    ck_assert_int_ge(sd_event_new(&voice.event), 0);
    voice_open();
}

void voice_end(void)
{
    char command[128];
    publisher_close(voice.publisher);
    sd_event_unref(voice.event);
    spool_close(voice.spool);
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

void voice_turn(unsigned times)
{
    while (times-- > 0)
        ck_assert_int_ge(sd_event_run(voice.event, 0), 0);
}

void voice_fill(unsigned count)
{
    static uint32_t fcnt;
    struct record record = {.kind = FEED_ROW_FRAME,
                            .frame = {.devaddr = 5,
                                      .fport = 10,
                                      .heard_ms = VOICE_START_S * 1000,
                                      .boot = "00112233445566ff",
                                      .frequency_hz = 868100000,
                                      .bandwidth_hz = 125000,
                                      .spreading_factor = voice.spreading_factor}};
    for (; count > 0; count--) {
        record.frame.fcnt = fcnt++;
        spool_add(voice.spool, &record, VOICE_START_S * 1000000);
    }
    ck_assert_int_eq(spool_commit(voice.spool, VOICE_START_S), 0);
}

uint64_t voice_row(unsigned from, unsigned i)
{
    for (; from < fake.count; from++) {
        struct feed_row row;
        struct feed_fault fault;
        const struct fake_message *m = &fake.messages[from];
        if (strcmp(m->topic, ROWS) != 0 || i-- > 0)
            continue;
        ck_assert(!m->retain);
        ck_assert_int_eq(feed_row_decode(m->text, strlen(m->text), &row, &fault), 0);
        return row.n;
    }
    return 0;
}

unsigned voice_rows(unsigned from)
{
    unsigned rows = 0;
    while (voice_row(from, rows) != 0)
        rows++;
    return rows;
}

void voice_mark(const char *collector, uint64_t n, bool right, bool retained)
{
    struct feed_mark m = {.store = "aaaaaaaaaaaaaaaa", .n = n};
    struct feed_row row;
    char text[512], topic[FEED_TOPIC_MAX];
    size_t len;
    memset(m.hash, right ? '0' : 'e', sizeof m.hash - 1);
    ck_assert_int_eq(spool_read(voice.spool, n, &row), 1);
    memcpy(m.spool, row.spool, sizeof m.spool);
    if (right)
        memcpy(m.hash, row.hash, sizeof m.hash);
    ck_assert_int_eq(feed_mark_encode(&m, text, sizeof text, &len), 0);
    snprintf(topic, sizeof topic, "edgerow/home/stored/barn/%s", collector);
    fake_say(topic, text, retained);
}
