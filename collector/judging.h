/*
 * From the store to judgements and notices. Holds what judging needs of every trap, station and
 * gateway in memory, brought up to date by what is ingested and made anew from the store at any
 * time; one run judges all and writes watches, notices and owed messages in one transaction. The
 * same code answers the operator's questions from a store opened for reading.
 *
 * Bounded by the roster: about 10 kB a trap. Not thread-safe; no clock of its own.
 */
#ifndef EDGEROW_JUDGING_H
#define EDGEROW_JUDGING_H

#include <sqlite3.h>

#include "collector/judge/why.h"
#include "collector/roster/roster.h"
#include "collector/site.h"
#include "protocol/air/report.h"
#include "protocol/feed/health.h"
#include "protocol/feed/state.h"

struct judging;

/* Called from judging_run (after its commit) and judging_say_all; any may be NULL. A state is said
 * when it changes in substance, and its small changes every three hours. */
struct judging_events {
    void *user;
    void (*trap)(void *user, const struct feed_trap_state *state);
    void (*block)(void *user, const struct feed_block_state *state);
    /* open false: the retained message is to be removed. */
    void (*notice)(void *user, const struct feed_notice_state *state);
};

/* Reads three weeks back from now_s, and of stations silent for longer when they were heard last. site and roster must outlive it. db may be read-only when
 * judging_run is not called. 0 or a negative errno; what went wrong is logged. */
int judging_open(struct judging **judging, sqlite3 *db, const struct site_settings *site,
                 const struct roster *roster, const struct judging_events *events, int64_t now_s);
void judging_close(struct judging *judging);
/* Another roster: facts are read anew. On failure the old one stays. */
int judging_change_roster(struct judging *judging, const struct roster *roster, int64_t now_s);

/* A report that is stored for the first time; tell it after its commit. Copies heard by further
 * gateways are told too, with first false: they prove that those gateways listen. */
struct judging_report {
    uint32_t devaddr, key_check, fcnt;
    int64_t heard_ms;
    bool first;
    bool unsure; /* its gateway's clock was wrong: what it says counts, but not its instant */
    const char *gateway;
    const struct air_report *report;
};
void judging_hear(struct judging *judging, const struct judging_report *report);

/* A gateway's health message. caught_up: the store holds every row up to health->last_n, so that
 * what is missing was not heard, rather than not yet delivered. */
void judging_hear_health(struct judging *judging, const char *gateway,
                         const struct feed_gateway_health *health, bool caught_up);
/* The broker's connection came or went: without it silence proves nothing. Before the first call it
 * counts as absent. */
void judging_connection(struct judging *judging, bool connected, int64_t now_s);
/* A condition the collector itself found; present until told otherwise. subject: a gateway, or
 * "site". item: short and stable, for instance "disk"; detail: a sentence for a person. Ends with
 * present false. */
void judging_condition(struct judging *judging, enum feed_notice_kind kind, const char *subject,
                       const char *item, bool present, const char *detail);

/* Judges without writing: for the operator's command, and the first half of a run. Visits entered
 * since are read. 0 or a negative errno. */
int judging_look(struct judging *judging, int64_t now_s);
/* Looks, moves watches and notices, and commits all with the owed messages in one transaction (a
 * savepoint). On failure nothing has happened and the next run tries again. The caller then calls
 * delivery_look. */
int judging_run(struct judging *judging, int64_t now_s);
/* Says the state of every trap, block and notice: after the broker's connection came back. Notices
 * closed within the last 30 days are said as not open. */
void judging_say_all(struct judging *judging);
/* Whether the store has this notice ("n-000017") open: what the broker still shows of a lost store is not. */
bool judging_notice_open(const struct judging *judging, const char *name);
/* Counts for the collector's health, after a look. */
struct judging_counts {
    uint64_t traps, traps_due, stations_silent, notices_open;
};
void judging_count(const struct judging *judging, struct judging_counts *counts);

/* The answers of the last look, by the roster's traps in order of block and name. */
struct judging_trap {
    struct feed_trap_state state;
    double latitude, longitude;       /* NAN: not given */
    double bring_l;                   /* bait to bring on a visit */
    struct why bait, silence, counts; /* the figures */
};
size_t judging_trap_count(const struct judging *judging);
/* Fills *trap, figures included. 0, or -ENOENT. */
int judging_trap_at(struct judging *judging, size_t index, struct judging_trap *trap);
int judging_trap_named(struct judging *judging, const char *name, struct judging_trap *trap);
size_t judging_block_count(const struct judging *judging);
int judging_block_at(const struct judging *judging, size_t index, struct feed_block_state *state);
/* The same by name, with the figures behind its catch. 0, or -ENOENT. */
int judging_block_why(const struct judging *judging, const char *name,
                      struct feed_block_state *state, struct why *why);

/* Stops the repeats of an open notice. 0, -ENOENT, or another negative errno. A plain function of
 * the store, so that the operator's command can use it. */
int judging_acknowledge(sqlite3 *db, int64_t notice, int64_t now_s);

#endif
