#include "gateway/spool/spool.h"

#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/log.h"
#include "gateway/spool/anew.h"
#include "gateway/spool/disk.h"
#include "gateway/spool/queue.h"
#include "gateway/spool/room.h"

/* A disk that is full for a moment is no reason to give rows up. */
enum { FORGET_AT_ONCE = 2000, TIGHT_AFTER = 2 };

/* Looking for rows to give up reads the whole file: not again at once when there were none. */
enum { BARREN_S = 300 };

struct collector_mark {
    struct disk_mark mark;
    bool dirty;
};

struct spool {
    struct disk *disk;
    struct queue *queue;
    const struct gateway_collectors *collectors;
    struct collector_mark marks[GATEWAY_COLLECTORS_MAX];
    int64_t history_s;
    uint64_t last, oldest;
    uint8_t hash[CHAIN_BYTES];
    int64_t last_at_s; /* times of rows never go back, so that history ends in one place */
    char boot[FEED_ID_SIZE];
    struct boot_clock clock;
    bool boot_dirty;
    unsigned tight;         /* commits in a row that found no room */
    int64_t barren_until_s; /* no row may be given up before that, unless marks move */
    uint64_t queue_lost;    /* given up in memory and not yet told in a row */
    uint64_t given_up;
    bool damage_told;
};

static void take_mark(void *user, const struct disk_mark *mark)
{
    struct spool *spool = user;
    int index = spool_collector(spool, mark->collector);
    if (index >= 0)
        spool->marks[index].mark = *mark;
}

static int load(struct spool *spool)
{
    struct disk_row row;
    struct disk_boot boot;
    int error = disk_last(spool->disk, &spool->last, spool->hash);
    if (error != 0)
        return error;
    int found = disk_next(spool->disk, 0, &row);
    if (found < 0)
        return found;
    spool->oldest = found == 1 ? row.n : spool->last + 1;
    error = disk_marks(spool->disk, take_mark, spool);
    if (error != 0)
        return error;
    found = disk_boot(spool->disk, spool->boot, &boot);
    if (found == 1)
        spool->clock = (struct boot_clock){.has_base = !boot.corrected, .base_ms = boot.base_ms};
    found = found < 0 ? found : disk_next(spool->disk, spool->last, &row);
    if (found == 1)
        spool->last_at_s = row.at_s;
    return found < 0 ? found : 0;
}

static void name_marks(struct spool *spool)
{
    memset(spool->marks, 0, sizeof spool->marks);
    for (unsigned i = 0; i < spool->collectors->count; i++)
        snprintf(spool->marks[i].mark.collector, sizeof spool->marks[i].mark.collector, "%s",
                 spool->collectors->name[i]);
}

static int open_and_load(struct spool *spool, const struct spool_options *options,
                         struct settings_fault *fault)
{
    int error = disk_open(&spool->disk, options->path, options->size_bytes, fault);
    if (error != 0)
        return error;
    name_marks(spool);
    error = load(spool);
    if (error != 0) {
        settings_fault_set(fault, "%s: cannot be read: %s.", options->path, strerror(-error));
        disk_close(spool->disk);
        spool->disk = NULL;
    }
    return error;
}

/* A damaged spool must not stop the gateway from hearing. What it held and no collector had stored
 * is lost to the feed, but the file stays. */
static int open_disk(struct spool *spool, const struct spool_options *options, int64_t now_s,
                     struct settings_fault *fault)
{
    anew_finish(options->path, now_s);
    int error = open_and_load(spool, options, fault);
    if (error != -EBADMSG)
        return error;
    error = anew_begin(options->path, options->size_bytes, now_s, fault);
    return error != 0 ? error : open_and_load(spool, options, fault);
}

int spool_open(struct spool **spool, const struct spool_options *options, int64_t now_s,
               struct settings_fault *fault)
{
    struct spool *made = calloc(1, sizeof *made);
    int error = made == NULL ? -ENOMEM : queue_new(&made->queue);
    if (error != 0) {
        settings_fault_set(fault, "%s: not enough memory for the spool.", options->path);
        goto out;
    }
    made->collectors = options->collectors;
    made->history_s = options->history_s;
    snprintf(made->boot, sizeof made->boot, "%s", options->boot);
    error = open_disk(made, options, now_s, fault);
out:
    if (error != 0) {
        spool_close(made);
        return error;
    }
    *spool = made;
    return 0;
}

void spool_close(struct spool *spool)
{
    if (spool == NULL)
        return;
    disk_close(spool->disk);
    queue_free(spool->queue);
    free(spool);
}

static void set_counter(void *user, const struct counters_heard *counter)
{
    struct verify_unit *unit = verify_table_find(user, counter->devaddr);
    if (unit != NULL && unit->keys.key_check == counter->key_check)
        verify_counter_note(&unit->counter, &counter->highest);
}

struct recalling {
    struct verify_table *table;
    size_t left;
};

/* The frames just before the highest, so that a repeat of one is still known after a restart. */
static bool recall(void *user, const struct disk_row *row)
{
    struct recalling *recalling = user;
    struct record record;
    if (record_unpack(row->body, row->len, &record) != 0 || record.kind != FEED_ROW_FRAME)
        return --recalling->left > 0;
    struct verify_unit *unit = verify_table_find(recalling->table, record.frame.devaddr);
    if (unit == NULL || unit->keys.key_check != record.frame.key_check)
        return --recalling->left > 0;
    struct verify_counter *counter = &unit->counter;
    struct verify_heard heard = {record.frame.fcnt, record.mic, record.frame.heard_ms * 1000};
    if (counter->recent_count < VERIFY_RECENT && verify_counter_recent(counter, heard.fcnt) == NULL)
        verify_counter_note(counter, &heard);
    return --recalling->left > 0;
}

int spool_load_counters(struct spool *spool, struct verify_table *table)
{
    int error = counters_each_heard(disk_counters(spool->disk), set_counter, table);
    if (error != 0 || verify_table_count(table) == 0)
        return error;
    struct recalling recalling = {table, verify_table_count(table) * VERIFY_RECENT};
    return disk_recent(spool->disk, recall, &recalling);
}

void spool_add(struct spool *spool, const struct record *record, int64_t at_us)
{
    struct queue_entry entry = {.record = *record, .at_us = at_us};
    size_t gone = queue_push(spool->queue, &entry);
    spool->queue_lost += gone;
    spool->given_up += gone;
}

static int append(struct spool *spool, struct record *record, int64_t at_s)
{
    uint8_t bytes[RECORD_MAX];
    size_t len;
    if (record->kind == FEED_ROW_LOSS)
        record->loss.first = record->loss.last = spool->last + 1;
    record_pack(record, bytes, &len);
    if (at_s > spool->last_at_s)
        spool->last_at_s = at_s;
    chain_extend(spool->hash, bytes, len);
    struct disk_row row = {.n = ++spool->last, .at_s = spool->last_at_s, .body = bytes, .len = len};
    memcpy(row.hash, spool->hash, CHAIN_BYTES);
    return disk_append(spool->disk, &row);
}

static int append_entry(struct spool *spool, const struct queue_entry *entry)
{
    struct record record = entry->record;
    int error = append(spool, &record, entry->at_us / 1000000);
    if (error != 0 || record.kind != FEED_ROW_FRAME)
        return error;
    struct counters_heard counter = {
        .devaddr = record.frame.devaddr,
        .key_check = record.frame.key_check,
        .highest = {record.frame.fcnt, record.mic, entry->at_us},
    };
    return counters_put_heard(disk_counters(spool->disk), &counter);
}

static int append_waiting(struct spool *spool)
{
    int error = 0;
    if (spool->queue_lost > 0) {
        struct record loss = {.kind = FEED_ROW_LOSS,
                              .loss = {.count = spool->queue_lost, .why = "disk full"}};
        error = append(spool, &loss, spool->last_at_s);
    }
    for (size_t i = 0; i < queue_count(spool->queue) && error == 0; i++)
        error = append_entry(spool, queue_at(spool->queue, i));
    if (error == 0)
        error = disk_put_last(spool->disk, spool->last, spool->hash);
    return error;
}

static int put_marks(struct spool *spool)
{
    int error = 0;
    for (unsigned i = 0; i < spool->collectors->count && error == 0; i++)
        if (spool->marks[i].dirty)
            error = disk_put_mark(spool->disk, &spool->marks[i].mark);
    if (error == 0 && spool->boot_dirty) {
        struct disk_boot boot = {.base_ms = spool->clock.base_ms,
                                 .corrected = spool->clock.synchronised};
        memcpy(boot.boot, spool->boot, sizeof boot.boot);
        error = disk_put_boot(spool->disk, &boot);
    }
    return error;
}

static uint64_t lowest_mark(const struct spool *spool)
{
    uint64_t lowest = UINT64_MAX;
    for (unsigned i = 0; i < spool->collectors->count; i++)
        if (spool->marks[i].mark.n < lowest)
            lowest = spool->marks[i].mark.n;
    return spool->collectors->count == 0 ? 0 : lowest;
}

/* Rows that every collector has stored, and whose history is over. */
static int forget(struct spool *spool, int64_t now_s)
{
    struct disk_row row;
    uint64_t until = 0;
    uint64_t marked = lowest_mark(spool);
    for (int i = 0; i < FORGET_AT_ONCE; i++) {
        int found = disk_next(spool->disk, until == 0 ? spool->oldest : until + 1, &row);
        if (found < 0)
            return found;
        if (found == 0 || row.n > marked || row.at_s > now_s - spool->history_s)
            break;
        until = row.n;
    }
    if (until == 0)
        return 0;
    int error = disk_delete(spool->disk, spool->oldest, until);
    if (error == 0)
        spool->oldest = until + 1;
    return error;
}

static int write_all(struct spool *spool, int64_t now_s, uint64_t *thinned, bool *barren)
{
    int error = forget(spool, now_s);
    if (error == 0) {
        struct room room = {
            .disk = spool->disk,
            .oldest = spool->oldest,
            .last = spool->last,
            .marked = lowest_mark(spool),
            .queue = spool->queue,
            .tight = spool->tight >= TIGHT_AFTER,
            .barren =
                spool->barren_until_s - now_s > 0 && spool->barren_until_s - now_s <= BARREN_S,
        };
        error = room_make(&room);
        spool->oldest = room.oldest;
        *thinned = room.thinned;
        *barren = room.barren;
    }
    if (error == 0)
        error = append_waiting(spool);
    if (error == 0)
        error = put_marks(spool);
    return error;
}

static bool is_clean(const struct spool *spool)
{
    for (unsigned i = 0; i < spool->collectors->count; i++)
        if (spool->marks[i].dirty)
            return false;
    return queue_count(spool->queue) == 0 && spool->queue_lost == 0 && !spool->boot_dirty;
}

static void settle(struct spool *spool, uint64_t thinned)
{
    queue_clear(spool->queue);
    spool->queue_lost = 0;
    spool->given_up += thinned;
    spool->boot_dirty = false;
    spool->tight = 0;
    for (unsigned i = 0; i < spool->collectors->count; i++)
        spool->marks[i].dirty = false;
}

int spool_commit(struct spool *spool, int64_t now_s)
{
    if (is_clean(spool))
        return 0;
    struct spool before = *spool;
    uint64_t thinned = 0;
    bool barren = false;
    int error = disk_begin(spool->disk);
    if (error == 0)
        error = write_all(spool, now_s, &thinned, &barren);
    if (error == 0)
        error = disk_commit(spool->disk);
    if (error != 0) {
        disk_rollback(spool->disk);
        *spool = before;
        spool->tight = error == -ENOSPC ? before.tight + 1 : 0;
        if (barren && now_s >= spool->barren_until_s)
            spool->barren_until_s = now_s + BARREN_S;
        return error;
    }
    settle(spool, thinned);
    return 0;
}

/* Once: a card that has begun to forget goes on. */
static void say_damaged(struct spool *spool, uint64_t n)
{
    if (!spool->damage_told)
        log_error("Row %llu of the spool is not what was written: the memory card is failing, "
                  "replace it. The row is "
                  "told to the collectors as lost; the station's next report holds its passes. "
                  "Later rows like it "
                  "are not mentioned again before a restart.",
                  (unsigned long long)n);
    spool->damage_told = true;
}

int spool_read(struct spool *spool, uint64_t from, struct feed_row *row)
{
    struct disk_row stored;
    struct record record;
    int found = disk_next(spool->disk, from < spool->oldest ? spool->oldest : from, &stored);
    if (found != 1)
        return found;
    int error = record_of_row(stored.n, stored.body, stored.len, &record);
    if (error < 0)
        return error;
    if (error > 0)
        say_damaged(spool, stored.n);
    memcpy(row->spool, disk_id(spool->disk), sizeof row->spool);
    row->n = stored.n;
    row->oldest = spool->oldest;
    chain_text(stored.hash, row->hash);
    row->kind = record.kind;
    switch (record.kind) {
    case FEED_ROW_FRAME:
        row->frame = record.frame;
        break;
    case FEED_ROW_CLOCK:
        row->clock = record.clock;
        break;
    case FEED_ROW_LOSS:
        row->loss = record.loss;
        break;
    }
    return 1;
}

int spool_each_gone(struct spool *spool, void (*each)(void *user, const struct counters_gone *gone),
                    void *user)
{
    return counters_each_gone(disk_counters(spool->disk), each, user);
}

int spool_keep_gone(struct spool *spool, const struct counters_gone *gone, size_t count)
{
    int error = disk_begin(spool->disk);
    for (size_t i = 0; i < count && error == 0; i++)
        error = counters_put_gone(disk_counters(spool->disk), &gone[i]);
    if (error == 0)
        error = disk_commit(spool->disk);
    if (error != 0)
        disk_rollback(spool->disk);
    return error;
}

int spool_collector(const struct spool *spool, const char *name)
{
    for (unsigned i = 0; i < spool->collectors->count; i++)
        if (strcmp(spool->collectors->name[i], name) == 0)
            return (int)i;
    return -1;
}

uint64_t spool_collector_mark(const struct spool *spool, int collector)
{
    assert(collector >= 0 && (unsigned)collector < spool->collectors->count);
    return spool->marks[collector].mark.n;
}

/* 1: the row's hash is the mark's; 0: it is another; -1: the row is gone, nobody can say. */
static int compare_hash(struct spool *spool, const struct feed_mark *mark)
{
    struct disk_row row;
    char text[FEED_HASH_SIZE];
    if (disk_next(spool->disk, mark->n, &row) != 1 || row.n != mark->n)
        return -1;
    chain_text(row.hash, text);
    return strcasecmp(text, mark->hash) == 0;
}

static enum spool_mark_result set_mark(struct spool *spool, int collector,
                                       const struct feed_mark *mark)
{
    struct collector_mark *known = &spool->marks[collector];
    bool back = mark->n < known->mark.n;
    bool same_store = strcmp(known->mark.store, mark->store) == 0;
    if (mark->n == known->mark.n && same_store)
        return SPOOL_MARK_SAME;
    memcpy(known->mark.store, mark->store, sizeof known->mark.store);
    known->mark.n = mark->n;
    known->dirty = true;
    spool->barren_until_s = 0;
    return back ? SPOOL_MARK_BACK : SPOOL_MARK_MOVED;
}

enum spool_mark_result spool_mark(struct spool *spool, int collector, const struct feed_mark *mark)
{
    if (collector < 0 || strcmp(mark->spool, disk_id(spool->disk)) != 0)
        return SPOOL_MARK_IGNORED;
    if (mark->n > spool->last)
        return SPOOL_MARK_REFUSED;
    if (mark->n == 0)
        return set_mark(spool, collector, mark);
    int agrees = compare_hash(spool, mark);
    if (agrees == 0)
        return SPOOL_MARK_REFUSED;
    /* The row was forgotten or thinned. Going back loses nothing; before anything is forgotten a mark must come
     * that can be checked. */
    if (agrees < 0 && mark->n > spool->marks[collector].mark.n)
        return SPOOL_MARK_UNSURE;
    return set_mark(spool, collector, mark);
}

int spool_renew(struct spool *spool)
{
    int error = disk_renew(spool->disk);
    if (error != 0)
        return error;
    for (unsigned i = 0; i < spool->collectors->count; i++) {
        spool->marks[i].mark.n = 0;
        spool->marks[i].mark.store[0] = '\0';
        spool->marks[i].dirty = false;
    }
    return 0;
}

void spool_state(struct spool *spool, struct spool_state *state)
{
    uint64_t used = 0; /* also when nobody can say */
    (void)disk_used_bytes(spool->disk, &used);
    *state = (struct spool_state){
        .id = disk_id(spool->disk),
        .last = spool->last,
        .oldest = spool->oldest,
        .marked = lowest_mark(spool),
        .waiting = queue_count(spool->queue),
        .given_up = spool->given_up,
        .used_bytes = used,
    };
}

uint64_t spool_last(const struct spool *spool)
{
    return spool->last;
}

void spool_settle_clock(struct spool *spool, int64_t event_ms, int64_t boot_ms, bool synchronised)
{
    int64_t offset_ms;
    if (!boot_clock_settle(&spool->clock, event_ms, boot_ms, synchronised, &offset_ms))
        return;
    struct record row = {.kind = FEED_ROW_CLOCK, .clock = {.offset_ms = offset_ms}};
    memcpy(row.clock.boot, spool->boot, sizeof row.clock.boot);
    spool->boot_dirty = true;
    spool_add(spool, &row, event_ms * 1000);
}

struct boot_stamp spool_stamp(struct spool *spool, int64_t event_ms, int64_t boot_ms)
{
    bool had_base = spool->clock.has_base;
    struct boot_stamp stamp = boot_clock_stamp(&spool->clock, event_ms, boot_ms);
    if (spool->clock.has_base != had_base)
        spool->boot_dirty = true;
    return stamp;
}
