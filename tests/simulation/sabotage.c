/*
 * The product with one safeguard left out, chosen at run time: functions of its rooms are caught by the linker, in
 * this program only. Each must be seen by the oracle as a broken promise.
 */
#include "tests/simulation/sabotage.h"

#include <stdio.h>
#include <string.h>

#include "collector/delivery/outbox.h"
#include "collector/store/database.h"
#include "collector/store/series.h"
#include "collector/store/store.h"
#include "gateway/publish/flow.h"
#include "gateway/spool/boot.h"
#include "gateway/spool/chain.h"
#include "gateway/spool/disk.h"
#include "gateway/spool/spool.h"
#include "gateway/spool/thinning.h"
#include "tests/simulation/medium.h"

enum safeguard {
    NONE,
    SPOOL_BEFORE_PUBLISH, /* rows are published while their commit is still to come */
    COMMIT_BEFORE_MARK,   /* a mark is said while the batch's commit is still to come */
    HASH_IN_MARK,         /* marks and rows carry no hash */
    IDEMPOTENCE,          /* a copy counts again */
    ORDER_BY_FCNT,        /* reports are taken in the order in which they come */
    KEEP_LAST_OF_SERIES,  /* thinning takes any row */
    EVERY_COLLECTOR,      /* a mark for one collector counts for all */
    PATIENCE,             /* the gateway never goes back to the mark */
    SYNC,                 /* nothing is synced */
    OUTBOX_UNTIL_TAKEN,   /* a message that fails counts as sent */
    QUARANTINE,           /* rows that cannot be used are dropped */
    DOUBT_OF_CLOCK,       /* every clock is believed */
    WHOLE_SUMS,           /* now and then a pass too many is placed */
    SAFEGUARDS
};

static const char *const names[SAFEGUARDS] = {
    [SPOOL_BEFORE_PUBLISH] = "spool-before-publish",
    [COMMIT_BEFORE_MARK] = "commit-before-mark",
    [HASH_IN_MARK] = "hash-in-mark",
    [IDEMPOTENCE] = "idempotence",
    [ORDER_BY_FCNT] = "order-by-fcnt",
    [KEEP_LAST_OF_SERIES] = "keep-last-of-series",
    [EVERY_COLLECTOR] = "every-collector",
    [PATIENCE] = "patience",
    [SYNC] = "sync",
    [OUTBOX_UNTIL_TAKEN] = "outbox-until-taken",
    [QUARANTINE] = "quarantine",
    [DOUBT_OF_CLOCK] = "doubt-of-clock",
    [WHOLE_SUMS] = "sums",
};

static enum safeguard without;

bool sabotage_set(const char *name)
{
    for (int i = 1; i < SAFEGUARDS; i++)
        if (strcmp(names[i], name) == 0)
            without = (enum safeguard)i;
    return without != NONE;
}

const char *sabotage_name(void)
{
    return names[without];
}

/* Every other commit is put off until the next one. */
static bool puts_off(void)
{
    static unsigned count;
    return ++count % 2 == 0;
}

int __real_disk_begin(struct disk *disk);
int __wrap_disk_begin(struct disk *disk);
int __real_disk_commit(struct disk *disk);
int __wrap_disk_commit(struct disk *disk);

int __wrap_disk_begin(struct disk *disk)
{
    int error = __real_disk_begin(disk);
    return without == SPOOL_BEFORE_PUBLISH ? 0 : error;
}

int __wrap_disk_commit(struct disk *disk)
{
    if (without == SPOOL_BEFORE_PUBLISH && puts_off())
        return 0;
    return __real_disk_commit(disk);
}

int __real_database_run(sqlite3 *db, const char *sql);
int __wrap_database_run(sqlite3 *db, const char *sql);

int __wrap_database_run(sqlite3 *db, const char *sql)
{
    if (without == COMMIT_BEFORE_MARK && strcmp(sql, "COMMIT") == 0 && puts_off())
        return 0;
    if (without == COMMIT_BEFORE_MARK && strcmp(sql, "BEGIN IMMEDIATE") == 0 &&
        !sqlite3_get_autocommit(db))
        return 0;
    return __real_database_run(db, sql);
}

void __real_chain_text(const uint8_t hash[CHAIN_BYTES], char text[FEED_HASH_SIZE]);
void __wrap_chain_text(const uint8_t hash[CHAIN_BYTES], char text[FEED_HASH_SIZE]);

void __wrap_chain_text(const uint8_t hash[CHAIN_BYTES], char text[FEED_HASH_SIZE])
{
    static const uint8_t nothing[CHAIN_BYTES];
    __real_chain_text(without == HASH_IN_MARK ? nothing : hash, text);
}

int __real_store_hear(struct store *store, const char *gateway, const struct feed_frame *frame,
                      const struct air_report *report, enum store_heard *heard);
int __wrap_store_hear(struct store *store, const char *gateway, const struct feed_frame *frame,
                      const struct air_report *report, enum store_heard *heard);

int __wrap_store_hear(struct store *store, const char *gateway, const struct feed_frame *frame,
                      const struct air_report *report, enum store_heard *heard)
{
    static uint32_t arrival = 1U << 20;
    struct feed_frame other = *frame;
    if (without == ORDER_BY_FCNT)
        other.fcnt = arrival++;
    int error = __real_store_hear(store, gateway, &other, report, heard);
    if (error != 0 || without != IDEMPOTENCE || *heard != STORE_COPY)
        return error;
    other.fcnt = frame->fcnt + (1U << 20);
    return __real_store_hear(store, gateway, &other, report, heard);
}

bool __real_thinning_may_give(const struct thinning *thinning, const struct thinning_series *series,
                              uint64_t n);
bool __wrap_thinning_may_give(const struct thinning *thinning, const struct thinning_series *series,
                              uint64_t n);

bool __wrap_thinning_may_give(const struct thinning *thinning, const struct thinning_series *series,
                              uint64_t n)
{
    return without == KEEP_LAST_OF_SERIES || __real_thinning_may_give(thinning, series, n);
}

enum spool_mark_result __real_spool_mark(struct spool *spool, int collector,
                                         const struct feed_mark *mark);
enum spool_mark_result __wrap_spool_mark(struct spool *spool, int collector,
                                         const struct feed_mark *mark);

enum spool_mark_result __wrap_spool_mark(struct spool *spool, int collector,
                                         const struct feed_mark *mark)
{
    if (without == EVERY_COLLECTOR)
        (void)__real_spool_mark(spool, collector == 0 ? 1 : 0, mark);
    return __real_spool_mark(spool, collector, mark);
}

void __real_flow_tick(struct flow *flow, int64_t now_us);
void __wrap_flow_tick(struct flow *flow, int64_t now_us);

void __wrap_flow_tick(struct flow *flow, int64_t now_us)
{
    if (without == PATIENCE) /* only the waiting goes on */
        for (unsigned i = 0; i < flow->peer_count; i++)
            flow->peers[i].since_us = now_us;
    else
        __real_flow_tick(flow, now_us);
}

int __real_spool_open(struct spool **spool, const struct spool_options *options, int64_t now_s,
                      struct settings_fault *fault);
int __wrap_spool_open(struct spool **spool, const struct spool_options *options, int64_t now_s,
                      struct settings_fault *fault);

int __wrap_spool_open(struct spool **spool, const struct spool_options *options, int64_t now_s,
                      struct settings_fault *fault)
{
    medium_lie(without == SYNC);
    return __real_spool_open(spool, options, now_s, fault);
}

int __real_outbox_failed(sqlite3 *db, const struct outbox_key *key, int64_t next_s,
                         const char *error);
int __wrap_outbox_failed(sqlite3 *db, const struct outbox_key *key, int64_t next_s,
                         const char *error);

int __wrap_outbox_failed(sqlite3 *db, const struct outbox_key *key, int64_t next_s,
                         const char *error)
{
    if (without == OUTBOX_UNTIL_TAKEN)
        return outbox_done(db, key, next_s, NULL, 0);
    return __real_outbox_failed(db, key, next_s, error);
}

int __real_store_put_quarantine(struct store *store, const char *gateway, const char *why,
                                const char *text, size_t len);
int __wrap_store_put_quarantine(struct store *store, const char *gateway, const char *why,
                                const char *text, size_t len);

int __wrap_store_put_quarantine(struct store *store, const char *gateway, const char *why,
                                const char *text, size_t len)
{
    return without == QUARANTINE ? 0 : __real_store_put_quarantine(store, gateway, why, text, len);
}

struct boot_stamp __real_boot_clock_stamp(struct boot_clock *clock, int64_t event_ms,
                                          int64_t boot_ms);
struct boot_stamp __wrap_boot_clock_stamp(struct boot_clock *clock, int64_t event_ms,
                                          int64_t boot_ms);

struct boot_stamp __wrap_boot_clock_stamp(struct boot_clock *clock, int64_t event_ms,
                                          int64_t boot_ms)
{
    struct boot_stamp stamp = __real_boot_clock_stamp(clock, event_ms, boot_ms);
    stamp.synchronised = stamp.synchronised || without == DOUBT_OF_CLOCK;
    return stamp;
}

int __real_series_place(const struct series_report *older, const struct series_report *newer,
                        int sign, const struct zone *zone, struct series_placing *placing);
int __wrap_series_place(const struct series_report *older, const struct series_report *newer,
                        int sign, const struct zone *zone, struct series_placing *placing);

int __wrap_series_place(const struct series_report *older, const struct series_report *newer,
                        int sign, const struct zone *zone, struct series_placing *placing)
{
    int error = __real_series_place(older, newer, sign, zone, placing);
    if (without == WHOLE_SUMS && placing->count > 0 && sign > 0 && newer->fcnt % 50 == 0)
        placing->changes[0].entries++;
    return error;
}
