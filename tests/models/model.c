#include "tests/models/model_private.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

int64_t model_symbol_ns(const struct model_packet *packet)
{
    return (int64_t)(1000000000ULL * (1ULL << packet->spreading_factor) / packet->bandwidth_hz);
}

/* SX1276 datasheet section 4.1.1.7, in floating point as printed. */
static double payload_symbols(const struct model_packet *p)
{
    double symbol_ms = (double)model_symbol_ns(p) / 1e6;
    int low_rate = symbol_ms > 16.0 ? 1 : 0;
    int sf = p->spreading_factor;
    double blocks = ceil((8.0 * p->len - 4.0 * sf + 28 + (p->crc_present ? 16 : 0)) /
                         (4.0 * (sf - 2 * low_rate)));
    return 8 + fmax(blocks * (p->coding_rate + 4), 0);
}

int64_t model_packet_end_ns(const struct model_packet *p)
{
    double symbols = p->preamble + 4.25 + payload_symbols(p);
    return p->start_ns + (int64_t)llround(symbols * (double)model_symbol_ns(p));
}

/* The header is in the first eight symbols after preamble and sync word. */
int64_t model_header_ns(const struct model_packet *p)
{
    return p->start_ns + (int64_t)llround((p->preamble + 4.25 + 8) * (double)model_symbol_ns(p));
}

/* The receiver must be there for the last four preamble symbols. */
static int64_t preamble_ns(const struct model_packet *p)
{
    int symbols = p->preamble > 4 ? p->preamble - 4 : 0;
    return p->start_ns + symbols * model_symbol_ns(p);
}

static int64_t phase_ns(const struct model *model)
{
    const struct model_packet *p = &model->queue[0];

    switch (model->phase) {
    case PHASE_NONE:
        return preamble_ns(p);
    case PHASE_PREAMBLE:
        return model_header_ns(p);
    default:
        return model_packet_end_ns(p) + model->ops->done_delay_ns(p);
    }
}

static bool line_level(const struct model *model)
{
    if (model->faults & MODEL_LINE_DEAD)
        return false;
    return (model->faults & MODEL_LINE_STUCK) || model->ops->interrupt(model);
}

void model_line_changed(struct model *model, int64_t now_ns)
{
    bool level = line_level(model);
    bool rose = level && !model->line;

    model->line = level;
    if (!rose)
        return;
    if (model->faults & MODEL_EDGE_LOST) {
        model->faults &= ~(unsigned)MODEL_EDGE_LOST;
        return;
    }
    if (model->events.edge)
        model->events.edge(model->events.user, now_ns);
}

static void drop_first(struct model *model)
{
    model->queued--;
    memmove(&model->queue[0], &model->queue[1], model->queued * sizeof model->queue[0]);
    model->phase = PHASE_NONE;
}

static void lose_first(struct model *model)
{
    model->tally.unheard++;
    drop_first(model);
}

/* Another packet is complete: was the one before it left unread? */
static void note_unread(struct model *model, bool good)
{
    if (model->good && model->ops->received(model))
        model->tally.overwritten++;
    model->good = good;
}

static void finish(struct model *model, int64_t at_ns)
{
    struct model_packet p = model->queue[0];

    drop_first(model);
    note_unread(model, p.crc_present && !p.crc_bad);
    if (!p.crc_present)
        model->tally.without_crc++;
    else if (p.crc_bad)
        model->tally.crc_errors++;
    else
        model->tally.delivered++;
    model->ops->packet(model, at_ns, &p);
    model_line_changed(model, at_ns);
}

/* One step in the life of the packet at the head of the queue. */
static void step(struct model *model, int64_t at_ns)
{
    const struct model_packet *p = &model->queue[0];
    bool heard = model->listening_ns <= preamble_ns(p) && model->ops->listens_to(model, p);

    if (!heard) {
        lose_first(model);
        return;
    }
    if (model->phase == PHASE_NONE) {
        model->phase = PHASE_PREAMBLE;
    } else if (model->phase == PHASE_PREAMBLE) {
        model->ops->header(model, at_ns, p);
        model_line_changed(model, at_ns);
        if (p->header_bad) {
            model->tally.header_errors++;
            drop_first(model);
        } else {
            model->phase = PHASE_PAYLOAD;
        }
    } else {
        finish(model, at_ns);
    }
}

/* Packets that began while another was being received are not demodulated. */
static void drop_overlapped(struct model *model)
{
    while (model->queued > 1 && model->phase != PHASE_NONE &&
           model->queue[1].start_ns < model_packet_end_ns(&model->queue[0])) {
        model->tally.unheard++;
        model->queued--;
        memmove(&model->queue[1], &model->queue[2], (model->queued - 1) * sizeof model->queue[0]);
    }
}

static void storm(struct model *model)
{
    struct model_packet p;

    if (!(model->faults & MODEL_CRC_STORM) || model->queued > 0)
        return;
    if (!model->ops->receiving(model, &p))
        return;
    p.start_ns = model->now_ns > model->storm_ns ? model->now_ns : model->storm_ns;
    p.crc_present = true;
    p.crc_bad = true;
    p.len = 1;
    p.rssi_dbm = -110;
    model->storm_ns = model_packet_end_ns(&p) + 100000;
    model_air(model, &p);
}

int64_t model_next_ns(const struct model *model)
{
    int64_t own = model->ops->next_ns(model);
    int64_t air = model->queued > 0 ? phase_ns(model) : INT64_MAX;

    return own < air ? own : air;
}

void model_advance(struct model *model, int64_t now_ns)
{
    for (;;) {
        int64_t next;

        storm(model);
        drop_overlapped(model);
        next = model_next_ns(model);
        if (next > now_ns)
            break;
        if (next > model->now_ns)
            model->now_ns = next;
        model->ops->settle(model, model->now_ns);
        if (model->queued > 0 && phase_ns(model) <= model->now_ns)
            step(model, model->now_ns);
    }
    if (now_ns > model->now_ns)
        model->now_ns = now_ns;
    model_line_changed(model, model->now_ns);
}

void model_transfer(struct model *model, int64_t now_ns, const uint8_t *out, uint8_t *in,
                    size_t len)
{
    model_advance(model, now_ns);
    if (model->faults & (MODEL_SPI_LOW | MODEL_SPI_HIGH)) {
        if (in)
            memset(in, (model->faults & MODEL_SPI_HIGH) ? 0xFF : 0x00, len);
        return;
    }
    model->ops->transfer(model, model->now_ns, out, in, len);
    model_line_changed(model, model->now_ns);
}

/* The SX1272's reset is active high, the others' active low (datasheets, section "Reset"). */
static bool in_reset(const struct model *model)
{
    return model->driven[MODEL_NRESET] == (model->kind == MODEL_SX1272);
}

void model_drive(struct model *model, int64_t now_ns, enum model_line line, bool high)
{
    bool was = in_reset(model);

    model_advance(model, now_ns);
    model->driven[line] = high;
    if (line == MODEL_NRESET && was && !in_reset(model)) {
        model->tally.resets++;
        model->faults &= ~(unsigned)MODEL_BUSY_HANGS;
        model_brown_out(model, now_ns);
    }
}

bool model_level(struct model *model, int64_t now_ns, enum model_line line)
{
    model_advance(model, now_ns);
    if (line == MODEL_DIO0)
        return model->line;
    if (line == MODEL_BUSY)
        return model->ops->busy && model->ops->busy(model);
    return model->driven[line];
}

bool model_air(struct model *model, const struct model_packet *packet)
{
    size_t at = model->queued;

    if (at == MODEL_QUEUE)
        return false;
    while (at > 0 && model->queue[at - 1].start_ns > packet->start_ns &&
           !(at == 1 && model->phase != PHASE_NONE)) {
        model->queue[at] = model->queue[at - 1];
        at--;
    }
    model->queue[at] = *packet;
    model->queued++;
    return true;
}

size_t model_on_air(const struct model *model)
{
    return model->queued;
}

void model_faults(struct model *model, int64_t now_ns, unsigned faults)
{
    model_advance(model, now_ns);
    model->faults = faults;
    if (faults & MODEL_RECEIVER_DEAF) {
        model->faults &= ~(unsigned)MODEL_RECEIVER_DEAF;
        model->listening_ns = INT64_MAX;
        if (model->kind == MODEL_SX1262)
            *model->ops->reg(model, 0xFFFF) = 2; /* mode: standby */
        else
            *model->ops->reg(model, 0x01) = 0x81;
    }
    storm(model);
    model_line_changed(model, model->now_ns);
}

void model_brown_out(struct model *model, int64_t now_ns)
{
    model->listening_ns = INT64_MAX;
    model->phase = PHASE_NONE;
    model->ops->reset(model, now_ns);
    model_line_changed(model, now_ns);
}

void model_strike(struct model *model, enum model_strike when, const struct model_packet *second)
{
    model->strike = when;
    model->second = *second;
}

void model_strike_now(struct model *model, enum model_strike point, int64_t now_ns)
{
    if (model->strike != point || point == MODEL_STRIKE_NEVER)
        return;
    model->strike = MODEL_STRIKE_NEVER;
    note_unread(model, true);
    model->tally.delivered++;
    model->ops->packet(model, now_ns, &model->second);
    model_line_changed(model, now_ns);
}

void model_tcxo(struct model *model, uint16_t millivolt)
{
    model->tcxo_mv = millivolt;
}

void model_tally(const struct model *model, struct model_tally *tally)
{
    *tally = model->tally;
}

void model_switch(struct model *model, enum model_switch how)
{
    model->antenna = how;
}

bool model_antenna(const struct model *model, bool transmitting, bool dio2)
{
    if (model->antenna == MODEL_SWITCH_DIO2)
        return dio2;
    if (model->antenna == MODEL_SWITCH_LINES)
        return model->driven[MODEL_TXEN] == transmitting &&
               model->driven[MODEL_RXEN] == !transmitting;
    return true;
}

bool model_receiving(const struct model *model, struct model_packet *settings)
{
    return model->ops->receiving(model, settings);
}

uint8_t model_register(const struct model *model, uint16_t address)
{
    return *model->ops->reg((struct model *)(uintptr_t)model, address);
}

void model_register_set(struct model *model, uint16_t address, uint8_t value)
{
    *model->ops->reg(model, address) = value;
}

struct model *model_new(enum model_kind kind, const struct model_events *events)
{
    struct model *model = kind == MODEL_SX1262 ? model_sx126x_new() : model_sx127x_new();

    assert(model);
    model->kind = kind;
    model->events = *events;
    model->listening_ns = INT64_MAX;
    model->driven[MODEL_NRESET] = kind != MODEL_SX1272;
    model->ops->reset(model, 0);
    return model;
}

void model_free(struct model *model)
{
    free(model);
}
