#include "gateway/publish/flow.h"

#include <assert.h>

static bool is_waiting(const struct flow_peer *peer)
{
    return peer->next > peer->mark + 1;
}

static void go_back(struct flow_peer *peer)
{
    peer->next = peer->mark + 1;
}

void flow_start(struct flow *flow, unsigned peer_count, uint64_t window)
{
    assert(peer_count <= FLOW_PEERS_MAX && window > 0);
    *flow = (struct flow){.peer_count = peer_count, .window = window};
    for (unsigned i = 0; i < peer_count; i++)
        flow_set(flow, i, 0);
}

void flow_set(struct flow *flow, unsigned peer, uint64_t mark)
{
    assert(peer < flow->peer_count);
    flow->peers[peer] = (struct flow_peer){.mark = mark, .patience_us = FLOW_PATIENCE_US};
    go_back(&flow->peers[peer]);
}

void flow_connected(struct flow *flow)
{
    for (unsigned i = 0; i < flow->peer_count; i++) {
        go_back(&flow->peers[i]);
        flow->peers[i].patience_us = FLOW_PATIENCE_US;
    }
}

void flow_marked(struct flow *flow, unsigned peer, uint64_t mark, int64_t now_us)
{
    assert(peer < flow->peer_count);
    struct flow_peer *p = &flow->peers[peer];
    bool nudge = mark == p->mark;
    if (nudge && p->nudged)
        return;
    if (nudge || mark < p->mark || p->next <= mark)
        p->next = mark + 1;
    p->nudged = nudge;
    p->mark = mark;
    p->since_us = now_us;
    p->patience_us = FLOW_PATIENCE_US;
}

static bool may_send(const struct flow *flow, const struct flow_peer *peer, uint64_t last)
{
    return peer->next <= last && peer->next <= peer->mark + flow->window;
}

uint64_t flow_next(const struct flow *flow, uint64_t last)
{
    uint64_t lowest = 0;
    for (unsigned i = 0; i < flow->peer_count; i++) {
        const struct flow_peer *peer = &flow->peers[i];
        if (may_send(flow, peer, last) && (lowest == 0 || peer->next < lowest))
            lowest = peer->next;
    }
    return lowest;
}

void flow_sent(struct flow *flow, uint64_t wanted, uint64_t n, int64_t now_us)
{
    for (unsigned i = 0; i < flow->peer_count; i++) {
        struct flow_peer *peer = &flow->peers[i];
        if (peer->next < wanted || peer->next > n)
            continue;
        if (!is_waiting(peer))
            peer->since_us = now_us;
        peer->next = n + 1;
    }
}

int64_t flow_due_us(const struct flow *flow)
{
    int64_t due = INT64_MAX;
    for (unsigned i = 0; i < flow->peer_count; i++) {
        const struct flow_peer *peer = &flow->peers[i];
        if (is_waiting(peer) && peer->since_us + peer->patience_us < due)
            due = peer->since_us + peer->patience_us;
    }
    return due;
}

void flow_tick(struct flow *flow, int64_t now_us)
{
    for (unsigned i = 0; i < flow->peer_count; i++) {
        struct flow_peer *peer = &flow->peers[i];
        if (!is_waiting(peer) || now_us < peer->since_us + peer->patience_us)
            continue;
        go_back(peer);
        peer->patience_us *= 2;
        if (peer->patience_us > FLOW_PATIENCE_MAX_US)
            peer->patience_us = FLOW_PATIENCE_MAX_US;
    }
}
