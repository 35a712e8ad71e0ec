#include "gateway/radio/chip.h"

#include <errno.h>
#include <stdio.h>
#include <strings.h>

struct band {
    uint32_t from_khz, to_khz;
};

/* Datasheets: SX1272/73 rev. 2 (860 to 1020 MHz), SX1276/77/78/79 rev. 4 section "Product
 * variants", DS_SX1261-2, DS_SX1268 (410 to 810 MHz); SX1278's and SX1279's bands and LLCC68's
 * limits from memory. */
struct limits {
    const char *name;
    const struct chip_ops *family;
    struct band bands[3];
    uint8_t sf_most;
    int8_t dbm_least, dbm_most;     /* SX126x, and SX127x on RFO */
    int8_t boost_least, boost_most; /* SX127x on PA_BOOST */
};

static const struct limits limits[CHIP_MODELS] = {
    [CHIP_SX1272] = {"SX1272", &chip_sx127x, {{860000, 1020000}}, 12, -1, 14, 2, 20},
    [CHIP_SX1273] = {"SX1273", &chip_sx127x, {{860000, 1020000}}, 9, -1, 14, 2, 20},
    [CHIP_SX1276] = {"SX1276",
                     &chip_sx127x,
                     {{137000, 175000}, {410000, 525000}, {862000, 1020000}},
                     12,
                     -4,
                     14,
                     2,
                     20},
    [CHIP_SX1277] = {"SX1277",
                     &chip_sx127x,
                     {{137000, 175000}, {410000, 525000}, {862000, 1020000}},
                     9,
                     -4,
                     14,
                     2,
                     20},
    [CHIP_SX1278] =
        {"SX1278", &chip_sx127x, {{137000, 175000}, {410000, 525000}}, 12, -4, 14, 2, 20},
    [CHIP_SX1279] = {"SX1279",
                     &chip_sx127x,
                     {{137000, 160000}, {410000, 480000}, {779000, 960000}},
                     12,
                     -4,
                     14,
                     2,
                     20},
    [CHIP_SX1261] = {"SX1261", &chip_sx126x, {{150000, 960000}}, 12, -17, 15, 0, 0},
    [CHIP_SX1262] = {"SX1262", &chip_sx126x, {{150000, 960000}}, 12, -9, 22, 0, 0},
    [CHIP_SX1268] = {"SX1268", &chip_sx126x, {{410000, 810000}}, 12, -9, 22, 0, 0},
    [CHIP_LLCC68] = {"LLCC68", &chip_sx126x, {{150000, 960000}}, 11, -9, 22, 0, 0},
};

const char *chip_name(enum chip_model model)
{
    return limits[model].name;
}

enum chip_model chip_by_name(const char *name)
{
    for (int m = 0; m < CHIP_MODELS; m++)
        if (strcasecmp(limits[m].name, name) == 0)
            return (enum chip_model)m;
    return CHIP_MODELS;
}

const struct chip_ops *chip_family(enum chip_model model)
{
    return limits[model].family;
}

static bool in_band(enum chip_model model, uint32_t hz)
{
    for (size_t i = 0; i < 3; i++)
        if (hz / 1000 >= limits[model].bands[i].from_khz &&
            hz / 1000 <= limits[model].bands[i].to_khz)
            return true;
    return false;
}

/* LLCC68: spreading factor 9 at most with 125 kHz, 10 with 250 kHz, 11 with 500 kHz. */
static uint8_t sf_most(enum chip_model model, uint32_t bandwidth_hz)
{
    if (model != CHIP_LLCC68)
        return limits[model].sf_most;
    return bandwidth_hz == 125000 ? 9 : bandwidth_hz == 250000 ? 10 : 11;
}

static bool known_bandwidth(uint32_t hz)
{
    return hz == 125000 || hz == 250000 || hz == 500000;
}

static bool power_fits(const struct chip_setup *setup, int dbm)
{
    const struct limits *l = &limits[setup->model];

    if (l->family == &chip_sx127x && setup->boost)
        return dbm >= l->boost_least && dbm <= l->boost_most;
    return dbm >= l->dbm_least && dbm <= l->dbm_most;
}

static void bands_text(enum chip_model model, char *text, size_t size)
{
    size_t used = 0;

    text[0] = '\0';
    for (size_t i = 0; i < 3 && limits[model].bands[i].to_khz && used < size; i++)
        used += (size_t)snprintf(text + used, size - used, "%s%u to %u MHz", i ? ", " : "",
                                 limits[model].bands[i].from_khz / 1000,
                                 limits[model].bands[i].to_khz / 1000);
}

static int refuse_channel(const struct chip_setup *setup, char *why, size_t size)
{
    const struct radio_channel *c = &setup->channel;
    uint8_t most = sf_most(setup->model, c->bandwidth_hz);
    char bands[96];

    if (!known_bandwidth(c->bandwidth_hz)) {
        snprintf(why, size, "Bandwidth %u Hz is not supported: use 125000, 250000 or 500000.",
                 c->bandwidth_hz);
        return -EINVAL;
    }
    if (!in_band(setup->model, c->frequency_hz)) {
        bands_text(setup->model, bands, sizeof bands);
        snprintf(why, size,
                 "%u.%03u MHz is outside the bands of the %s (%s): set another frequency, or fit a "
                 "chip for this band.",
                 c->frequency_hz / 1000000, c->frequency_hz / 1000 % 1000, chip_name(setup->model),
                 bands);
        return -EINVAL;
    }
    if (c->spreading_factor < 7 || c->spreading_factor > most) {
        snprintf(why, size,
                 "The %s cannot receive spreading factor %u at %u kHz: use 7 to %u, or fit another "
                 "chip.",
                 chip_name(setup->model), c->spreading_factor, c->bandwidth_hz / 1000, most);
        return -EINVAL;
    }
    return 0;
}

int chip_accepts(const struct chip_setup *setup, char *why, size_t why_size)
{
    const struct limits *l = &limits[setup->model];
    bool boost = l->family == &chip_sx127x && setup->boost;
    int r = refuse_channel(setup, why, why_size);

    if (r < 0)
        return r;
    if (!power_fits(setup, setup->power_dbm)) {
        snprintf(why, why_size, "The %s%s cannot send with %d dBm: use %d to %d.", l->name,
                 boost                       ? " on its PA_BOOST pin"
                 : l->family == &chip_sx127x ? " on its RFO pin"
                                             : "",
                 setup->power_dbm, boost ? l->boost_least : l->dbm_least,
                 boost ? l->boost_most : l->dbm_most);
        return -EINVAL;
    }
    return 0;
}

int chip_accepts_sending(const struct chip_setup *setup, const struct radio_sending *s)
{
    if (!known_bandwidth(s->bandwidth_hz) || !in_band(setup->model, s->frequency_hz) ||
        s->len == 0 || s->spreading_factor < 7 ||
        s->spreading_factor > sf_most(setup->model, s->bandwidth_hz) ||
        !power_fits(setup, s->power_dbm))
        return -EINVAL;
    return 0;
}

void chip_begin(struct chip *chip)
{
    chip->failure = 0;
}

int chip_end(const struct chip *chip)
{
    return chip->failure;
}

void chip_fail(struct chip *chip, int failure, const char *at)
{
    if (chip->failure)
        return;
    chip->failure = failure;
    chip->failed_at = at;
}

void chip_transfer(struct chip *chip, size_t len)
{
    int r;

    if (chip->failure)
        return;
    r = chip->bus.ops->transfer(chip->bus.self, chip->out, chip->in, len);
    if (r < 0)
        chip_fail(chip, r, "SPI transfer");
}

void chip_line(struct chip *chip, enum bus_line line, bool high)
{
    int r;

    if (chip->failure || !chip->bus.has[line])
        return;
    r = chip->bus.ops->line_set(chip->bus.self, line, high);
    if (r < 0)
        chip_fail(chip, r, line == BUS_RESET ? "reset line" : "antenna switch line");
}

void chip_switch(struct chip *chip, enum chip_switch to)
{
    if (to != CHIP_SWITCH_TRANSMIT)
        chip_line(chip, BUS_TRANSMIT, false);
    if (to != CHIP_SWITCH_RECEIVE)
        chip_line(chip, BUS_RECEIVE, false);
    if (to == CHIP_SWITCH_TRANSMIT)
        chip_line(chip, BUS_TRANSMIT, true);
    if (to == CHIP_SWITCH_RECEIVE)
        chip_line(chip, BUS_RECEIVE, true);
}
