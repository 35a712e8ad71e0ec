#include "tests/models/virtual.h"

#include <string.h>

/* At 8 MHz a byte takes a microsecond; the call itself about fifteen. Reading a line about two. */
enum { TRANSFER_NS = 15000, BYTE_NS = 1000, LINE_NS = 2000, EDGE_NS = 1000 };

static void pass(struct virtual_bus *v, int64_t ns)
{
    v->now_ns += ns;
    model_advance(v->model, v->now_ns);
}

static int transfer(void *self, const uint8_t *out, uint8_t *in, size_t len)
{
    struct virtual_bus *v = self;

    if (v->slept && v->stall_ns) {
        pass(v, v->stall_ns);
        v->stall_ns = 0;
    }
    v->slept = false;
    pass(v, TRANSFER_NS + BYTE_NS * (int64_t)len);
    if (v->fail_transfer)
        return v->fail_transfer;
    model_transfer(v->model, v->now_ns, out, in, len);
    return 0;
}

static enum model_line model_line(enum bus_line line)
{
    static const enum model_line map[BUS_LINES] = {
        [BUS_INTERRUPT] = MODEL_DIO0, [BUS_BUSY] = MODEL_BUSY,     [BUS_RESET] = MODEL_NRESET,
        [BUS_RECEIVE] = MODEL_RXEN,   [BUS_TRANSMIT] = MODEL_TXEN,
    };

    return map[line];
}

static int line_set(void *self, enum bus_line line, bool high)
{
    struct virtual_bus *v = self;

    pass(v, LINE_NS);
    model_drive(v->model, v->now_ns, model_line(line), high);
    return 0;
}

static int line_get(void *self, enum bus_line line)
{
    struct virtual_bus *v = self;

    pass(v, LINE_NS);
    if (v->line_gone)
        return -19; /* ENODEV */
    return model_level(v->model, v->now_ns, model_line(line));
}

static int edge_take(void *self, int64_t *at_us)
{
    struct virtual_bus *v = self;

    pass(v, EDGE_NS);
    if (v->edge_count == 0)
        return 0;
    if (v->edges_unseen > 0) {
        v->edges_unseen--;
        return 0;
    }
    *at_us = v->edges[0] / 1000;
    v->edge_count--;
    memmove(v->edges, v->edges + 1, v->edge_count * sizeof v->edges[0]);
    return 1;
}

static int descriptor(const void *self)
{
    (void)self;
    return -1;
}

static int64_t now_us(void *self)
{
    return ((struct virtual_bus *)self)->now_ns / 1000;
}

static void sleep_until(void *self, int64_t at_us)
{
    struct virtual_bus *v = self;
    int64_t ns = at_us * 1000 - v->now_ns;

    if (ns > 0)
        pass(v, ns);
    pass(v, v->oversleep_ns);
    v->oversleep_ns = 0;
    v->slept = true;
}

static void on_edge(void *user, int64_t at_ns)
{
    struct virtual_bus *v = user;

    if (v->edge_count < VIRTUAL_EDGES)
        v->edges[v->edge_count++] = at_ns;
}

static void on_sent(void *user, const struct model_packet *packet)
{
    struct virtual_bus *v = user;

    if (v->sent_count < VIRTUAL_SENT)
        v->sent[v->sent_count++] = *packet;
}

static const struct bus_ops virtual_ops = {
    .transfer = transfer,
    .line_set = line_set,
    .line_get = line_get,
    .edge_take = edge_take,
    .descriptor = descriptor,
    .now_us = now_us,
    .sleep_until = sleep_until,
};

void virtual_open(struct virtual_bus *v, enum model_kind kind, struct bus *bus)
{
    struct model_events events = {.user = v, .edge = on_edge, .sent = on_sent};

    memset(v, 0, sizeof *v);
    v->now_ns = 1000000000;
    v->model = model_new(kind, &events);
    *bus = (struct bus){.ops = &virtual_ops, .self = v};
    for (int line = 0; line < BUS_LINES; line++)
        bus->has[line] = true;
}

void virtual_close(struct virtual_bus *v)
{
    model_free(v->model);
}

/* Sleeps as poll() does: until an edge, the time-out, or the end. */
static void wait(struct virtual_bus *v, int64_t until_ns)
{
    while (v->edge_count == 0 && v->now_ns < until_ns) {
        int64_t next = model_next_ns(v->model);

        if (next > until_ns)
            next = until_ns;
        pass(v, next > v->now_ns ? next - v->now_ns : 1);
    }
    if (v->edge_count > 0)
        pass(v, v->wake_ns);
}

void virtual_run(struct virtual_bus *v, struct transceiver *t, int64_t until_ns)
{
    while (v->now_ns < until_ns) {
        int64_t now = v->now_ns / 1000;
        int64_t timeout_us = transceiver_timeout_us(t, now);
        int64_t wake_ns = v->now_ns + timeout_us * 1000;

        wait(v, wake_ns < until_ns ? wake_ns : until_ns);
        if (v->now_ns >= until_ns)
            return;
        transceiver_service(t);
    }
}
