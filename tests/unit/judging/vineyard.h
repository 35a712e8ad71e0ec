/* A small pretend site for the tests of judging: a roster made by hand, stations that report every 15 minutes into a store
 * made from the schema, traps that lose bait by a law of their own. */
#ifndef VINEYARD_H
#define VINEYARD_H

#include <sqlite3.h>
#include <stdbool.h>

#include "collector/judging.h"

enum { VINEYARD_TRAPS_MAX = 1000 };

struct vineyard_trap {
    double level_mm, mm_day;
    uint32_t entries, exits, fcnt;
    uint8_t service_sequence, epoch;
    uint8_t flags;
    bool dead;    /* says nothing */
    bool pressed; /* the next report is a service report */
    double catch_day;
    int16_t battery_mv;
    const char *gateway;
    double loss; /* share of frames that are not heard */
};

struct vineyard {
    sqlite3 *db;
    struct site_settings site;
    struct roster roster;
    struct judging *judging;
    struct vineyard_trap traps[VINEYARD_TRAPS_MAX];
    size_t trap_count;
    int64_t now_s;
    uint64_t seed;
    bool gateway_away; /* nothing is heard */
    double deaf_share; /* of the time its radio says that it could not hear */
    uint64_t deaf_ms;
    bool store_only; /* do not tell judging */
    unsigned traps_said, blocks_said, notices_said;
    struct feed_notice_state last_notice;
};

/* blocks of traps_each traps; starts on 2026-08-03 00:00 UTC. events are counted. */
void vineyard_open(struct vineyard *v, size_t blocks, size_t traps_each);
void vineyard_close(struct vineyard *v);
/* One step of 15 minutes: loss, reports, health of the gateways. */
void vineyard_step(struct vineyard *v);
/* Steps and a judging run after each. */
void vineyard_live(struct vineyard *v, int64_t seconds);
/* Fills a trap; recorded: the button is pressed. */
void vineyard_fill(struct vineyard *v, size_t trap, double level_mm, bool recorded);
void vineyard_fill_all(struct vineyard *v);
/* Opens judging anew from the store. */
void vineyard_reopen(struct vineyard *v);
int64_t vineyard_count(struct vineyard *v, const char *sql);
/* Messages owed whose bytes hold these words (SQL LIKE). */
int64_t vineyard_mails(struct vineyard *v, const char *like);
struct judging_trap vineyard_trap_named(struct vineyard *v, const char *name);
double vineyard_uniform(struct vineyard *v);

#endif
