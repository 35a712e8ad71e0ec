/*
 * SX1272 (datasheet rev. 2) and SX1276 (datasheet rev. 4), LoRa side, with as much of the FSK side
 * as the image calibration needs. Registers below 0x0D and from 0x40 on are common to both pages.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tests/models/model_private.h"

enum { MODE_SLEEP, MODE_STANDBY, MODE_FSTX, MODE_TX, MODE_FSRX, MODE_RX };
enum { PAGE_FROM = 0x0D, PAGE_TO = 0x40 };

struct sx127x {
    struct model model;
    uint8_t lora[0x80];
    uint8_t fsk[0x80];
    uint8_t fifo[256];
    uint8_t write_at; /* where the next received byte goes */
    int64_t sent_ns;  /* end of the transmission under way, INT64_MAX: none */
    int64_t calibrated_ns;
    struct model_packet sending;
};

static struct sx127x *chip(struct model *model)
{
    return (struct sx127x *)model;
}

static const struct sx127x *chip_const(const struct model *model)
{
    return (const struct sx127x *)model;
}

static bool is_lora(const struct sx127x *c)
{
    return c->lora[0x01] & 0x80;
}

static uint8_t mode(const struct sx127x *c)
{
    return c->lora[0x01] & 7;
}

static uint8_t *reg(struct model *model, uint16_t address)
{
    struct sx127x *c = chip(model);

    address &= 0x7F;
    if (address >= PAGE_FROM && address < PAGE_TO && !is_lora(c))
        return &c->fsk[address];
    return &c->lora[address];
}

/* Datasheet, register tables, column "Default value". */
static void reset(struct model *model, int64_t now_ns)
{
    static const uint8_t common[][2] = {
        {0x01, 0x09}, {0x06, 0x6C}, {0x07, 0x80}, {0x09, 0x4F}, {0x0A, 0x09}, {0x0B, 0x2B},
        {0x0C, 0x20}, {0x0E, 0x80}, {0x1D, 0x72}, {0x1E, 0x70}, {0x1F, 0x64}, {0x21, 0x08},
        {0x22, 0x01}, {0x23, 0xFF}, {0x26, 0x04}, {0x2F, 0x20}, {0x31, 0xC3}, {0x33, 0x27},
        {0x36, 0x03}, {0x37, 0x0A}, {0x39, 0x12}, {0x3A, 0x65}, {0x3B, 0x1D}, {0x42, 0x12},
        {0x4B, 0x09}, {0x4D, 0x84}};
    struct sx127x *c = chip(model);

    memset(c->lora, 0, sizeof c->lora);
    memset(c->fsk, 0, sizeof c->fsk);
    for (size_t i = 0; i < sizeof common / sizeof common[0]; i++)
        c->lora[common[i][0]] = common[i][1];
    if (model->kind == MODEL_SX1272) {
        c->lora[0x01] = 0x01;
        c->lora[0x1D] = 0x08;
        c->lora[0x1E] = 0x74;
        c->lora[0x42] = 0x22;
        c->lora[0x58] = 0x09;
        c->lora[0x5A] = 0x84;
    }
    c->fsk[0x3B] = 0x02;
    memset(c->fifo, 0, sizeof c->fifo);
    c->write_at = 0;
    c->sent_ns = INT64_MAX;
    c->calibrated_ns = INT64_MAX;
    (void)now_ns;
}

static uint32_t frequency(const struct sx127x *c)
{
    uint64_t word = (uint64_t)c->lora[6] << 16 | (uint64_t)c->lora[7] << 8 | c->lora[8];

    return (uint32_t)((word * 32000000ULL + (1 << 18)) >> 19);
}

/* The SX1272 packs bandwidth, coding rate and header mode otherwise: its datasheet,
 * RegModemConfig1. */
static void modem(const struct sx127x *c, struct model_packet *p)
{
    uint8_t one = c->lora[0x1D];

    if (c->model.kind == MODEL_SX1272) {
        p->bandwidth_hz = 125000U << (one >> 6);
        p->coding_rate = (one >> 3) & 7;
    } else {
        p->bandwidth_hz = (one >> 4) == 7 ? 125000 : (one >> 4) == 8 ? 250000 : 500000;
        p->coding_rate = (one >> 1) & 7;
    }
    p->spreading_factor = c->lora[0x1E] >> 4;
    p->frequency_hz = frequency(c);
    p->sync_word = c->lora[0x39];
    p->preamble = (uint16_t)(c->lora[0x20] << 8 | c->lora[0x21]);
}

static bool explicit_header(const struct sx127x *c)
{
    return !(c->lora[0x1D] & (c->model.kind == MODEL_SX1272 ? 4 : 1));
}

/* With spreading factor 6 only DetectOptimize 5 and threshold 0x0C detect, with the others 3 and
 * 0x0A. */
static bool detector_fits(const struct sx127x *c)
{
    bool six = (c->lora[0x1E] >> 4) == 6;

    return (c->lora[0x31] & 7) == (six ? 5 : 3) && c->lora[0x37] == (six ? 0x0C : 0x0A);
}

static bool receiving(const struct model *model, struct model_packet *settings)
{
    const struct sx127x *c = chip_const(model);

    memset(settings, 0, sizeof *settings);
    modem(c, settings);
    settings->inverted = c->lora[0x33] & 0x40;
    return is_lora(c) && mode(c) == MODE_RX && model->listening_ns != INT64_MAX;
}

/* Errata note 1.1 section 2.1: without these values the receiver loses sensitivity at 500 kHz. */
static bool is_deafened(const struct sx127x *c, const struct model_packet *set,
                        const struct model_packet *p)
{
    uint8_t want = set->frequency_hz > 779000000 ? 0x64 : 0x7F;

    if (c->model.kind == MODEL_SX1272 || set->bandwidth_hz != 500000 || p->rssi_dbm >= -110)
        return false;
    return c->lora[0x36] != 0x02 || c->lora[0x3A] != want;
}

static bool listens_to(const struct model *model, const struct model_packet *p)
{
    const struct sx127x *c = chip_const(model);
    struct model_packet set;
    int64_t off;

    if (!receiving(model, &set) || !explicit_header(c) || !detector_fits(c) ||
        !model_antenna(model, false, false))
        return false;
    off = (int64_t)set.frequency_hz - (int64_t)p->frequency_hz;
    /* InvertIQ2 is 0x1D for normal and 0x19 for inverted signals; the wrong one hears nothing. */
    if (c->lora[0x3B] != (set.inverted ? 0x19 : 0x1D))
        return false;
    return llabs(off) * 4 <= set.bandwidth_hz && set.bandwidth_hz == p->bandwidth_hz &&
           set.spreading_factor == p->spreading_factor && set.sync_word == p->sync_word &&
           set.inverted == p->inverted && !is_deafened(c, &set, p);
}

static void header(struct model *model, int64_t now_ns, const struct model_packet *p)
{
    struct sx127x *c = chip(model);

    (void)now_ns;
    if (p->header_bad)
        return;
    c->lora[0x12] |= 0x10;
    c->lora[0x1C] = (uint8_t)((c->lora[0x1C] & ~0x40) | (p->crc_present ? 0x40 : 0));
    c->lora[0x18] = (uint8_t)((c->lora[0x18] & 0x1F) | p->coding_rate << 5);
}

static int rssi_base(const struct sx127x *c)
{
    if (c->model.kind == MODEL_SX1272)
        return -139;
    return frequency(c) > 779000000 ? -157 : -164;
}

static void measures(struct sx127x *c, const struct model_packet *p)
{
    int strength = p->rssi_dbm - rssi_base(c) - (p->snr_qdb < 0 ? p->snr_qdb / 4 : 0);
    double khz = p->bandwidth_hz / 1000.0;
    int32_t fei = (int32_t)lround(p->offset_hz * 32e6 / 16777216.0 * 500.0 / khz);

    c->lora[0x19] = (uint8_t)p->snr_qdb;
    c->lora[0x1A] = (uint8_t)(strength < 0 ? 0 : strength > 255 ? 255 : strength);
    c->lora[0x1B] = c->lora[0x1A];
    c->lora[0x28] = (uint8_t)((uint32_t)fei >> 16 & 0x0F);
    c->lora[0x29] = (uint8_t)((uint32_t)fei >> 8);
    c->lora[0x2A] = (uint8_t)fei;
}

static void packet(struct model *model, int64_t now_ns, const struct model_packet *p)
{
    struct sx127x *c = chip(model);

    (void)now_ns;
    c->lora[0x10] = c->write_at;
    c->lora[0x13] = p->len;
    for (size_t i = 0; i < p->len; i++)
        c->fifo[c->write_at++] = p->bytes[i];
    c->lora[0x25] = c->write_at;
    c->lora[0x1C] = (uint8_t)((c->lora[0x1C] & ~0x40) | (p->crc_present ? 0x40 : 0));
    measures(c, p);
    c->lora[0x12] |= 0x40;
    if (p->crc_present && p->crc_bad)
        c->lora[0x12] |= 0x20;
}

static bool interrupt(const struct model *model)
{
    static const uint8_t mapped[4] = {0x40, 0x08, 0x04, 0x00};
    const struct sx127x *c = chip_const(model);
    uint8_t flag = mapped[c->lora[0x40] >> 6];

    return is_lora(c) && (c->lora[0x12] & ~c->lora[0x11] & flag);
}

/* Datasheet section 2.5.2, typical: oscillator 250 us, synthesizer 60 us. 4.2.5.1: 5 us and 1.25
 * times the ramp (40 us by default) to the first symbol. */
static void start_sending(struct sx127x *c, int64_t now_ns, uint8_t from)
{
    struct model_packet *p = &c->sending;
    uint8_t at = c->lora[0x0E];

    memset(p, 0, sizeof *p);
    modem(c, p);
    p->len = c->lora[0x22];
    for (size_t i = 0; i < p->len; i++)
        p->bytes[i] = c->fifo[at++];
    p->inverted = !(c->lora[0x33] & 1);
    p->crc_present =
        c->model.kind == MODEL_SX1272 ? (c->lora[0x1D] & 2) != 0 : (c->lora[0x1E] & 4) != 0;
    if (c->lora[0x09] & 0x80)
        p->power_dbm =
            (int8_t)((c->lora[0x09] & 15) + 2 +
                     ((c->lora[c->model.kind == MODEL_SX1272 ? 0x5A : 0x4D] & 7) == 7 ? 3 : 0));
    else if (c->model.kind == MODEL_SX1272)
        p->power_dbm = (int8_t)((c->lora[0x09] & 15) - 1);
    else
        p->power_dbm =
            (int8_t)lround(10.8 + 0.6 * (c->lora[0x09] >> 4 & 7) - 15 + (c->lora[0x09] & 15));
    p->spoilt = !model_antenna(&c->model, true, false) ||
                (c->lora[0x3B] == 0x19) != p->inverted; /* InvertIQ2 belongs to it */
    p->start_ns = now_ns + 55000 + (from == MODE_FSTX ? 0 : from == MODE_SLEEP ? 310000 : 60000);
    c->sent_ns = model_packet_end_ns(p);
}

static void enter(struct sx127x *c, int64_t now_ns, uint8_t value)
{
    uint8_t from = mode(c);
    uint8_t to = value & 7;
    bool was_lora = is_lora(c);

    /* Section 4.1.6: the modem bit can be changed in sleep only. */
    if (from != MODE_SLEEP && was_lora != !!(value & 0x80)) {
        c->model.tally.faults_spi++;
        value = (uint8_t)((value & 0x7F) | (was_lora ? 0x80 : 0));
    }
    c->lora[0x01] = value;
    if (to == from && was_lora == is_lora(c))
        return;
    c->model.listening_ns = INT64_MAX;
    c->sent_ns = INT64_MAX;
    if (to == MODE_SLEEP)
        memset(c->fifo, 0, sizeof c->fifo); /* section 4.1.2.3: the FIFO is cleared in sleep */
    if ((c->model.faults & MODEL_OSCILLATOR) && to != MODE_SLEEP)
        return;
    if (is_lora(c) && to == MODE_RX) {
        c->write_at = c->lora[0x0F];
        c->model.listening_ns = now_ns + (from == MODE_SLEEP ? 380000 : 130000);
    }
    if (is_lora(c) && to == MODE_TX)
        start_sending(c, now_ns, from);
}

static void fifo_write(struct sx127x *c, uint8_t value)
{
    if (mode(c) == MODE_SLEEP) {
        c->model.tally.faults_spi++;
        return;
    }
    c->fifo[c->lora[0x0D]++] = value;
}

static void write_register(struct sx127x *c, int64_t now_ns, uint8_t address, uint8_t value)
{
    switch (address) {
    case 0x00:
        fifo_write(c, value);
        break;
    case 0x01:
        enter(c, now_ns, value);
        break;
    case 0x12:
        if (is_lora(c))
            c->lora[0x12] &= (uint8_t)~value;
        break;
    case 0x3B:
        if (is_lora(c)) {
            c->lora[0x3B] = value;
        } else if (value & 0x40) { /* ImageCalStart: 10 ms typical */
            c->fsk[0x3B] = (uint8_t)((value & ~0x40) | 0x20);
            c->calibrated_ns = now_ns + 10000000;
        }
        break;
    case 0x10:
    case 0x13:
    case 0x42:
        break; /* read only */
    default:
        *reg(&c->model, address) = value;
    }
}

static uint8_t read_register(struct sx127x *c, uint8_t address)
{
    if (address == 0x00) {
        if (mode(c) == MODE_SLEEP) {
            c->model.tally.faults_spi++;
            return 0;
        }
        return c->fifo[c->lora[0x0D]++];
    }
    if (address == 0x42 && (c->model.faults & MODEL_WRONG_VERSION))
        return 0x24;
    return *reg(&c->model, address);
}

static void transfer(struct model *model, int64_t now_ns, const uint8_t *out, uint8_t *in,
                     size_t len)
{
    struct sx127x *c = chip(model);
    uint8_t address = out[0] & 0x7F;

    if (in)
        in[0] = 0;
    for (size_t i = 1; i < len; i++) {
        uint8_t value = 0;

        if (out[0] & 0x80)
            write_register(c, now_ns, address, out[i]);
        else
            value = read_register(c, address);
        if (in)
            in[i] = value;
        if (address != 0)
            address = (address + 1) & 0x7F;
    }
    if (out[0] == 0x00)
        model_strike_now(model, MODEL_STRIKE_PAYLOAD, now_ns);
    else if (!(out[0] & 0x80) && (out[0] & 0x7F) <= 0x13 && (out[0] & 0x7F) + len > 0x13)
        model_strike_now(model, MODEL_STRIKE_POINTERS, now_ns);
}

static void settle(struct model *model, int64_t now_ns)
{
    struct sx127x *c = chip(model);

    if (c->calibrated_ns <= now_ns) {
        c->fsk[0x3B] &= (uint8_t)~0x20;
        c->calibrated_ns = INT64_MAX;
    }
    if (c->sent_ns <= now_ns) {
        c->sent_ns = INT64_MAX;
        c->lora[0x01] = (uint8_t)((c->lora[0x01] & ~7) | MODE_STANDBY);
        c->lora[0x12] |= 0x08;
        model->tally.sent++;
        if (model->events.sent)
            model->events.sent(model->events.user, &c->sending);
        model_line_changed(model, now_ns);
    }
}

static int64_t next_ns(const struct model *model)
{
    const struct sx127x *c = chip_const(model);

    return c->sent_ns < c->calibrated_ns ? c->sent_ns : c->calibrated_ns;
}

/* RxDone trails the end of the modulation at 125 kHz; measured values of a public stack. */
static bool received(const struct model *model)
{
    return chip_const(model)->lora[0x12] & 0x40;
}

static int64_t done_delay_ns(const struct model_packet *p)
{
    static const int64_t us[13] = {[8] = 1648, [9] = 3265, [10] = 7049, [11] = 13641, [12] = 31189};

    return p->bandwidth_hz == 125000 ? us[p->spreading_factor] * 1000 : 0;
}

const struct model_ops model_sx127x = {
    .reset = reset,
    .transfer = transfer,
    .settle = settle,
    .next_ns = next_ns,
    .listens_to = listens_to,
    .header = header,
    .packet = packet,
    .interrupt = interrupt,
    .received = received,
    .receiving = receiving,
    .reg = reg,
    .done_delay_ns = done_delay_ns,
};

struct model *model_sx127x_new(void)
{
    struct sx127x *c = calloc(1, sizeof *c);

    if (!c)
        return NULL;
    c->model.ops = &model_sx127x;
    return &c->model;
}
