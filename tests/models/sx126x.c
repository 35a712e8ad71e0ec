/*
 * SX1262, from DS_SX1261-2 and, for the times BUSY stays high, table 33 of RM0453 (the same radio
 * inside a microcontroller). A command sent while BUSY is high is lost, as the datasheet warns.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tests/models/model_private.h"

enum { RC = 2, XOSC = 3, FS = 4, RX = 5, TX = 6 };
enum {
    IRQ_TX_DONE = 1,
    IRQ_RX_DONE = 2,
    IRQ_HEADER_VALID = 16,
    IRQ_HEADER_ERR = 32,
    IRQ_CRC_ERR = 64
};
enum { T_SW_NS = 600, COLD_START_NS = 3500000, CALIBRATION_NS = 3500000, ERROR_XOSC = 0x20 };

struct sx126x {
    struct model model;
    uint8_t regs[0x1000];
    uint8_t buffer[256];
    uint8_t mode, fallback;
    uint8_t tx_base, rx_base, rx_at, rx_start, rx_len, rx_rssi, rx_snr;
    uint16_t irq, irq_mask, dio1_mask, errors;
    uint32_t frequency_hz;
    bool lora, dio2_switch, tcxo_set, tuned_with_tcxo, dcdc;
    uint16_t tcxo_mv;
    int64_t tcxo_delay_ns;
    uint8_t image[2];
    uint8_t modulation[4];
    uint8_t packet[6];
    uint8_t pa[4];
    int8_t power;
    int64_t command_ns, ready_ns; /* BUSY is high from command_ns + T_SW to ready_ns */
    int64_t sent_ns;
    struct model_packet sending;
};

static struct sx126x *chip(struct model *model)
{
    return (struct sx126x *)model;
}

static const struct sx126x *chip_const(const struct model *model)
{
    return (const struct sx126x *)model;
}

static uint8_t *reg(struct model *model, uint16_t address)
{
    struct sx126x *c = chip(model);

    return address == 0xFFFF ? &c->mode : &c->regs[address & 0x0FFF];
}

static void reset(struct model *model, int64_t now_ns)
{
    struct sx126x *c = chip(model);
    struct sx126x fresh = {.model = *model, .mode = RC, .fallback = RC, .sent_ns = INT64_MAX};

    *c = fresh;
    /* Datasheet table 12-1, reset values; 0x0736, 0x0889 and 0x08D8 from memory. */
    c->regs[0x0740] = 0x14;
    c->regs[0x0741] = 0x24;
    c->regs[0x08AC] = 0x94;
    c->regs[0x08E7] = 0x18;
    c->regs[0x0736] = 0x0D;
    c->regs[0x0889] = 0x05;
    c->regs[0x08D8] = 0xC8;
    if (model->faults & MODEL_WRONG_VERSION)
        c->regs[0x0741] = 0x00;
    c->image[0] = 0xE1; /* section 9.2.1: by default the image is calibrated for 902 to 928 MHz */
    c->image[1] = 0xE9;
    c->errors = model->tcxo_mv ? ERROR_XOSC : 0;
    c->command_ns = now_ns - T_SW_NS;
    c->ready_ns = now_ns + COLD_START_NS;
}

static bool busy(const struct model *model)
{
    const struct sx126x *c = chip_const(model);

    if (model->faults & (MODEL_BUSY_STUCK | MODEL_BUSY_HANGS))
        return true;
    return model->now_ns >= c->command_ns + T_SW_NS && model->now_ns < c->ready_ns;
}

static bool clock_runs(const struct sx126x *c)
{
    if (c->model.faults & MODEL_OSCILLATOR)
        return false;
    return c->model.tcxo_mv == 0 ? !c->tcxo_set : c->tcxo_set && c->tcxo_mv == c->model.tcxo_mv;
}

static void settings(const struct sx126x *c, struct model_packet *p)
{
    static const uint32_t bandwidths[8] = {0, 0, 0, 62500, 125000, 250000, 500000, 0};

    memset(p, 0, sizeof *p);
    p->frequency_hz = c->frequency_hz;
    p->bandwidth_hz = bandwidths[c->modulation[1] & 7];
    p->spreading_factor = c->modulation[0];
    p->coding_rate = c->modulation[2];
    p->preamble = (uint16_t)(c->packet[0] << 8 | c->packet[1]);
    p->inverted = c->packet[5];
    p->crc_present = c->packet[4];
    p->sync_word = (uint8_t)((c->regs[0x0740] & 0xF0) | c->regs[0x0741] >> 4);
}

static bool receiving(const struct model *model, struct model_packet *p)
{
    const struct sx126x *c = chip_const(model);

    settings(c, p);
    return c->mode == RX && c->lora && model->listening_ns != INT64_MAX && p->bandwidth_hz != 0;
}

/* Calibrated for another band, or before the TCXO ran: several dB are lost. */
static bool is_deafened(const struct sx126x *c, const struct model_packet *p)
{
    uint32_t mhz = c->frequency_hz / 1000000;
    bool image = c->image[0] * 4U <= mhz && mhz <= c->image[1] * 4U;
    bool narrow = (c->image[1] - c->image[0]) * 4U < 6;

    if (p->rssi_dbm >= -110)
        return false;
    return !image || narrow || (c->model.tcxo_mv && !c->tuned_with_tcxo);
}

static bool listens_to(const struct model *model, const struct model_packet *p)
{
    const struct sx126x *c = chip_const(model);
    struct model_packet set;
    int64_t off;

    if (!receiving(model, &set) || c->packet[2] != 0 ||
        !model_antenna(model, false, c->dio2_switch))
        return false;
    /* Section 15.4: bit 2 of 0x0736 must be 1 for standard IQ and 0 for inverted IQ. */
    if (((c->regs[0x0736] & 4) != 0) == set.inverted)
        return false;
    if ((c->regs[0x0740] & 0x0F) != 4 || (c->regs[0x0741] & 0x0F) != 4)
        return false;
    off = (int64_t)set.frequency_hz - (int64_t)p->frequency_hz;
    return llabs(off) * 4 <= set.bandwidth_hz && set.bandwidth_hz == p->bandwidth_hz &&
           set.spreading_factor == p->spreading_factor && set.sync_word == p->sync_word &&
           set.inverted == p->inverted && !is_deafened(c, p);
}

static void raise_irq(struct sx126x *c, unsigned bits)
{
    c->irq = (uint16_t)(c->irq | (bits & c->irq_mask));
}

static void header(struct model *model, int64_t now_ns, const struct model_packet *p)
{
    (void)now_ns;
    raise_irq(chip(model), p->header_bad ? IRQ_HEADER_ERR : IRQ_HEADER_VALID);
}

static void packet(struct model *model, int64_t now_ns, const struct model_packet *p)
{
    struct sx126x *c = chip(model);
    int32_t fei = (int32_t)lround(p->offset_hz / 1.55 * 1600.0 / (p->bandwidth_hz / 1000.0));

    (void)now_ns;
    c->rx_start = c->rx_at;
    c->rx_len = p->len;
    for (size_t i = 0; i < p->len; i++)
        c->buffer[c->rx_at++] = p->bytes[i];
    c->rx_rssi = (uint8_t)(-2 * p->rssi_dbm);
    c->rx_snr = (uint8_t)p->snr_qdb;
    c->regs[0x076B] = (uint8_t)((p->crc_present ? 0x10 : 0) | ((uint32_t)fei >> 16 & 0x0F));
    c->regs[0x076C] = (uint8_t)((uint32_t)fei >> 8);
    c->regs[0x076D] = (uint8_t)fei;
    raise_irq(c, IRQ_RX_DONE | (p->crc_present && p->crc_bad ? IRQ_CRC_ERR : 0));
}

static bool interrupt(const struct model *model)
{
    const struct sx126x *c = chip_const(model);

    return c->irq & c->dio1_mask;
}

static void busy_for(struct sx126x *c, int64_t now_ns, int64_t ns)
{
    c->command_ns = now_ns;
    c->ready_ns = now_ns + T_SW_NS + ns;
}

/* How long a change of mode takes; RM0453 table 33, microseconds, plus the TCXO's start when it was
 * off. */
static int64_t switching_ns(const struct sx126x *c, uint8_t to)
{
    static const int64_t us[7][7] = {
        [RC] = {[XOSC] = 31, [FS] = 50, [RX] = 83, [TX] = 126},
        [XOSC] = {[RC] = 1, [FS] = 40, [RX] = 62, [TX] = 105},
        [FS] = {[RC] = 1, [XOSC] = 1, [RX] = 41, [TX] = 76},
        [RX] = {[RC] = 1, [XOSC] = 1, [FS] = 15, [TX] = 92},
        [TX] = {[RC] = 1, [XOSC] = 1, [FS] = 1, [RX] = 41},
    };
    int64_t ns = us[c->mode][to] * 1000;

    if (c->mode == RC && to != RC && c->tcxo_set)
        ns += c->tcxo_delay_ns;
    return ns;
}

static void change(struct sx126x *c, int64_t now_ns, uint8_t to)
{
    int64_t ns = switching_ns(c, to);

    if (to != RC && !clock_runs(c)) {
        c->errors |= ERROR_XOSC;
        c->mode = RC;
        busy_for(c, now_ns, ns);
        return;
    }
    c->mode = to;
    c->model.listening_ns = INT64_MAX;
    c->sent_ns = INT64_MAX;
    busy_for(c, now_ns, ns);
}

static void set_rx(struct sx126x *c, int64_t now_ns, uint32_t timeout)
{
    if (timeout != 0xFFFFFF)
        c->model.tally.faults_spi++; /* this gateway receives continuously */
    change(c, now_ns, RX);
    if (c->mode != RX)
        return;
    c->rx_at = c->rx_base;
    c->model.listening_ns = c->ready_ns;
}

/* Sections 15.1, 15.2, 15.4 and table 13-21: what spoils a transmission. */
static bool is_spoilt(const struct sx126x *c, const struct model_packet *p)
{
    bool wide = p->bandwidth_hz == 500000;

    if (((c->regs[0x0889] & 4) != 0) == wide || (c->regs[0x08D8] & 0x1E) != 0x1E)
        return true;
    if (((c->regs[0x0736] & 4) != 0) == p->inverted)
        return true;
    if (c->pa[0] > 4 || c->pa[1] > 7 || c->pa[2] != 0 || c->pa[3] != 1 || c->power > 22)
        return true;
    return !model_antenna(&c->model, true, c->dio2_switch);
}

static void set_tx(struct sx126x *c, int64_t now_ns)
{
    struct model_packet *p = &c->sending;
    uint8_t at = c->tx_base;

    change(c, now_ns, TX);
    if (c->mode != TX)
        return;
    settings(c, p);
    p->len = c->packet[3];
    for (size_t i = 0; i < p->len; i++)
        p->bytes[i] = c->buffer[at++];
    p->power_dbm = c->power;
    p->spoilt = is_spoilt(c, p);
    p->start_ns = c->ready_ns; /* BUSY falls when the preamble starts */
    c->sent_ns = model_packet_end_ns(p);
}

static void set_tcxo(struct sx126x *c, const uint8_t *a)
{
    static const uint16_t mv[8] = {1600, 1700, 1800, 2200, 2400, 2700, 3000, 3300};

    c->tcxo_set = true;
    c->tcxo_mv = mv[a[0] & 7];
    c->tcxo_delay_ns = (int64_t)(a[1] << 16 | a[2] << 8 | a[3]) * 15625;
}

static void calibrate(struct sx126x *c, int64_t now_ns)
{
    if (c->mode != RC) {
        c->model.tally.faults_spi++; /* section 13.1.12: in STDBY_RC only */
        return;
    }
    if (!clock_runs(c))
        c->errors |= ERROR_XOSC;
    else
        c->tuned_with_tcxo = true;
    busy_for(c, now_ns, CALIBRATION_NS + (c->tcxo_set ? c->tcxo_delay_ns : 0));
}

static void set_frequency(struct sx126x *c, const uint8_t *a)
{
    uint64_t word = (uint64_t)a[0] << 24 | (uint64_t)a[1] << 16 | (uint64_t)a[2] << 8 | a[3];

    c->frequency_hz = (uint32_t)((word * 32000000ULL + (1 << 24)) >> 25);
}

static void write_registers(struct sx126x *c, const uint8_t *a, size_t len)
{
    uint16_t address = (uint16_t)(a[0] << 8 | a[1]);

    for (size_t i = 2; i < len; i++, address++)
        *reg(&c->model, address & 0x0FFF) = a[i];
}

static void write_buffer(struct sx126x *c, const uint8_t *a, size_t len)
{
    uint8_t at = a[0];

    for (size_t i = 1; i < len; i++)
        c->buffer[at++] = a[i];
}

/* Commands that change the mode or calibrate. False: the opcode is none of them. */
static bool mode_command(struct sx126x *c, int64_t now_ns, uint8_t opcode, const uint8_t *a)
{
    switch (opcode) {
    case 0x80:
        change(c, now_ns, a[0] ? XOSC : RC);
        break;
    case 0xC1:
        change(c, now_ns, FS);
        break;
    case 0x82:
        set_rx(c, now_ns, (uint32_t)(a[0] << 16 | a[1] << 8 | a[2]));
        break;
    case 0x83:
        set_tx(c, now_ns);
        break;
    case 0x89:
        calibrate(c, now_ns);
        break;
    case 0x98:
        memcpy(c->image, a, 2);
        busy_for(c, now_ns, CALIBRATION_NS);
        break;
    default:
        return false;
    }
    return true;
}

/* Commands that only set. `a` are the parameters. */
static void set_command(struct sx126x *c, int64_t now_ns, uint8_t opcode, const uint8_t *a,
                        size_t len)
{
    busy_for(c, now_ns, 400);
    if (mode_command(c, now_ns, opcode, a))
        return;
    switch (opcode) {
    case 0x86:
        set_frequency(c, a);
        break;
    case 0x8A:
        c->lora = a[0] == 1;
        break;
    case 0x8B:
        memcpy(c->modulation, a, 4);
        c->regs[0x0889] |= 4;
        break;
    case 0x8C:
        memcpy(c->packet, a, 6);
        c->regs[0x0736] |= 4;
        break;
    case 0x8E:
        c->power = (int8_t)a[0];
        break;
    case 0x8F:
        c->tx_base = a[0];
        c->rx_base = a[1];
        break;
    case 0x93:
        c->fallback = a[0] >> 4;
        break;
    case 0x95:
        memcpy(c->pa, a, 4);
        c->regs[0x08E7] = a[2] ? 0x18 : 0x38;
        break;
    case 0x96:
        c->dcdc = a[0];
        break;
    case 0x97:
        set_tcxo(c, a);
        break;
    case 0x9D:
        c->dio2_switch = a[0];
        break;
    case 0x08:
        c->irq_mask = (uint16_t)(a[0] << 8 | a[1]);
        c->dio1_mask = (uint16_t)(a[2] << 8 | a[3]);
        break;
    case 0x02:
        c->irq = (uint16_t)(c->irq & ~(a[0] << 8 | a[1]));
        break;
    case 0x07:
        c->errors = 0;
        break;
    case 0x0D:
        write_registers(c, a, len);
        break;
    case 0x0E:
        write_buffer(c, a, len);
        break;
    default:
        c->model.tally.faults_spi++;
    }
}

/* The shortest parameter list of a command that sets; 0: it is none. */
static size_t least_parameters(uint8_t opcode)
{
    static const uint8_t table[][2] = {
        {0x80, 1}, {0x82, 3}, {0x83, 3}, {0x86, 4}, {0x89, 1}, {0x98, 2}, {0x8A, 1},
        {0x8B, 4}, {0x8C, 6}, {0x8E, 2}, {0x8F, 2}, {0x93, 1}, {0x95, 4}, {0x96, 1},
        {0x97, 4}, {0x9D, 1}, {0x08, 8}, {0x02, 2}, {0x07, 2}, {0x0D, 3}, {0x0E, 2}};

    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
        if (table[i][0] == opcode)
            return table[i][1];
    return 0;
}

static void answer(uint8_t *in, size_t len, size_t from, const uint8_t *data, size_t count)
{
    for (size_t i = 0; i < count && from + i < len; i++)
        in[from + i] = data[i];
}

static void read_registers(struct sx126x *c, const uint8_t *out, uint8_t *in, size_t len)
{
    uint16_t address = (uint16_t)(out[1] << 8 | out[2]);

    for (size_t i = 4; i < len; i++, address++)
        in[i] = c->regs[address & 0x0FFF];
}

/* What lies past the end of the buffer is not part of it: the host minds the wrap. */
static void read_buffer(struct sx126x *c, const uint8_t *out, uint8_t *in, size_t len)
{
    size_t at = out[1];

    for (size_t i = 3; i < len; i++, at++)
        in[i] = at < sizeof c->buffer ? c->buffer[at] : 0;
}

/* Commands that read. False: the opcode is none of them. */
static bool get_command(struct sx126x *c, int64_t now_ns, const uint8_t *out, uint8_t *in,
                        size_t len)
{
    uint8_t irq[2] = {(uint8_t)(c->irq >> 8), (uint8_t)c->irq};
    uint8_t received[2] = {c->rx_len, c->rx_start};
    uint8_t measured[3] = {c->rx_rssi, c->rx_snr, c->rx_rssi};
    uint8_t errors[2] = {(uint8_t)(c->errors >> 8), (uint8_t)c->errors};

    switch (out[0]) {
    case 0xC0:
        break;
    case 0x12:
        answer(in, len, 2, irq, 2);
        break;
    case 0x13:
        answer(in, len, 2, received, 2);
        model_strike_now(&c->model, MODEL_STRIKE_POINTERS, now_ns);
        break;
    case 0x14:
        answer(in, len, 2, measured, 3);
        break;
    case 0x15:
        answer(in, len, 2, &c->rx_rssi, 1);
        break;
    case 0x17:
        answer(in, len, 2, errors, 2);
        break;
    case 0x1D:
        read_registers(c, out, in, len);
        break;
    case 0x1E:
        read_buffer(c, out, in, len);
        model_strike_now(&c->model, MODEL_STRIKE_PAYLOAD, now_ns);
        break;
    default:
        return false;
    }
    busy_for(c, now_ns, 100);
    return true;
}

static void transfer(struct model *model, int64_t now_ns, const uint8_t *out, uint8_t *in,
                     size_t len)
{
    struct sx126x *c = chip(model);
    uint8_t scratch[300];
    size_t least = least_parameters(out[0]);

    if (!in || len > sizeof scratch)
        in = scratch;
    memset(in, 0, len > sizeof scratch ? sizeof scratch : len);
    if ((now_ns < c->ready_ns) || busy(model) || len > sizeof scratch) {
        model->tally.faults_spi++;
        return;
    }
    memset(in, c->mode << 4 | 2 << 1, len);
    if (get_command(c, now_ns, out, in, len))
        return;
    if ((least == 0 && out[0] != 0xC1) || len < least + 1) {
        model->tally.faults_spi++;
        return;
    }
    set_command(c, now_ns, out[0], out + 1, len - 1);
}

static void settle(struct model *model, int64_t now_ns)
{
    struct sx126x *c = chip(model);

    if (c->sent_ns > now_ns)
        return;
    c->sent_ns = INT64_MAX;
    c->mode = c->fallback;
    raise_irq(c, IRQ_TX_DONE);
    model->tally.sent++;
    if (model->events.sent)
        model->events.sent(model->events.user, &c->sending);
    model_line_changed(model, now_ns);
}

static int64_t next_ns(const struct model *model)
{
    return chip_const(model)->sent_ns;
}

static bool received(const struct model *model)
{
    return chip_const(model)->irq & IRQ_RX_DONE;
}

static int64_t done_delay_ns(const struct model_packet *p)
{
    (void)p;
    return 0;
}

const struct model_ops model_sx126x = {
    .reset = reset,
    .transfer = transfer,
    .settle = settle,
    .next_ns = next_ns,
    .listens_to = listens_to,
    .header = header,
    .packet = packet,
    .interrupt = interrupt,
    .received = received,
    .busy = busy,
    .receiving = receiving,
    .reg = reg,
    .done_delay_ns = done_delay_ns,
};

struct model *model_sx126x_new(void)
{
    struct sx126x *c = calloc(1, sizeof *c);

    if (!c)
        return NULL;
    c->model.ops = &model_sx126x;
    return &c->model;
}
