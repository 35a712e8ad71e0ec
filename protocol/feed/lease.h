/*
 * Who speaks to a station, and with which counters down. The collector leases each unit to one gateway for a
 * while, with a block of frame counters; both are retained, one topic a unit. A gateway says what it holds.
 *
 * A counter down is never used twice: a gateway uses only counters of a block that was leased to this run of it (a
 * restart makes a new run, so what a run had begun to use no later one goes on with), that lies
 * above everything it has ever seen leased or used itself, and that it has written to its disk as gone before
 * it sends the first frame. Blocks only go up; a collector leases above what its own store, the retained leases
 * and all that gateways hold say is gone.
 */
#ifndef EDGEROW_FEED_LEASE_H
#define EDGEROW_FEED_LEASE_H

#include "protocol/feed/row.h"
#include "protocol/feed/topic.h"

/* The latest term counts; one without a gateway ends the one before. */
struct feed_lease {
    uint32_t devaddr, key_check;
    uint64_t term;                   /* of this unit, one more for each change; 1 at least */
    char gateway[FEED_NAME_MAX + 1]; /* empty: nobody */
    char run[FEED_ID_SIZE];          /* of that gateway, as its health says; zeros: nobody's */
    uint32_t first, count; /* block of counters; count 0: none, all below first are gone */
    int64_t until_ms;      /* after that nobody speaks by this lease */
};

/* What a gateway has taken in of a unit's leases. */
struct feed_held {
    uint32_t devaddr, key_check;
    int64_t at_ms;
    uint64_t term; /* the latest it has obeyed; 0: none */
    bool speaking; /* it answers this unit now */
    uint64_t next; /* every counter below is gone, as far as this gateway knows */
    uint64_t left; /* counters of its block that are left */
    uint64_t order,
        order_sent; /* number of the order it has for the unit (0: none), and how often it
                                   has sent it in this run */
};

int feed_lease_encode(const struct feed_lease *lease, char *text, size_t capacity, size_t *len);
int feed_lease_decode(const char *text, size_t len, struct feed_lease *lease,
                      struct feed_fault *fault);
int feed_held_encode(const struct feed_held *held, char *text, size_t capacity, size_t *len);
int feed_held_decode(const char *text, size_t len, struct feed_held *held,
                     struct feed_fault *fault);

#endif
