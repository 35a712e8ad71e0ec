#include "gateway/spool/anew.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>

#include "common/log.h"
#include "gateway/spool/counters.h"
#include "gateway/spool/disk.h"
#include "gateway/spool/record.h"
#include "gateway/spool/sql.h"

struct names {
    char fresh[PATH_MAX], aside[PATH_MAX], wal[PATH_MAX], fresh_wal[PATH_MAX], aside_wal[PATH_MAX];
};

/* False: too long. The longest holds all others. */
static bool name(const char *path, int64_t now_s, struct names *names)
{
    int len = snprintf(names->aside_wal, PATH_MAX, "%s.damaged-%lld-wal", path, (long long)now_s);
    snprintf(names->aside, PATH_MAX, "%s.damaged-%lld", path, (long long)now_s);
    snprintf(names->wal, PATH_MAX, "%s-wal", path);
    snprintf(names->fresh, PATH_MAX, "%s.new", path);
    snprintf(names->fresh_wal, PATH_MAX, "%s.new-wal", path);
    return len < PATH_MAX;
}

/* The damaged file's log must not stay: it would be taken for the new one's. */
static void put_in_place(const char *path, const struct names *names)
{
    (void)rename(names->wal, names->aside_wal); /* there may be none */
    (void)rename(names->fresh_wal, names->wal);
    (void)rename(names->fresh, path);
}

void anew_finish(const char *path, int64_t now_s)
{
    struct names names;
    if (name(path, now_s, &names) && !sql_file_exists(path) && sql_file_exists(names.fresh))
        put_in_place(path, &names);
}

/* The first row says what happened, so that whoever looks after the gateway learns of it. */
static int put_loss(struct disk *disk, int64_t now_s)
{
    const struct record loss = {
        .kind = FEED_ROW_LOSS, .loss = {.first = 1, .last = 1, .count = 1, .why = FEED_LOSS_SPOOL}};
    uint8_t bytes[RECORD_MAX];
    struct disk_row row = {.n = 1, .at_s = now_s, .body = bytes};
    record_pack(&loss, bytes, &row.len);
    chain_extend(row.hash, bytes, row.len);
    int error = disk_append(disk, &row);
    return error == 0 ? disk_put_last(disk, row.n, row.hash) : error;
}

/* The new file, closed, with what could be read of the damaged one. */
static int make_fresh(const char *path, const char *fresh, uint64_t size_bytes, int64_t now_s,
                      unsigned *saved, struct settings_fault *fault)
{
    struct disk *disk;
    int error = disk_open(&disk, fresh, size_bytes, fault);
    if (error != 0)
        return error;
    error = disk_begin(disk);
    if (error == 0)
        error = counters_salvage(disk_counters(disk), path, saved);
    if (error == 0)
        error = put_loss(disk, now_s);
    if (error == 0)
        error = disk_commit(disk);
    disk_close(disk);
    if (error != 0)
        settings_fault_set(fault,
                           "%s: the spool is damaged, and the counters in it cannot be saved: %s.",
                           path, strerror(-error));
    return error;
}

int anew_begin(const char *path, uint64_t size_bytes, int64_t now_s, struct settings_fault *fault)
{
    struct names names;
    unsigned saved = 0;
    if (!name(path, now_s, &names))
        return -ENAMETOOLONG;
    sql_file_delete(names.fresh);
    sql_file_delete(names.fresh_wal);
    int error = make_fresh(path, names.fresh, size_bytes, now_s, &saved, fault);
    if (error == 0 && rename(path, names.aside) != 0) {
        error = -errno;
        settings_fault_set(fault, "%s: the spool is damaged and cannot be moved to %s: %s.", path,
                           names.aside, strerror(-error));
    }
    if (error != 0)
        return error;
    put_in_place(path, &names);
    log_error(
        "%s: the spool is damaged. It was moved to %s and a new one begun; frame counters of %u "
        "units were saved. What the collectors had not stored is only in that file: keep it. A "
        "memory card that does this once should be replaced.",
        path, names.aside, saved);
    return 0;
}
