/*
 * The reports of one unit and key in FCnt order, and what they mean together: pure, no input or
 * output. Held is a suffix: the newest reports without a hole; older ones can be put before it.
 *
 * A report is placed at the end of its last interval (its tick). The clock that stamped it is
 * believed when it was synchronised, unless the report would lie outside its nearest neighbours
 * from synchronised clocks by more than a minute. What is not believed is bracketed by the nearest
 * believed reports: its own time where that lies between them, otherwise in proportion to FCnt. A
 * report that carries few or no intervals (a daily one) gets them from the reports after it. All of
 * this depends on the set of reports alone.
 */
#ifndef EDGEROW_HISTORY_H
#define EDGEROW_HISTORY_H

#include "collector/store/series.h"

struct history_report {
    int64_t at_s;     /* the key under which it is filed */
    int64_t heard_ms; /* end of the frame */
    int32_t air_ms;
    bool sure; /* heard_ms is from a synchronised clock */
    uint8_t payload_len;
    uint8_t payload[AIR_REPORT_MAX];

    /* Filled in by history_insert and history_load. */
    bool trusted, marked;
    uint8_t own_count;  /* intervals it carries itself */
    int64_t claimed_ms; /* its tick by the clock that stamped it */
    struct series_report
        placed; /* as it is placed: believed tick, intervals from later reports added */
};

struct history_epoch {
    uint8_t epoch;
    bool anchored;       /* what was before the first report is pruned: nothing is placed there */
    uint32_t first_fcnt; /* lowest report known, held or not */
};

struct history {
    struct history_report *reports;
    size_t count, capacity;
    bool complete; /* nothing is before reports[0] */
    struct history_epoch *epochs;
    size_t epoch_count;
};

/* Takes one change to the hour rows of the series with this epoch. 0 or a negative errno, which
 * ends the insertion half-way: the history is then to be thrown away. */
typedef int (*history_sink)(void *user, uint8_t epoch, struct series_placing *placing);

struct history_target {
    const struct zone *zone;
    history_sink sink;
    void *user;
};

void history_free(struct history *history);
/* Index of the report with this FCnt, or of the first one after it. */
size_t history_position(const struct history *history, uint32_t fcnt);
bool history_has(const struct history *history, uint32_t fcnt);
/* Enough is held before fcnt to insert or move a report there; when not, older reports must be
 * loaded. */
bool history_reaches(const struct history *history, uint32_t fcnt, uint8_t epoch);

/* Adds a stored report without placing anything; one that is held already is skipped. After the
 * last, and before anything else, history_settle. Its epoch must have been named by
 * history_add_epoch. 0, -ENOMEM, or -EBADMSG when the payload does not decode: a damaged store. */
int history_load(struct history *history, const struct history_report *report, uint32_t fcnt);
void history_settle(struct history *history);
int history_add_epoch(struct history *history, uint8_t epoch, uint32_t first_fcnt, bool anchored);

/* A new report; *report's first part is filled in, its payload decoded as given. history_reaches
 * must hold. 0, -EEXIST, or a negative errno. */
int history_insert(struct history *history, const struct history_report *report, uint32_t fcnt,
                   const struct air_report *decoded, const struct history_target *target);
/* A better time for a held report. */
int history_move(struct history *history, size_t index, int64_t heard_ms, int32_t air_ms, bool sure,
                 const struct history_target *target);
/* The newest believed report of an epoch whose tick was before before_ms; count: none. */
size_t history_anchor(const struct history *history, uint8_t epoch, int64_t before_ms);
/* Forgets the epoch's reports before the one with this FCnt, for ever: it is the first one now, and nothing is
 * placed before it. */
void history_prune(struct history *history, uint8_t epoch, uint32_t anchor);
/* Forgets reports filed before before_s, but keeps the newest few. */
void history_trim(struct history *history, int64_t before_s);

#endif
