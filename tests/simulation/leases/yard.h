/*
 * Stations, gateways that answer them, a broker and a collector that leases, in simulated time: the product's own
 * lease table, store, spool and answers; messages, disks and clocks are simulated. Whatever is killed, cut off,
 * restored or emptied, the ledger knows who answered which frame with which counter. Shares no code with what it
 * checks.
 */
#ifndef EDGEROW_SIMULATION_LEASES_YARD_H
#define EDGEROW_SIMULATION_LEASES_YARD_H

#include "collector/lease/table.h"
#include "collector/store/database.h"
#include "gateway/answer/answer.h"
#include "gateway/spool/spool.h"
#include "tests/simulation/chance.h"
#include "tests/simulation/medium.h"

enum {
    YARD_GATEWAYS = 3,
    YARD_UNITS = 4,
    YARD_OFFICE = 4 /* its machine; the gateways' are 1 to 3 */
};

enum yard_kind { YARD_LEASE, YARD_HELD, YARD_HEALTH, YARD_HEARD, YARD_FRAME };

struct yard_event {
    int64_t at_ms;
    uint64_t order;
    enum yard_kind kind;
    unsigned who; /* gateway; YARD_GATEWAYS: the office */
    unsigned from, unit;
    uint64_t link;  /* of whose connection, or start, it is */
    int64_t end_ms; /* of a frame */
    uint32_t fcnt;
    size_t frame; /* which, in the ledger of truth */
    char run[FEED_ID_SIZE];
    bool may;
    int64_t stamp_s;
    struct feed_lease lease;
    struct feed_held held;
};

/* One end of the broker. */
struct yard_link {
    bool up, cut;
    uint64_t number;
    int64_t last_ms; /* messages keep their order */
};

struct yard_gateway {
    bool running, synchronised;
    uint64_t starts;
    char name[8], run[FEED_ID_SIZE];
    int64_t off_ms; /* of its clock, while it is synchronised; far more while not */
    int64_t wrong_ms;
    struct yard_link link;
    struct spool *spool;
    struct speech *speech;
    struct answer answer;
    struct medium_copy *copy;
};

struct yard_office {
    bool running, synchronised;
    uint64_t starts;
    int64_t off_ms, believed_ms; /* when its clock will be right */
    struct yard_link link;
    struct database database;
    struct lease_table *table;
    struct medium_copy *copy;
    bool dies_unsaid; /* between the writing of leases and their saying */
};

struct yard_frame {
    unsigned unit;
    int64_t end_ms;
    int by; /* gateway that answered; -1: none */
    bool everyone_heard;
};

struct yard {
    struct chance chance;
    int64_t now_ms;
    struct verify_table *table;
    struct yard_gateway gateways[YARD_GATEWAYS];
    struct yard_office office;
    bool has_lease[YARD_UNITS], has_held[YARD_GATEWAYS][YARD_UNITS], has_health[YARD_GATEWAYS];
    struct feed_lease leases[YARD_UNITS]; /* retained */
    struct feed_held held[YARD_GATEWAYS][YARD_UNITS];
    struct yard_event health[YARD_GATEWAYS];
    struct yard_event *events;
    size_t event_count;
    uint64_t order;
    double density; /* frames of a station in a minute */
    int strength_cdbm[YARD_GATEWAYS][YARD_UNITS];
    /* the ledger of truth */
    struct yard_frame *frames;
    size_t frame_count;
    uint8_t *used[YARD_UNITS]; /* by counter: the gateway, from 1 */
    bool counts_counters;      /* a counter used twice is a failure */
    uint64_t answered, happened;
    uint32_t next_fcnt[YARD_UNITS];
    char failure[300];
};

enum { YARD_COUNTERS = 1 << 22, YARD_FRAMES = 1 << 20, YARD_EVENTS = 8192 };

void yard_begin(struct yard *yard, uint64_t seed);
void yard_end(struct yard *yard);
/* Five minutes: each station sends up to one frame a minute. miss: of the gateways that do not hear it. */
void yard_play(struct yard *yard, double miss);

/* What may happen. */
void yard_kill(struct yard *yard, unsigned gateway);
void yard_start(struct yard *yard, unsigned gateway);
void yard_cut(struct yard *yard, unsigned gateway, bool cut);
void yard_kill_office(struct yard *yard);
void yard_start_office(struct yard *yard);
void yard_cut_office(struct yard *yard, bool cut);
void yard_empty_broker(struct yard *yard);

#endif
