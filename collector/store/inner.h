/* The store from inside its room. */
#ifndef EDGEROW_STORE_INNER_H
#define EDGEROW_STORE_INNER_H

#include "collector/store/database.h"
#include "collector/store/store.h"
#include "collector/store/sums.h"
#include "collector/store/unit.h"

enum store_statement {
    ADD_REPORT,
    MOVE_REPORT,
    ADD_HEARD,
    COPIES_OF,
    ADD_CONFLICT,
    PUT_BOOT,
    UNSURE_OF_BOOT,
    PUT_SPOOL,
    ADD_LOSS,
    ADD_QUARANTINE,
    DROP_QUARANTINE,
    STATEMENTS
};

struct store_boot {
    char gateway[33], boot[FEED_ID_SIZE];
    int64_t offset_ms;
};

struct store {
    struct database database;
    const struct zone *zone;
    const struct roster *roster;
    struct units units;
    struct sums sums;
    sqlite3_stmt *statements[STATEMENTS];
    struct store_boot *boots;
    size_t boot_count;
    int64_t now_s;
    bool in_batch;
};

#endif
