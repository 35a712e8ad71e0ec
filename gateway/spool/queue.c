#include "gateway/spool/queue.h"

#include <errno.h>
#include <stdlib.h>

#include "gateway/spool/thinning.h"

/* Looking for rows to give up walks the whole queue: not at every row when there were none. */
enum { LOOK_AGAIN_AFTER = 256 };

struct queue {
    size_t first,
        count;       /* a ring; empty: from the start, so that pages never reached stay untouched */
    unsigned barren; /* rows still to come before looking for rows to give up again */
    struct queue_entry entries[QUEUE_MAX];
};

int queue_new(struct queue **queue)
{
    struct queue *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    *queue = made;
    return 0;
}

void queue_free(struct queue *queue)
{
    free(queue);
}

static struct queue_entry *at(struct queue *queue, size_t index)
{
    return &queue->entries[(queue->first + index) % QUEUE_MAX];
}

static int note_all(struct queue *queue, struct thinning *thinning)
{
    int error = 0;
    for (size_t i = 0; i < queue->count && error == 0; i++) {
        const struct record *record = &at(queue, i)->record;
        struct thinning_series series = thinning_series_of(&record->frame);
        if (record->kind == FEED_ROW_FRAME)
            error = thinning_note(thinning, &series, i);
    }
    return error;
}

/* Gives up what the rule allows, at most half; keeps the order. Returns how many went. */
static size_t thin(struct queue *queue)
{
    struct thinning *thinning;
    if (thinning_new(&thinning) != 0)
        return 0;
    size_t kept = 0, count = note_all(queue, thinning) == 0 ? queue->count : 0;
    for (size_t i = 0; i < count; i++) {
        const struct record *record = &at(queue, i)->record;
        struct thinning_series series = thinning_series_of(&record->frame);
        if (i - kept < QUEUE_MAX / 2 && record->kind == FEED_ROW_FRAME &&
            thinning_may_give(thinning, &series, i))
            continue;
        if (kept != i)
            *at(queue, kept) = *at(queue, i);
        kept++;
    }
    thinning_free(thinning);
    size_t gone = count - kept;
    queue->count -= gone;
    return gone;
}

static size_t make_room(struct queue *queue)
{
    size_t gone = 0;
    if (queue->barren > 0)
        queue->barren--;
    else
        gone = thin(queue);
    if (gone > 0)
        return gone;
    if (queue->barren == 0)
        queue->barren = LOOK_AGAIN_AFTER;
    queue->first = (queue->first + 1) % QUEUE_MAX;
    queue->count--;
    return 1;
}

size_t queue_push(struct queue *queue, const struct queue_entry *entry)
{
    size_t gone = queue->count == QUEUE_MAX ? make_room(queue) : 0;
    *at(queue, queue->count++) = *entry;
    return gone;
}

size_t queue_count(const struct queue *queue)
{
    return queue->count;
}

const struct queue_entry *queue_at(const struct queue *queue, size_t index)
{
    return index < queue->count ? &queue->entries[(queue->first + index) % QUEUE_MAX] : NULL;
}

void queue_clear(struct queue *queue)
{
    queue->first = queue->count = 0;
    queue->barren = 0;
}
