#include "gateway/radio/hardware.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>

#include "gateway/radio/transceiver.h"
#include "gateway/radio/wiring.h"

struct radio {
    struct wiring *wiring;
    struct transceiver *transceiver;
};

/* A gateway sends with one radio at a time. */
static struct transceiver_turn turn;

static enum chip_model model_of(int chip)
{
    static const enum chip_model models[] = {
        [RADIO_CHIP_UNSET] = CHIP_MODELS,  [RADIO_CHIP_SX1272] = CHIP_SX1272,
        [RADIO_CHIP_SX1273] = CHIP_SX1273, [RADIO_CHIP_SX1276] = CHIP_SX1276,
        [RADIO_CHIP_SX1277] = CHIP_SX1277, [RADIO_CHIP_SX1278] = CHIP_SX1278,
        [RADIO_CHIP_SX1279] = CHIP_SX1279, [RADIO_CHIP_SX1261] = CHIP_SX1261,
        [RADIO_CHIP_SX1262] = CHIP_SX1262, [RADIO_CHIP_SX1268] = CHIP_SX1268,
        [RADIO_CHIP_LLCC68] = CHIP_LLCC68,
    };

    return models[chip];
}

static int check_family(const struct radio_settings *s, enum chip_model model, char *why,
                        size_t size)
{
    const struct chip_ops *wanted = s->driver == RADIO_DRIVER_SX127X ? &chip_sx127x : &chip_sx126x;

    if (model == CHIP_MODELS) {
        snprintf(why, size, "no chip is named: set `chip` to the transceiver that is fitted.");
        return -EINVAL;
    }
    if (chip_family(model) == wanted)
        return 0;
    snprintf(why, size, "driver %s cannot drive an %s: use driver = %s.", wanted->name,
             chip_name(model), chip_family(model)->name);
    return -EINVAL;
}

int hardware_setup(const struct radio_settings *s, struct chip_setup *setup, char *why, size_t size)
{
    enum chip_model model = model_of(s->chip);
    int r = check_family(s, model, why, size);

    if (r < 0)
        return r;
    *setup = (struct chip_setup){
        .model = model,
        .channel = {.frequency_hz = (uint32_t)s->frequency_hz,
                    .bandwidth_hz = (uint32_t)s->bandwidth_hz,
                    .spreading_factor = (uint8_t)s->spreading_factor,
                    .sync_word = radio_settings_sync_word(s),
                    .coding_rate = (uint8_t)s->coding_rate},
        .power_dbm = (int8_t)s->power_dbm,
        .boost = s->amplifier != RADIO_AMPLIFIER_RFO,
        .tcxo = s->tcxo_mv > 0,
        .tcxo_mv = (uint16_t)s->tcxo_mv,
        .dio2_switch = s->antenna_switch == RADIO_SWITCH_DIO2,
        .rssi_offset_db = (int8_t)s->rssi_offset_db,
    };
    return chip_accepts(setup, why, size);
}

static struct wiring_plan plan_of(const struct radio_settings *s)
{
    return (struct wiring_plan){
        .spi = s->spi,
        .spi_hz = (uint32_t)s->spi_hz,
        .lines = {[BUS_INTERRUPT] = s->interrupt_line,
                  [BUS_BUSY] = s->busy_line,
                  [BUS_RESET] = s->reset_line,
                  [BUS_RECEIVE] = s->receive_line,
                  [BUS_TRANSMIT] = s->transmit_line},
        /* Only the SX1272/73's reset is active high. */
        .reset_high = s->chip != RADIO_CHIP_SX1272 && s->chip != RADIO_CHIP_SX1273,
    };
}

static void hardware_close(struct radio *radio)
{
    if (!radio)
        return;
    transceiver_close(radio->transceiver);
    wiring_close(radio->wiring);
    free(radio);
}

static int hardware_open(struct radio **radio, const struct radio_settings *settings,
                         radio_deliver deliver, void *sink, char *why, size_t why_size)
{
    struct transceiver_setup setup = {.turn = &turn};
    struct wiring_plan plan = plan_of(settings);
    struct radio *made = calloc(1, sizeof *made);
    int r = made ? hardware_setup(settings, &setup.chip, why, why_size) : -ENOMEM;

    if (r == 0)
        r = wiring_open(&made->wiring, &plan, &setup.bus, why, why_size);
    if (r == 0)
        r = transceiver_open(&made->transceiver, &setup, deliver, sink, why, why_size);
    if (r < 0) {
        hardware_close(made);
        return r;
    }
    *radio = made;
    return 0;
}

static int hardware_descriptor(const struct radio *radio)
{
    return transceiver_descriptor(radio->transceiver);
}

static int64_t hardware_timeout_us(const struct radio *radio, int64_t now_us)
{
    return transceiver_timeout_us(radio->transceiver, now_us);
}

static void hardware_service(struct radio *radio, int64_t now_us)
{
    (void)now_us; /* the bus has the same clock */
    transceiver_service(radio->transceiver);
}

static int hardware_send(struct radio *radio, const struct radio_sending *sending)
{
    return transceiver_send(radio->transceiver, sending);
}

static void hardware_counts(const struct radio *radio, struct radio_counts *counts)
{
    transceiver_counts(radio->transceiver, counts);
}

const struct radio_ops radio_sx127x = {
    .name = "sx127x",
    .threaded = true,
    .open = hardware_open,
    .close = hardware_close,
    .descriptor = hardware_descriptor,
    .timeout_us = hardware_timeout_us,
    .service = hardware_service,
    .send = hardware_send,
    .counts = hardware_counts,
};

const struct radio_ops radio_sx126x = {
    .name = "sx126x",
    .threaded = true,
    .open = hardware_open,
    .close = hardware_close,
    .descriptor = hardware_descriptor,
    .timeout_us = hardware_timeout_us,
    .service = hardware_service,
    .send = hardware_send,
    .counts = hardware_counts,
};
