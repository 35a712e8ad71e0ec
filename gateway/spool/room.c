#include "gateway/spool/room.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "gateway/spool/thinning.h"

enum { PORTION = 8, PORTION_LEAST = 64, RESERVE_LEAST = 64 * 1024 };

static const char why[] = "spool full";

/* A transaction needs pages of its own, and a row its share of the tree. */
static int look(const struct room *room, bool *full)
{
    uint64_t used, size = disk_size_bytes(room->disk);
    uint64_t reserve = size / 32 > RESERVE_LEAST ? size / 32 : RESERVE_LEAST;
    uint64_t waiting = queue_count(room->queue) * 192;
    int error = disk_used_bytes(room->disk, &used);
    if (error == 0)
        *full = used + reserve + waiting >= size;
    return error;
}

static uint64_t portion(const struct room *room)
{
    uint64_t held = room->last + 1 - room->oldest;
    return held / PORTION > PORTION_LEAST ? held / PORTION : PORTION_LEAST;
}

static int drop_history(struct room *room)
{
    uint64_t until = room->oldest + portion(room) - 1;
    if (until > room->marked)
        until = room->marked;
    if (until < room->oldest)
        return 0;
    int error = disk_delete(room->disk, room->oldest, until);
    if (error != 0)
        return error;
    struct disk_row row;
    int found = disk_next(room->disk, until + 1, &row);
    if (found < 0)
        return found;
    room->oldest = found == 1 ? row.n : room->last + 1;
    return 0;
}

static int note_record(struct thinning *thinning, const struct record *record, uint64_t n)
{
    if (record->kind != FEED_ROW_FRAME)
        return 0;
    struct thinning_series series = thinning_series_of(&record->frame);
    return thinning_note(thinning, &series, n);
}

static int note_all(const struct room *room, struct thinning *thinning)
{
    struct disk_row row;
    struct record record;
    int found, error = 0;
    for (uint64_t n = room->oldest; (found = disk_next(room->disk, n, &row)) == 1; n = row.n + 1) {
        error = record_of_row(row.n, row.body, row.len, &record);
        if (error >= 0)
            error = note_record(thinning, &record, row.n);
        if (error != 0)
            return error;
    }
    for (size_t i = 0; i < queue_count(room->queue) && error == 0; i++)
        error = note_record(thinning, &queue_at(room->queue, i)->record, room->last + 1 + i);
    return found < 0 ? found : error;
}

/* A span of rows given up, to be replaced by one row at its end. */
struct gap {
    uint64_t first, count, fresh; /* fresh: given up now; the rest was before */
    int64_t at_s;
    uint64_t last;
    uint8_t hash[CHAIN_BYTES];
};

static int close_gap(struct room *room, struct gap *gap)
{
    if (gap->fresh == 0) {
        *gap = (struct gap){0};
        return 0;
    }
    struct record loss = {.kind = FEED_ROW_LOSS,
                          .loss = {.first = gap->first, .last = gap->last, .count = gap->count}};
    snprintf(loss.loss.why, sizeof loss.loss.why, "%s", why);
    uint8_t bytes[RECORD_MAX];
    struct disk_row row = {.n = gap->last, .at_s = gap->at_s, .body = bytes};
    record_pack(&loss, bytes, &row.len);
    memcpy(row.hash, gap->hash, CHAIN_BYTES);
    int error = disk_delete(room->disk, gap->first, gap->last);
    if (error == 0)
        error = disk_append(room->disk, &row);
    room->thinned += gap->fresh;
    *gap = (struct gap){0};
    return error;
}

static void widen(struct gap *gap, const struct disk_row *row, const struct record *record)
{
    bool was_loss = record->kind == FEED_ROW_LOSS;
    if (gap->count == 0)
        gap->first = was_loss ? record->loss.first : row->n;
    gap->count += was_loss ? record->loss.count : 1;
    gap->fresh += was_loss ? 0 : 1;
    gap->last = row->n;
    gap->at_s = row->at_s;
    memcpy(gap->hash, row->hash, CHAIN_BYTES);
}

static bool belongs(const struct thinning *thinning, const struct disk_row *row,
                    const struct record *record)
{
    if (record->kind == FEED_ROW_LOSS)
        return strcmp(record->loss.why, why) == 0;
    if (record->kind != FEED_ROW_FRAME)
        return false;
    struct thinning_series series = thinning_series_of(&record->frame);
    return thinning_may_give(thinning, &series, row->n);
}

static int give_up(struct room *room, const struct thinning *thinning, uint64_t wanted)
{
    struct gap gap = {0};
    struct disk_row row;
    struct record record;
    int found, error = 0;
    uint64_t from = room->marked + 1 > room->oldest ? room->marked + 1 : room->oldest;
    for (uint64_t n = from; (found = disk_next(room->disk, n, &row)) == 1;) {
        n = row.n + 1;
        error = record_of_row(row.n, row.body, row.len, &record);
        if (error < 0)
            return error;
        error = 0;
        if (room->thinned + gap.fresh >= wanted)
            break;
        if (belongs(thinning, &row, &record))
            widen(&gap, &row, &record);
        else
            error = close_gap(room, &gap);
        if (error != 0)
            return error;
    }
    return found < 0 ? found : close_gap(room, &gap);
}

static int thin(struct room *room)
{
    struct thinning *thinning;
    int error = thinning_new(&thinning);
    if (error != 0)
        return error;
    error = note_all(room, thinning);
    if (error == 0)
        error = give_up(room, thinning, portion(room));
    thinning_free(thinning);
    return error;
}

int room_make(struct room *room)
{
    bool full = room->tight;
    int error = full ? 0 : look(room, &full);
    room->thinned = 0;
    while (error == 0 && full && room->oldest <= room->marked) {
        error = drop_history(room);
        if (error == 0)
            error = look(room, &full);
    }
    if (error != 0 || !full || room->barren)
        return error;
    error = thin(room);
    room->barren = error == 0 && room->thinned == 0;
    return error;
}
