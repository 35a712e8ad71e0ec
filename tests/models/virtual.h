/* A bus with a model behind it and a clock that moves only by what the driver does: a transfer,
 * reading a line, sleeping. A test hour passes in a moment. */
#ifndef EDGEROW_MODEL_VIRTUAL_H
#define EDGEROW_MODEL_VIRTUAL_H

#include "gateway/radio/bus.h"
#include "gateway/radio/transceiver.h"
#include "tests/models/model.h"

enum { VIRTUAL_EDGES = 64, VIRTUAL_SENT = 64 };

struct virtual_bus {
    int64_t now_ns;
    struct model *model;
    int64_t edges[VIRTUAL_EDGES];
    size_t edge_count;
    struct model_packet sent[VIRTUAL_SENT]; /* what the chip sent, oldest first */
    size_t sent_count;
    unsigned edges_unseen; /* how often an edge that waits is not yet seen by edge_take() */
    int64_t oversleep_ns;  /* how much later than asked a sleep ends, once */
    int64_t stall_ns;      /* how long the transfer after the next sleep is held up, once */
    bool slept;
    int64_t wake_ns;   /* from an edge to the service, as on a machine with other work */
    int fail_transfer; /* a negative errno for every transfer; 0: none */
    bool line_gone;    /* lines cannot be read */
};

/* The bus is filled in; every line is connected. */
void virtual_open(struct virtual_bus *virtual, enum model_kind kind, struct bus *bus);
void virtual_close(struct virtual_bus *virtual);
/* Runs a transceiver as a thread would, until the given instant. */
void virtual_run(struct virtual_bus *virtual, struct transceiver *transceiver, int64_t until_ns);

#endif
