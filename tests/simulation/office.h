/* A collector: the real ingest, store, judging and delivery on a simulated machine. */
#ifndef EDGEROW_SIMULATION_OFFICE_H
#define EDGEROW_SIMULATION_OFFICE_H

#include "collector/delivery/delivery.h"
#include "collector/ingest/ingest.h"
#include "collector/judging.h"
#include "tests/simulation/broker.h"
#include "tests/simulation/chance.h"
#include "tests/simulation/medium.h"

struct world;
struct event;

/* A message that was owed: its outbox row was committed. */
struct owed {
    int64_t notice, revision, opened_s;
    char delivery[33];
    uint64_t bytes;         /* fingerprint */
    bool delivered, needed; /* needed: the store that owed it is still the same */
};

struct office {
    unsigned index;
    char path[32];
    bool running;
    uint64_t life;
    struct chance chance;
    struct site_settings site;
    const struct roster *roster;
    struct store *store;
    struct ingest *ingest;
    struct judging *judging;
    struct delivery *delivery;
    int64_t offset_us, sync_at_us;
    bool connected, batch_arranged, failed_batch;
    size_t taken; /* messages since the last acknowledgement */
    int64_t tidied_us, mail_us;
    /* the oracle's */
    struct owed *owed;
    size_t owed_count, owed_capacity;
    uint64_t accepted, missing;
    bool gaps;      /* rows were thinned or lost: a plain run has others */
    bool was_wrong; /* its clock once was */
    struct medium_copy *copy;
    size_t most_held;
};

/* The settings of the simulated site. */
void office_site(struct site_settings *site);
void office_open(struct world *world, struct office *office, unsigned index);
void office_close(struct office *office);
void office_start(struct world *world, struct office *office);
void office_kill(struct world *world, struct office *office, int64_t away_us);
void office_power_cut(struct world *world, struct office *office, int64_t away_us);
void office_lose_store(struct world *world, struct office *office, bool put_back);
void office_change_roster(struct world *world, struct office *office);

void office_take(struct world *world, struct office *office, const struct message *message);
void office_connected(struct world *world, struct office *office);
void office_disconnected(struct world *world, struct office *office);

int64_t office_now_s(const struct world *world, const struct office *office);
bool office_is_synchronised(const struct world *world, const struct office *office);

/* post.c: the mail server, in the place of smtp.c. */
void post_begin(struct world *world, struct office *office);
/* Sees what is owed now. */
void post_look(struct world *world, struct office *office);

#endif
