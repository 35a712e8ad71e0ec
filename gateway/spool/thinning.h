/*
 * Which rows may be given up when there is no room: pure. A row may go when an earlier and a later
 * row of its series are held, because the counters of both say what passed between them. A series'
 * first and last row never go. Two passes over the held rows in order of their numbers: note all,
 * then ask for each.
 */
#ifndef EDGEROW_SPOOL_THINNING_H
#define EDGEROW_SPOOL_THINNING_H

#include <stdbool.h>
#include <stdint.h>

#include "gateway/spool/record.h"

/* A series: unit, key check value, counter epoch. Frames without a report are a series of their
 * own. */
struct thinning_series {
    uint32_t devaddr, key_check;
    uint16_t epoch; /* 0 to 255; THINNING_NO_EPOCH */
};

enum { THINNING_NO_EPOCH = 0xFFFF };

struct thinning;

int thinning_new(struct thinning **thinning);
void thinning_free(struct thinning *thinning);

struct thinning_series thinning_series_of(const struct feed_frame *frame);
/* 0 or -ENOMEM. */
int thinning_note(struct thinning *thinning, const struct thinning_series *series, uint64_t n);
bool thinning_may_give(const struct thinning *thinning, const struct thinning_series *series,
                       uint64_t n);

#endif
