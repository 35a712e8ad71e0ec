/* A gateway: the real core on a simulated machine with a disk, a clock and a connection. */
#ifndef EDGEROW_SIMULATION_BARN_H
#define EDGEROW_SIMULATION_BARN_H

#include "gateway/hearing.h"
#include "gateway/publish/courier.h"
#include "gateway/settings.h"
#include "tests/simulation/broker.h"
#include "tests/simulation/medium.h"

struct world;
struct event;

/* A frame that was accepted and whose commit is still to come. */
struct pending {
    unsigned station;
    uint32_t fcnt;
    bool dated;
};

/* A row that was published. */
struct published_row {
    uint64_t hash; /* part of it; 0: not yet */
    uint32_t fcnt;
    int station; /* -1: no frame */
    char *text;  /* kept only where a plain run is compared */
};

/* All that was ever published under one spool id, by number. */
struct published {
    char id[FEED_ID_SIZE];
    struct published_row *rows;
    uint64_t count;
};

struct barn {
    unsigned index;
    char name[8];
    struct gateway_collectors names;
    bool running;
    uint64_t life; /* number of the present process */
    struct chance chance;
    struct spool *spool;
    struct hearing hearing;
    struct courier courier;
    /* the machine */
    int64_t offset_us, booted_us, sync_at_us;
    bool settled; /* the spool has been told that the clock is right */
    char boot[FEED_ID_SIZE];
    /* the process */
    bool commit_arranged, connected, pump_arranged;
    int commit_error;
    unsigned in_flight;
    int64_t patience_us;
    struct pending *pending;
    size_t pending_count, pending_capacity;
    bool overflowed;
    uint64_t given_up, oldest;
    /* the oracle's */
    struct published *published;
    size_t published_count;
    bool
        numbers_reused; /* an old copy was put back: numbers may come twice until the spool has a new id */
    bool reused_once;
    struct medium_copy *copy;
    size_t most_waiting;
};

void barn_open(struct world *world, struct barn *barn, unsigned index);
void barn_close(struct barn *barn);
void barn_start(struct world *world, struct barn *barn);
/* The process dies; it is started again after a while. */
void barn_kill(struct world *world, struct barn *barn, int64_t away_us);
void barn_power_cut(struct world *world, struct barn *barn, int64_t away_us);
/* The spool is deleted, or an old copy of it put back, while nothing runs. */
void barn_lose_spool(struct world *world, struct barn *barn, bool put_back);

void barns_hear(struct world *world, unsigned station, size_t sent);
void barn_take(struct world *world, struct barn *barn, const struct message *message);
void barn_acknowledged(struct world *world, struct barn *barn);
void barn_connected(struct world *world, struct barn *barn);
void barn_disconnected(struct world *world, struct barn *barn);

#endif
