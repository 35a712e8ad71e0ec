#include "gateway/spool/queue.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "gateway/spool/thinning.h"

struct queue {
    size_t count;
    struct queue_entry entries[QUEUE_MAX]; /* pages never reached are never touched */
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

/* Gives up what the rule allows, at most half; keeps the order. Returns how many went. */
static size_t thin(struct queue *queue)
{
    struct thinning *thinning;
    if (thinning_new(&thinning) != 0)
        return 0;
    int error = 0;
    for (size_t i = 0; i < queue->count && error == 0; i++) {
        struct thinning_series series = thinning_series_of(&queue->entries[i].record.frame);
        if (queue->entries[i].record.kind == FEED_ROW_FRAME)
            error = thinning_note(thinning, &series, i);
    }
    size_t kept = 0;
    for (size_t i = 0; i < queue->count; i++) {
        const struct record *record = &queue->entries[i].record;
        struct thinning_series series = thinning_series_of(&record->frame);
        bool gives = error == 0 && i - kept < QUEUE_MAX / 2 && record->kind == FEED_ROW_FRAME &&
                     thinning_may_give(thinning, &series, i);
        if (gives)
            continue;
        if (kept != i)
            queue->entries[kept] = queue->entries[i];
        kept++;
    }
    thinning_free(thinning);
    size_t gone = queue->count - kept;
    queue->count = kept;
    return gone;
}

static void drop_oldest(struct queue *queue)
{
    queue->count--;
    memmove(&queue->entries[0], &queue->entries[1], queue->count * sizeof queue->entries[0]);
}

size_t queue_push(struct queue *queue, const struct queue_entry *entry)
{
    size_t gone = 0;
    if (queue->count == QUEUE_MAX) {
        gone = thin(queue);
        if (gone == 0) {
            drop_oldest(queue);
            gone = 1;
        }
    }
    queue->entries[queue->count++] = *entry;
    return gone;
}

size_t queue_count(const struct queue *queue)
{
    return queue->count;
}

const struct queue_entry *queue_at(const struct queue *queue, size_t index)
{
    return index < queue->count ? &queue->entries[index] : NULL;
}

void queue_clear(struct queue *queue)
{
    queue->count = 0;
}
