/*
 * The units this gateway has keys for, and where each one's frame counter stands. A table never
 * moves its units once made: an expanded key may point into itself.
 */
#ifndef EDGEROW_VERIFY_UNIT_H
#define EDGEROW_VERIFY_UNIT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/air/keys.h"

enum { VERIFY_RECENT = 16, VERIFY_UNITS_MAX = 20000 };

/* One accepted frame: the MIC stands for its bytes. */
struct verify_heard {
    uint32_t fcnt;
    uint32_t mic;
    int64_t at_us; /* event time of its first hearing */
};

/* Where the counter of one key pair stands. */
struct verify_counter {
    bool known;
    uint32_t highest; /* full counter of the highest frame accepted */
    int64_t highest_at_us;
    uint8_t recent_count, recent_next;
    struct verify_heard recent[VERIFY_RECENT];
};

struct verify_unit {
    uint32_t devaddr;
    struct air_keys keys;
    struct verify_counter counter;
};

/* What the key file says of one unit. */
struct verify_secret {
    uint32_t devaddr;
    unsigned line; /* of the file, for messages */
    uint8_t nwk_skey[16], app_skey[16];
};

struct verify_table;

/* secrets: sorted by DevAddr without duplicates. 0 or -ENOMEM. */
int verify_table_new(const struct verify_secret *secrets, size_t count,
                     struct verify_table **table);
void verify_table_free(struct verify_table *table);

size_t verify_table_count(const struct verify_table *table);
struct verify_unit *verify_table_at(struct verify_table *table, size_t index);
struct verify_unit *verify_table_find(struct verify_table *table, uint32_t devaddr);
/* Takes over the counters of units whose keys have not changed. */
void verify_table_inherit(struct verify_table *table, struct verify_table *from);

/* Notes an accepted frame. A lower counter than the highest (a late frame) does not move the
 * highest. */
void verify_counter_note(struct verify_counter *counter, const struct verify_heard *heard);
/* The accepted frame with this counter, when it is among the recent ones. */
const struct verify_heard *verify_counter_recent(const struct verify_counter *counter,
                                                 uint32_t fcnt);

#endif
