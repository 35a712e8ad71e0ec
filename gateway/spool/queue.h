/*
 * Rows in memory whose commit is still to come: at most QUEUE_MAX. When more come than the disk
 * takes, rows are given up by the same rule as on the disk, and if that frees none, the oldest
 * goes.
 */
#ifndef EDGEROW_SPOOL_QUEUE_H
#define EDGEROW_SPOOL_QUEUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "gateway/spool/record.h"

enum { QUEUE_MAX = 4096 };

struct queue_entry {
    struct record record;
    int64_t at_us;
};

struct queue;

int queue_new(struct queue **queue);
void queue_free(struct queue *queue);

/* Returns how many rows were given up to make room: usually 0. */
size_t queue_push(struct queue *queue, const struct queue_entry *entry);
size_t queue_count(const struct queue *queue);
const struct queue_entry *queue_at(const struct queue *queue, size_t index);
void queue_clear(struct queue *queue);

#endif
