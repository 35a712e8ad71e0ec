/*
 * Orders to stations, in the store: given by the operator's command beside a running collector, published by the
 * collector until the station's own report answers them. One at a time for a unit.
 */
#ifndef EDGEROW_ORDER_H
#define EDGEROW_ORDER_H

#include <sqlite3.h>
#include <stdbool.h>

#include "protocol/air/report.h"
#include "protocol/feed/order.h"

enum order_state {
    ORDER_WAITING,  /* until the unit's next report tells which sequence comes next */
    ORDER_SENT,     /* with the gateways: sent again until the station answers */
    ORDER_DONE,     /* answered: done */
    ORDER_REFUSED,  /* answered: outside what the station can or may do; it changed nothing */
    ORDER_UNKNOWN,  /* answered: the station does not understand it */
    ORDER_EXPIRED,  /* not answered in time */
    ORDER_CANCELLED /* taken back by the operator */
};

struct order {
    struct feed_order order;
    char trap[33];
    enum order_state state;
    int64_t made_s, sent_s, answered_s; /* sent_s: when it went to the gateways */
    uint64_t sent;                      /* times on the air, as the gateway says */
};

/* Makes the table when it is missing. 0 or a negative errno, here and below. */
int order_open(sqlite3 *db);
/* Whether the table is there: a connection that only reads cannot make it. */
bool order_is_there(sqlite3 *db);
/* Writes a new order, with the next number; -EEXIST when one of this unit is not over. */
int order_give(sqlite3 *db, const char *trap, uint32_t devaddr, const struct air_order *order,
               int64_t now_s, int64_t until_s, uint64_t *number);
/* Takes back what is not over; -ENOENT: there is none. */
int order_cancel(sqlite3 *db, uint32_t devaddr, int64_t now_s, struct order *cancelled);
/* The latest order of the unit: 0, or -ENOENT. */
int order_latest(sqlite3 *db, uint32_t devaddr, struct order *order);
/* Calls each for every order that is not over, and for those that ended since_s or later. */
int order_each(sqlite3 *db, int64_t since_s, void (*each)(void *user, const struct order *order),
               void *user);
int order_set(sqlite3 *db, const struct order *order);

bool order_is_over(enum order_state state);
/* For people: "interval 30 min". */
void order_text(const struct air_order *order, char *text, size_t size);
/* "waiting", "sent", "done", "refused", "unknown_order", "expired", "cancelled": for programs. */
const char *order_state_word(enum order_state state);
/* "waits for the station's next report", "confirmed", … */
const char *order_state_text(enum order_state state);

/* What a report says of an outstanding order: true when it answers it, and then *state is set. Pure. */
bool order_answered(const struct order *order, const struct air_report *report, int64_t heard_s,
                    enum order_state *state);

#endif
