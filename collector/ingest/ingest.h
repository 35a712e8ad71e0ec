/*
 * Rows of the gateways' spools become what the store keeps. Of each spool the contiguous prefix counts: a row
 * that leaves a gap is dropped and comes again, unless the row itself says that the gap can never be filled; then
 * the gap is recorded and passed. A row that cannot be used now (unknown unit, newer version, unreadable) is
 * kept in quarantine and counts as stored.
 *
 * A batch: ingest_take for each message as it comes, ingest_finish once, which commits. Only then are the marks
 * said. No clock, no socket: what is to be published comes out through struct ingest_events.
 */
#ifndef EDGEROW_INGEST_H
#define EDGEROW_INGEST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "collector/store/store.h"
#include "protocol/feed/mark.h"
#include "protocol/feed/row.h"

struct ingest;

/* All are called from ingest_finish and ingest_retry, after the commit; any may be NULL. */
struct ingest_events {
    void *user;
    /* What the collector has on disk of a gateway's spool. */
    void (*mark)(void *user, const char *gateway, const struct feed_mark *mark);
    /* A copy of a report that is on disk now. */
    void (*heard)(void *user, const char *gateway, const struct feed_frame *frame,
                  const struct air_report *report, bool first);
    /* Something a person should know: conflict, loss, quarantine, a spool that contradicts itself. item is
     * short and stable; present false: it is over. */
    void (*trouble)(void *user, const char *gateway, const char *item, bool present,
                    const char *detail);
};

struct ingest_counts {
    uint64_t rows, repeats,
        gaps; /* messages; of them known already, and dropped because of a gap */
    uint64_t reports, copies, conflicts, ignored, quarantined, losses, malformed;
};

int ingest_open(struct ingest **ingest, struct store *store, const struct roster *roster,
                const struct ingest_events *events);
void ingest_close(struct ingest *ingest);
void ingest_change_roster(struct ingest *ingest, const struct roster *roster);

/* Takes one message of a gateway's row topic into the open batch, opening it when there is none. 0, or the
 * store's error: then finish refuses the batch, and further messages are not looked at. */
int ingest_take(struct ingest *ingest, const char *gateway, const char *text, size_t len,
                int64_t now_s);
/* Commits. 0, or the store's error: nothing of the batch counts, and it must come again. transport_us: for
 * the rate of repeated marks. */
int ingest_finish(struct ingest *ingest, int64_t transport_us);
/* Tries the quarantine again: after a change of roster, and at start. 0 or the store's error. */
int ingest_retry(struct ingest *ingest, int64_t now_s);
/* Says the marks of all gateways: after the connection came back. */
void ingest_say_marks(struct ingest *ingest);
/* The store holds every row of the gateway's current spool up to n. */
bool ingest_caught_up(const struct ingest *ingest, const char *gateway, const char *spool,
                      uint64_t n);
const struct ingest_counts *ingest_count(const struct ingest *ingest);

#endif
