/*
 * The spool: every verified frame, numbered and chained, kept until all configured collectors have
 * stored it and for a bounded history after that. Rows wait in memory for a commit that writes them
 * together with the units' counters; nothing is published before it.
 */
#ifndef EDGEROW_SPOOL_SPOOL_H
#define EDGEROW_SPOOL_SPOOL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "common/settings.h"
#include "gateway/settings.h"
#include "gateway/spool/boot.h"
#include "gateway/spool/disk.h"
#include "gateway/spool/record.h"
#include "gateway/verify/unit.h"
#include "protocol/feed/mark.h"

struct spool;

struct spool_options {
    const char *path;
    uint64_t size_bytes;
    int64_t history_s;
    const char *boot;                            /* this boot's id, 16 hex digits */
    const struct gateway_collectors *collectors; /* outlives the spool */
};

struct spool_state {
    const char *id;
    uint64_t last, oldest; /* committed; oldest is last + 1 when the spool is empty */
    uint64_t marked;       /* the lowest mark of all configured collectors */
    size_t waiting;        /* rows in memory */
    uint64_t given_up;     /* rows, since start */
    uint64_t used_bytes;
};

enum spool_mark_result {
    SPOOL_MARK_MOVED, /* forward */
    SPOOL_MARK_SAME,  /* the collector's connection began: go on from there */
    SPOOL_MARK_UNSURE, /* its row was thinned, and nobody can say: go on from there, forget nothing */
    SPOOL_MARK_BACK,   /* the collector's store was made anew or restored: it needs older rows */
    SPOOL_MARK_REFUSED, /* contradicts this spool's own hash, or lies beyond its end */
    SPOOL_MARK_IGNORED  /* of another spool, or from a collector not configured */
};

/* Opens the file; a damaged one is set aside and a new spool begun (logged). now_s names what is
 * set aside. 0 or a negative errno with a sentence. */
int spool_open(struct spool **spool, const struct spool_options *options, int64_t now_s,
               struct settings_fault *fault);
void spool_close(struct spool *spool); /* commits nothing */

/* Sets the counter of every unit from what is on disk. 0 or an error of disk.h. */
int spool_load_counters(struct spool *spool, struct verify_table *table);

/* Adds a row to those that wait. Always accepted; when the queue is full older rows are given up,
 * and a row that says so follows. */
void spool_add(struct spool *spool, const struct record *record, int64_t at_us);
/* Writes what waits, what collectors have marked, forgets and thins. 0 or an error of disk.h: then
 * everything still waits. */
int spool_commit(struct spool *spool, int64_t now_s);

/* The first committed row with number >= from, ready to publish: 1, 0 (none) or an error of disk.h.
 */
int spool_read(struct spool *spool, uint64_t from, struct feed_row *row);

/* Counters down that are gone. Told of all that is on disk; writes some more, in a transaction of its own. 0 or
 * an error of disk.h: then none is written. */
int spool_each_gone(struct spool *spool, void (*each)(void *user, const struct counters_gone *gone),
                    void *user);
int spool_keep_gone(struct spool *spool, const struct counters_gone *gone, size_t count);

/* Index of a configured collector, or -1. */
int spool_collector(const struct spool *spool, const char *name);
uint64_t spool_collector_mark(const struct spool *spool, int collector);
enum spool_mark_result spool_mark(struct spool *spool, int collector, const struct feed_mark *mark);
/* Gives the spool a new id, after a refused mark has shown that another history goes by the old
 * one. */
int spool_renew(struct spool *spool);

void spool_state(struct spool *spool, struct spool_state *state);
/* Number of the last committed row: asked for every row that is published. */
uint64_t spool_last(const struct spool *spool);

/* Takes notice of the kernel's word on its clock; adds the row that corrects this boot when it is
 * due. */
void spool_settle_clock(struct spool *spool, int64_t event_ms, int64_t boot_ms, bool synchronised);
/* The stamp of a frame heard at these two instants of the two clocks. */
struct boot_stamp spool_stamp(struct spool *spool, int64_t event_ms, int64_t boot_ms);

#endif
