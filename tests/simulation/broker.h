/*
 * A broker that loses what a real one may lose: a full queue drops silently, a kill loses what was not yet saved.
 * And the network to it: each client's connection carries messages with delay, may end at any moment with all that
 * is on its way, and may be away for days.
 */
#ifndef EDGEROW_SIMULATION_BROKER_H
#define EDGEROW_SIMULATION_BROKER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "protocol/feed/row.h"
#include "tests/simulation/plan.h"

struct world;
struct event;

enum message_kind { MESSAGE_ROW, MESSAGE_MARK, MESSAGE_HEALTH };

struct message {
    unsigned users;
    enum message_kind kind;
    unsigned gateway, collector; /* whose row or health; whose mark, for whom */
    bool retained;
    uint64_t last_n; /* health: what the spool holds */
    char spool[FEED_ID_SIZE];
    size_t len;
    char text[];
};

enum { BROKER_CLIENTS = PLAN_GATEWAYS + PLAN_COLLECTORS };

struct client {
    bool running, connected, trying;
    uint64_t connection; /* number of the present one */
    int64_t up_us, down_us, cut_until_us;
    struct message **queue; /* for it, at the broker */
    size_t count, capacity, on_way;
};

struct broker {
    bool running;
    struct client clients[BROKER_CLIENTS];
    struct message *marks[PLAN_GATEWAYS][PLAN_COLLECTORS], *saved[PLAN_GATEWAYS][PLAN_COLLECTORS];
    size_t longest;
};

void broker_open(struct world *world);
void broker_close(struct world *world);
/* An event that will not run: the message it carries is let go. */
void broker_let_go(const struct event *event);

struct message *message_new(enum message_kind kind, const char *text, size_t len);
void message_release(struct message *message);

/* A machine's process runs and wants a connection, or has ended. */
void client_start(struct world *world, unsigned client);
void client_stop(struct world *world, unsigned client);
/* The connection breaks, from whichever side; the client comes back by itself. */
void client_break(struct world *world, unsigned client);
/* On its way to the broker. Takes over one use of the message. */
void client_publish(struct world *world, unsigned client, struct message *message);
/* The client has dealt with the first so many of its queue. */
void client_acknowledge(struct world *world, unsigned client, size_t count);

/* Ends the broker; it comes back after a while. */
void broker_kill(struct world *world, int64_t away_us);

#endif
