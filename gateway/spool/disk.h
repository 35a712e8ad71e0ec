/*
 * The spool's file. WAL, synchronous FULL, one
 * connection that keeps the file to itself. All space is reserved when the file is made, so that
 * writing, and giving rows up, still work on a disk that others have filled.
 *
 * Errors: -ENOSPC, -EIO, -EBUSY (another process has it), -EBADMSG (damaged), -ENOTSUP (made by a
 * newer version), -EACCES, -ENOMEM.
 */
#ifndef EDGEROW_SPOOL_DISK_H
#define EDGEROW_SPOOL_DISK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "common/settings.h"
#include "gateway/spool/chain.h"
#include "gateway/spool/counters.h"

enum { DISK_SCHEMA = 1 };

struct disk;

struct disk_row {
    uint64_t n;
    int64_t at_s; /* event time when heard */
    uint8_t hash[CHAIN_BYTES];
    const uint8_t *body; /* on reading: valid until the next call */
    size_t len;
};

struct disk_mark {
    char collector[33];
    char store[FEED_ID_SIZE];
    uint64_t n;
};

/* One boot of this machine: the base of the times stamped before its clock was synchronised. */
struct disk_boot {
    char boot[FEED_ID_SIZE];
    int64_t base_ms; /* event time at boot as first believed */
    bool corrected;  /* its CLOCK row is written, or none is needed */
};

/* Opens or makes the file; checks it (integrity_check). 0 or an error with a sentence. */
int disk_open(struct disk **disk, const char *path, uint64_t size_bytes,
              struct settings_fault *fault);
void disk_close(struct disk *disk);
const char *disk_id(const struct disk *disk);
struct counters *disk_counters(struct disk *disk);
/* Gives the spool a new random id, under which nobody has marked anything yet. In a transaction of its own. */
int disk_renew(struct disk *disk);

int disk_begin(struct disk *disk);
int disk_commit(struct disk *disk);
void disk_rollback(struct disk *disk);

int disk_append(struct disk *disk, const struct disk_row *row);
int disk_delete(struct disk *disk, uint64_t first, uint64_t last);
/* The first row with number >= from: 1; none: 0; or an error. */
int disk_next(struct disk *disk, uint64_t from, struct disk_row *row);
/* Number and hash of the last row; 0 and zeros when there was never one. */
int disk_last(struct disk *disk, uint64_t *n, uint8_t hash[CHAIN_BYTES]);
/* The last row ever numbered is remembered even when its row is gone. */
int disk_put_last(struct disk *disk, uint64_t n, const uint8_t hash[CHAIN_BYTES]);
/* The newest rows, newest first, until each() returns false. */
int disk_recent(struct disk *disk, bool (*each)(void *user, const struct disk_row *row),
                void *user);

int disk_put_mark(struct disk *disk, const struct disk_mark *mark);
int disk_marks(struct disk *disk, void (*each)(void *user, const struct disk_mark *mark),
               void *user);
int disk_put_boot(struct disk *disk, const struct disk_boot *boot);
/* 1, 0 (not known) or an error. */
int disk_boot(struct disk *disk, const char *boot, struct disk_boot *found);

/* Bytes that rows and the rest take up (0 or an error), and how many there may be. */
int disk_used_bytes(struct disk *disk, uint64_t *bytes);
uint64_t disk_size_bytes(const struct disk *disk);

#endif
