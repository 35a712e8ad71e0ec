/*
 * Room in the spool for the rows that wait. First goes history, oldest first: every collector has
 * it. Then rows are thinned by the rule of thinning.h, and a row that says so stands where they
 * were.
 */
#ifndef EDGEROW_SPOOL_ROOM_H
#define EDGEROW_SPOOL_ROOM_H

#include <stdbool.h>
#include <stdint.h>

#include "gateway/spool/disk.h"
#include "gateway/spool/queue.h"

struct room {
    struct disk *disk;
    uint64_t oldest, last, marked;
    const struct queue *queue; /* later rows of a series may wait here */
    bool tight;                /* the file was full although it did not look so */
    bool barren;               /* in: do not look for rows to give up; out: there were none */
    uint64_t thinned;          /* out: rows given up */
};

/* Within a transaction of the disk. Changes oldest, barren and thinned. 0 or an error of disk.h. */
int room_make(struct room *room);

#endif
