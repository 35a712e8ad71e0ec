/*
 * What the collector keeps: every report once, who heard it, the passes by hour, and what is
 * derived from them. All changes lie between store_begin and store_commit; either all of them are
 * on disk or none. After a failure inside a batch call store_abandon: what is held in memory is
 * read again from disk.
 *
 * In memory: per unit the reports of about a day, older ones while late reports need them.
 */
#ifndef EDGEROW_STORE_H
#define EDGEROW_STORE_H

#include <sqlite3.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "collector/roster/roster.h"
#include "collector/store/zone.h"
#include "common/settings.h"
#include "protocol/feed/row.h"

struct store;

/* zone and roster outlive the store. now_s: event time. 0, or a negative errno with a sentence. */
int store_open(struct store **store, const char *path, const struct zone *zone,
               const struct roster *roster, int64_t now_s, struct settings_fault *fault);
void store_close(struct store *store);
/* For the operator's command: reads beside a running collector. Close with sqlite3_close. */
int store_open_readonly(const char *path, sqlite3 **db, struct settings_fault *fault);

sqlite3 *store_db(struct store *store);
const char *store_id(const struct store *store);
/* Where a damaged store was moved when this one was opened; NULL: it was whole. */
const char *store_set_aside(const struct store *store);
/* Whether an index was damaged and made anew when this store was opened. */
bool store_mended(const struct store *store);
/* Other assignments: derived rows are made anew when they change. On failure the old ones stay. */
int store_change_roster(struct store *store, const struct roster *roster, int64_t now_s);

int store_begin(struct store *store, int64_t now_s);
int store_commit(struct store *store);
void store_abandon(struct store *store);

enum store_heard {
    STORE_NEW,
    STORE_COPY,     /* held already: heard by another gateway, or sent again */
    STORE_CONFLICT, /* the same identity with other bytes: kept apart */
    STORE_IGNORED   /* older than what was pruned */
};

/* frame's payload decoded into report. Out of a batch: an error of our own. */
int store_hear(struct store *store, const char *gateway, const struct feed_frame *frame,
               const struct air_report *report, enum store_heard *heard);
/* The offset of one boot of a gateway: moves every report that only that boot's unsynchronised
 * clock dated. */
int store_correct_boot(struct store *store, const char *gateway, const struct feed_clock *clock);

/* What is on disk of a spool. */
struct store_spool {
    char spool[FEED_ID_SIZE], gateway[33];
    uint64_t n;
    char hash[FEED_HASH_SIZE];
    uint64_t passed;
};
int store_put_spool(struct store *store, const struct store_spool *spool);
/* Calls each for every spool, the one seen last last. */
int store_each_spool(struct store *store, void (*each)(void *user, const struct store_spool *spool),
                     void *user);
int store_put_loss(struct store *store, const char *gateway, const char *spool,
                   const struct feed_loss *loss);

/* A message that cannot be used now, as published. */
int store_put_quarantine(struct store *store, const char *gateway, const char *why,
                         const char *text, size_t len);
/* Calls each for every message in quarantine with id above after, until it returns non-zero, which
 * is returned. Within each only store_drop_quarantine may touch the quarantine. */
int store_each_quarantine(struct store *store, int64_t after,
                          int (*each)(void *user, int64_t id, const char *gateway, const char *text,
                                      size_t len),
                          void *user);
int store_drop_quarantine(struct store *store, int64_t id);

struct store_totals {
    uint64_t reports, quarantined, conflicts, ignored; /* held on disk */
    uint64_t held;                                     /* reports in memory */
    uint64_t bytes;                                    /* of the file and its log */
};
int store_total(struct store *store, struct store_totals *totals);
/* Removes hours, reports and copies from before a local midnight, and keeps of each series one report as its
 * anchor; days of traps and blocks stay. All in one transaction that checks the sums of every series: -EBADMSG,
 * and nothing is removed, when one does not add up. At most a week beyond what is there at a time: *left tells
 * whether more is to be done. */
int store_prune(struct store *store, int64_t before_s, int64_t now_s, bool *left);
/* Forgets reports in memory that a normal day does not need. */
void store_trim(struct store *store, int64_t now_s);

#endif
