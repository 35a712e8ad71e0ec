/*
 * Which row is to be published next: pure. Each collector has a position of its own. For none are more than `window`
 * numbers beyond its mark published; one that keeps step with a faster collector gets what is published for that one
 * too. A mark that does not move within its patience makes the gateway go back to the mark and publish again. Patience
 * doubles up to FLOW_PATIENCE_MAX_US while nothing moves, so that a dead collector costs next to nothing and never holds
 * up the others. Times are transport time.
 */
#ifndef EDGEROW_PUBLISH_FLOW_H
#define EDGEROW_PUBLISH_FLOW_H

#include <stdbool.h>
#include <stdint.h>

enum { FLOW_PEERS_MAX = 4 };

#define FLOW_PATIENCE_US     INT64_C(10000000)
#define FLOW_PATIENCE_MAX_US INT64_C(640000000)

struct flow_peer {
    uint64_t mark;    /* stored by this collector */
    uint64_t next;    /* to be published for it */
    int64_t since_us; /* when it last moved, or the first row beyond it was published */
    int64_t patience_us;
    bool nudged; /* went back once for a mark that had not moved */
};

struct flow {
    unsigned peer_count;
    uint64_t window;
    struct flow_peer peers[FLOW_PEERS_MAX];
};

void flow_start(struct flow *flow, unsigned peer_count, uint64_t window);
/* What this collector has marked, at the start or when the spool has a new id. */
void flow_set(struct flow *flow, unsigned peer, uint64_t mark);
/* The connection began: what was on its way may be lost. */
void flow_connected(struct flow *flow);
/* A mark has come. One that has not moved means "go on from here", and is taken so once: a
 * collector that answers every repeat with its mark would otherwise keep us repeating. */
void flow_marked(struct flow *flow, unsigned peer, uint64_t mark, int64_t now_us);
/* The lowest number that may be published now, given the last committed one; 0: none. */
uint64_t flow_next(const struct flow *flow, uint64_t last);
/* The row asked for as `wanted` was published; it has number n >= wanted. */
void flow_sent(struct flow *flow, uint64_t wanted, uint64_t n, int64_t now_us);
/* When a collector's patience ends, or INT64_MAX; flow_tick() then goes back. */
int64_t flow_due_us(const struct flow *flow);
void flow_tick(struct flow *flow, int64_t now_us);

#endif
