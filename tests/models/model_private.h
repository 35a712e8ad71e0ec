/* What the two families share: the air, the lines, the tally. */
#ifndef EDGEROW_MODEL_PRIVATE_H
#define EDGEROW_MODEL_PRIVATE_H

#include "tests/models/model.h"

enum model_phase { PHASE_NONE, PHASE_PREAMBLE, PHASE_HEADER, PHASE_PAYLOAD };

struct model_ops {
    void (*reset)(struct model *model, int64_t now_ns);
    void (*transfer)(struct model *model, int64_t now_ns, const uint8_t *out, uint8_t *in,
                     size_t len);
    /* The chip's own timers (calibration, transmission, start-up) that end at or before now. */
    void (*settle)(struct model *model, int64_t now_ns);
    int64_t (*next_ns)(const struct model *model);
    bool (*listens_to)(const struct model *model, const struct model_packet *packet);
    void (*header)(struct model *model, int64_t now_ns, const struct model_packet *packet);
    void (*packet)(struct model *model, int64_t now_ns, const struct model_packet *packet);
    bool (*interrupt)(const struct model *model);
    bool (*received)(const struct model *model); /* RxDone is set */
    bool (*busy)(const struct model *model);
    bool (*receiving)(const struct model *model, struct model_packet *settings);
    uint8_t *(*reg)(struct model *model, uint16_t address);
    int64_t (*done_delay_ns)(const struct model_packet *packet);
};

struct model {
    const struct model_ops *ops;
    enum model_kind kind;
    struct model_events events;
    int64_t now_ns;
    unsigned faults;
    bool driven[MODEL_LINES];
    bool line; /* level of the interrupt line as last reported */
    struct model_packet queue[MODEL_QUEUE];
    size_t queued;
    enum model_phase phase; /* of queue[0] */
    int64_t listening_ns;   /* since when the receiver is ready; INT64_MAX: it is not */
    int64_t storm_ns;
    enum model_strike strike;
    struct model_packet second;
    uint16_t tcxo_mv;
    enum model_switch antenna;
    bool good; /* the packet last put into the buffer */
    struct model_tally tally;
};

/* Reports an edge when the interrupt line rose. */
void model_line_changed(struct model *model, int64_t now_ns);
int64_t model_symbol_ns(const struct model_packet *packet);
int64_t model_header_ns(const struct model_packet *packet);
/* The second frame arrives at once if it was planned for this point. */
void model_strike_now(struct model *model, enum model_strike point, int64_t now_ns);

/* Is the antenna connected to the transmitter (or the receiver)? dio2: the chip drives the switch.
 */
bool model_antenna(const struct model *model, bool transmitting, bool dio2);

extern const struct model_ops model_sx127x;
extern const struct model_ops model_sx126x;
struct model *model_sx127x_new(void);
struct model *model_sx126x_new(void);

#endif
