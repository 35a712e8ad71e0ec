/*
 * What the publisher does, without a session and without a clock: which row of the spool is published next, and
 * what a stored mark leads to. Times are transport time.
 */
#ifndef EDGEROW_PUBLISH_COURIER_H
#define EDGEROW_PUBLISH_COURIER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "gateway/publish/flow.h"
#include "gateway/spool/spool.h"

enum {
    COURIER_ROWS_AT_ONCE = 128, /* for one turn of a loop, so that frames are not kept waiting */
    COURIER_IN_FLIGHT =
        256 /* the session's library walks through all of them for each acknowledgement */
};

struct courier {
    struct spool *spool;
    struct flow flow;
    int64_t renewed_us; /* when the spool last had a new id; 0: not in this run */
    uint64_t marks_refused, marks_ignored;
};

enum courier_heard {
    COURIER_OBEYED,
    COURIER_KNOWN, /* a retained mark that says nothing new */
    COURIER_UNREADABLE,
    COURIER_STRANGER,    /* of a collector that is not configured */
    COURIER_OTHER_SPOOL, /* speaks of another spool */
    COURIER_REFUSED,     /* contradicts the spool */
    COURIER_RENEWED      /* contradicts it, and the spool has taken a new id */
};

/* spool outlives it. Works from what the spool's collectors have marked. */
void courier_start(struct courier *courier, struct spool *spool, unsigned collectors,
                   uint64_t window);
/* The connection began: what was on its way may be lost. */
void courier_connected(struct courier *courier);

/* The number that may be published now; 0: none. */
uint64_t courier_wanted(const struct courier *courier);
/* The row for the number wanted: 1, or negative when the spool cannot be read (-ENOENT: it is missing). */
int courier_read(struct courier *courier, uint64_t wanted, struct feed_row *row);
/* It was handed to the session. */
void courier_sent(struct courier *courier, uint64_t wanted, const struct feed_row *row,
                  int64_t now_us);

/* The text of a stored mark of the named collector. *mark is set unless it is unreadable. */
enum courier_heard courier_hear(struct courier *courier, const char *collector, const char *text,
                                size_t len, bool retained, int64_t now_us, struct feed_mark *mark);

/* When a collector's patience ends, or INT64_MAX; courier_tick then goes back. */
int64_t courier_due_us(const struct courier *courier);
void courier_tick(struct courier *courier, int64_t now_us);

#endif
