/*
 * SX1261, SX1262, SX1268 and LLCC68, LoRa mode. "DS" is DS_SX1261-2; its chapter 15 holds the
 * errata.
 */
#include <errno.h>
#include <stdio.h>

#include "gateway/radio/chip.h"
#include "gateway/radio/sx126x_command.h"
#include "protocol/air/airtime.h"

enum { MODE_STANDBY_RC = 2, MODE_RX = 5 };
enum { IRQ_TX_DONE = 0x01, IRQ_RX_DONE = 0x02, IRQ_HEADER_ERROR = 0x20, IRQ_CRC_ERROR = 0x40 };
enum { IRQ_WANTED = IRQ_TX_DONE | IRQ_RX_DONE | IRQ_HEADER_ERROR | IRQ_CRC_ERROR };
enum { ERROR_XOSC_START = 0x20, ERROR_PLL_LOCK = 0x40 };
enum { RX_BOOSTED = 0x96, RAMP_40_US = 2 };

/* The high nibbles of two registers hold the sync word, the low nibbles stay 4. */
static uint16_t sync_registers(uint8_t sync_word)
{
    return (uint16_t)((sync_word & 0xF0) << 8 | 0x0400 | (sync_word & 0x0F) << 4 | 0x04);
}

/* The chip has no version register. After a reset it is in standby and the sync word registers hold
 * their documented reset value. */
static int identify(struct chip *chip, char *why, size_t size)
{
    uint8_t mode = sx126x_status_mode(chip);
    const uint8_t *sync = sx126x_get_registers(chip, REG_SYNC_WORD, 2);

    if (chip_end(chip) < 0)
        return chip_end(chip);
    if (mode == 0 || mode == 7)
        snprintf(why, size,
                 "the chip does not answer (status reads 0x%02x): check its supply, the SPI wires "
                 "(MISO, "
                 "MOSI, SCK, chip select) and the reset line.",
                 chip->in[0]);
    else if (sync[0] != 0x14 || sync[1] != 0x24)
        snprintf(why, size,
                 "after a reset the sync word reads %02x%02x, an %s has 1424: set `chip` to the "
                 "one that "
                 "is fitted, or look for a bad contact on the SPI and reset wires.",
                 sync[0], sync[1], chip_name(chip->setup.model));
    else
        return 0;
    return -ENODEV;
}

static int reset(struct chip *chip)
{
    chip_line(chip, BUS_RESET, false);
    bus_sleep(&chip->bus, 200); /* DS section 8.1: 100 us at least */
    chip_line(chip, BUS_RESET, true);
    bus_sleep(&chip->bus, 200);
    sx126x_wait_ready(chip, SX126X_START_US);
    return chip_end(chip);
}

static uint8_t tcxo_code(uint16_t mv)
{
    static const uint16_t codes[8] = {1600, 1700, 1800, 2200, 2400, 2700, 3000, 3300};

    for (uint8_t i = 0; i < 8; i++)
        if (codes[i] >= mv)
            return i;
    return 7;
}

static uint32_t tcxo_start_us(const struct chip *chip)
{
    return chip->setup.tcxo_start_us ? chip->setup.tcxo_start_us : 5000;
}

/* DS section 13.3.6: the TCXO comes first, then the error it caused at power-up is cleared, then
 * all blocks are calibrated again with the right clock; calibrating before costs several dB. */
static int start_clock(struct chip *chip, char *why, size_t size)
{
    uint32_t delay = tcxo_start_us(chip) * 64 / 1000; /* steps of 15.625 us */
    uint8_t tcxo[4] = {tcxo_code(chip->setup.tcxo_mv), (uint8_t)(delay >> 16),
                       (uint8_t)(delay >> 8), (uint8_t)delay};
    const uint8_t *answer;
    uint16_t errors;

    sx126x_set1(chip, SET_STANDBY, 0);
    sx126x_set1(chip, SET_REGULATOR, chip->setup.ldo ? 0 : 1);
    if (chip->setup.tcxo_mv)
        sx126x_set4(chip, SET_TCXO, tcxo);
    sx126x_set2(chip, CLEAR_ERRORS, 0, 0);
    sx126x_set1(chip, CALIBRATE, 0x7F);
    sx126x_wait_ready(chip, SX126X_START_US + tcxo_start_us(chip));
    answer = sx126x_get(chip, GET_ERRORS, 2);
    errors = (uint16_t)(answer[0] << 8 | answer[1]);
    if (chip_end(chip) < 0)
        return chip_end(chip);
    if (!(errors & (ERROR_XOSC_START | ERROR_PLL_LOCK)))
        return 0;
    snprintf(why, size, "the oscillator did not start (error 0x%02x): %s", errors,
             chip->setup.tcxo_mv
                 ? "`tcxo_mv` may not be what this board's TCXO needs, or it has a crystal."
                 : "this board may have a TCXO: set `tcxo_mv`, often 1800.");
    return -EIO;
}

/* DS table 9-2; the three lower bands from memory. Other bands: the enclosing steps of 4 MHz. */
static void calibrate_image(struct chip *chip)
{
    static const struct {
        uint16_t from_mhz, to_mhz;
        uint8_t first, last;
    } bands[] = {{430, 440, 0x6B, 0x6F},
                 {470, 510, 0x75, 0x81},
                 {779, 787, 0xC1, 0xC5},
                 {863, 870, 0xD7, 0xDB},
                 {902, 928, 0xE1, 0xE9}};
    uint32_t mhz = chip->setup.channel.frequency_hz / 1000000;
    uint8_t first = (uint8_t)(mhz / 4 - 2), last = (uint8_t)(mhz / 4 + 2);

    for (size_t i = 0; i < sizeof bands / sizeof bands[0]; i++)
        if (mhz >= bands[i].from_mhz && mhz <= bands[i].to_mhz) {
            first = bands[i].first;
            last = bands[i].last;
        }
    sx126x_set2(chip, CALIBRATE_IMAGE, first, last);
}

/* DS table 13-21: SX1261 +15 dBm is duty cycle 6 with the power of 14, otherwise 4; the others'
 * high power amplifier is 4 and 7. Power below the most is set by the byte alone. */
static void put_power(struct chip *chip, int dbm)
{
    static const uint8_t high[4] = {0x04, 0x07, 0x00, 0x01};
    uint8_t low[4] = {(uint8_t)(dbm > 14 ? 0x06 : 0x04), 0x00, 0x01, 0x01};
    bool is_1261 = chip->setup.model == CHIP_SX1261;

    sx126x_set4(chip, SET_PA, is_1261 ? low : high);
    if (is_1261 && dbm > 14)
        dbm = 14;
    sx126x_set2(chip, SET_TX_PARAMS, (uint8_t)dbm, RAMP_40_US);
}

static void put_frequency(struct chip *chip, uint32_t hz)
{
    uint64_t word = (((uint64_t)hz << 25) + 16000000) / 32000000; /* DS section 13.4.1 */
    uint8_t bytes[4] = {(uint8_t)(word >> 24), (uint8_t)(word >> 16), (uint8_t)(word >> 8),
                        (uint8_t)word};

    sx126x_set4(chip, SET_FREQUENCY, bytes);
}

static void put_modulation(struct chip *chip, uint32_t bandwidth_hz, uint8_t sf)
{
    struct air_modulation m = {.bandwidth_hz = bandwidth_hz, .spreading_factor = sf};
    uint8_t code = bandwidth_hz == 125000 ? 4 : bandwidth_hz == 250000 ? 5 : 6;
    uint8_t bytes[4] = {sf, code, chip->setup.channel.coding_rate,
                        air_modulation_low_rate(&m) ? 1 : 0};

    sx126x_set4(chip, SET_MODULATION, bytes);
    /* Section 15.1: bit 2 is 0 at 500 kHz and 1 otherwise. */
    sx126x_change_register(chip, REG_TX_MODULATION, 0x04, bandwidth_hz == 500000 ? 0 : 0x04);
}

static void put_packet(struct chip *chip, uint8_t len, bool sending)
{
    chip->out[0] = SET_PACKET;
    chip->out[1] = 0;
    chip->out[2] = 8; /* preamble */
    chip->out[3] = 0; /* explicit header */
    chip->out[4] = len;
    chip->out[5] = sending ? 0 : 1; /* answers carry no payload CRC */
    chip->out[6] = sending ? 1 : 0; /* answers are sent inverted */
    sx126x_command(chip, 7);
    /* Section 15.4: bit 2 is 0 for inverted IQ and 1 otherwise. */
    sx126x_change_register(chip, REG_IQ, 0x04, sending ? 0 : 0x04);
}

static void tune_to_channel(struct chip *chip)
{
    const struct radio_channel *c = &chip->setup.channel;

    put_frequency(chip, c->frequency_hz);
    put_modulation(chip, c->bandwidth_hz, c->spreading_factor);
    put_packet(chip, RADIO_PACKET_MAX, false);
}

static void put_interrupts(struct chip *chip)
{
    uint8_t wanted = IRQ_WANTED;
    uint8_t bytes[8] = {0, wanted, 0, wanted, 0, 0, 0, 0};

    chip->out[0] = SET_IRQ;
    for (size_t i = 0; i < sizeof bytes; i++)
        chip->out[1 + i] = bytes[i];
    sx126x_command(chip, 9);
}

static void configure(struct chip *chip)
{
    uint16_t sync = sync_registers(chip->setup.channel.sync_word);

    sx126x_set1(chip, SET_PACKET_TYPE, 1);
    sx126x_set1(chip, SET_DIO2_SWITCH, chip->setup.dio2_switch ? 1 : 0);
    sx126x_set1(chip, SET_FALLBACK,
                0x30); /* after a transmission standby with the oscillator running */
    calibrate_image(chip);
    put_power(chip, chip->setup.power_dbm);
    /* Section 15.2: the clamp of the amplifier is too eager for a mismatched antenna. */
    if (chip->setup.model != CHIP_SX1261)
        sx126x_change_register(chip, REG_TX_CLAMP, 0, 0x1E);
    sx126x_set2(chip, SET_BUFFER_BASE, 0, 0);
    sx126x_put_register(chip, REG_SYNC_WORD, (uint8_t)(sync >> 8));
    sx126x_put_register(chip, REG_SYNC_WORD + 1, (uint8_t)sync);
    sx126x_put_register(chip, REG_RX_GAIN, RX_BOOSTED);
    put_interrupts(chip);
    tune_to_channel(chip);
}

static int verify_settings(struct chip *chip, uint8_t want_mode, char *why, size_t size)
{
    uint16_t want = sync_registers(chip->setup.channel.sync_word);
    uint8_t mode = sx126x_status_mode(chip);
    const uint8_t *r = sx126x_get_registers(chip, REG_SYNC_WORD, 2);
    uint16_t sync = (uint16_t)(r[0] << 8 | r[1]);
    uint8_t gain = *sx126x_get_registers(chip, REG_RX_GAIN, 1);

    if (chip_end(chip) < 0)
        return chip_end(chip);
    if (mode == want_mode && sync == want && gain == RX_BOOSTED)
        return 0;
    if (mode == 0 || mode == 7)
        snprintf(why, size,
                 "the chip does not answer any more: check its supply and the SPI wires.");
    else
        snprintf(why, size,
                 "the chip lost its settings (mode %u, should be %u; sync word %04x; gain 0x%02x): "
                 "check "
                 "its supply for dips.",
                 mode, want_mode, sync, gain);
    return -EIO;
}

static int start(struct chip *chip, char *why, size_t size)
{
    int r;

    chip_begin(chip);
    chip_switch(chip, CHIP_SWITCH_OFF);
    r = reset(chip);
    if (r == 0)
        r = identify(chip, why, size);
    if (r == 0)
        r = start_clock(chip, why, size);
    if (r < 0)
        return r;
    configure(chip);
    return verify_settings(chip, MODE_STANDBY_RC, why, size);
}

static void clear_flags(struct chip *chip, uint16_t flags)
{
    sx126x_set2(chip, CLEAR_IRQ, (uint8_t)(flags >> 8), (uint8_t)flags);
}

static int listen(struct chip *chip)
{
    chip_begin(chip);
    chip_switch(chip, CHIP_SWITCH_RECEIVE);
    clear_flags(chip, 0xFFFF);
    chip->out[0] = SET_RX;
    chip->out[1] = chip->out[2] = chip->out[3] =
        0xFF; /* continuous: no timer, so 15.3 does not apply */
    sx126x_command(chip, 4);
    return chip_end(chip);
}

struct pointers {
    uint8_t len, start;
};

static struct pointers get_pointers(struct chip *chip)
{
    const uint8_t *r = sx126x_get(chip, GET_RECEIVED, 2);

    return (struct pointers){.len = r[0], .start = r[1]};
}

static void read_buffer(struct chip *chip, uint8_t from, uint8_t *bytes, size_t count)
{
    if (count == 0)
        return;
    for (size_t i = 2; i < 3 + count; i++)
        chip->out[i] = 0;
    chip->out[0] = READ_BUFFER;
    chip->out[1] = from;
    sx126x_command(chip, 3 + count);
    for (size_t i = 0; i < count; i++)
        bytes[i] = chip->in[3 + i];
}

/* Packets lie one after the other in 256 bytes; one may go over the end. */
static void read_payload(struct chip *chip, struct pointers p, struct radio_packet *packet)
{
    size_t first = 256U - p.start;

    if (first > p.len)
        first = p.len;
    read_buffer(chip, p.start, packet->bytes, first);
    read_buffer(chip, 0, packet->bytes + first, p.len - first);
    packet->len = p.len;
}

/* DS section 13.5.3. Below the noise the level after despreading says more than the total. */
static void read_measures(struct chip *chip, struct radio_packet *packet)
{
    const uint8_t *r = sx126x_get(chip, GET_PACKET_STATUS, 3);
    int8_t snr = (int8_t)r[1];
    int level = snr < 0 ? r[2] : r[0];

    packet->snr_cdb = (int16_t)(snr * 25);
    packet->rssi_cdbm = (int16_t)(-50 * level + chip->setup.rssi_offset_db * 100);
}

/* True when a payload CRC was present. The offset's scale (1.55 Hz times bandwidth / 1600 kHz) is
 * not in the datasheet and is from memory of public drivers. */
static bool read_received(struct chip *chip, struct radio_packet *packet)
{
    const uint8_t *r = sx126x_get_registers(chip, REG_RECEIVED, 3);
    int32_t fei = (r[0] & 0x0F) << 16 | r[1] << 8 | r[2];

    if (fei & 0x80000)
        fei -= 0x100000;
    packet->offset_hz = (int32_t)(fei * 155LL * (chip->setup.channel.bandwidth_hz / 1000) / 160000);
    return r[0] & 0x10;
}

/* One packet. True: the pointers moved while it was read, *at is the newer one. */
static bool take(struct chip *chip, struct pointers *at, bool crc_error,
                 struct radio_packet *packet, struct chip_seen *seen)
{
    bool crc_present = read_received(chip, packet);
    struct pointers again;

    if (!crc_error && crc_present) {
        read_payload(chip, *at, packet);
        read_measures(chip, packet);
    }
    again = get_pointers(chip);
    if (again.len != at->len || again.start != at->start) {
        *at = again;
        return true;
    }
    seen->crc_error = crc_error;
    seen->no_crc = !crc_error && !crc_present;
    seen->received = !crc_error && crc_present && at->len > 0;
    return false;
}

static uint16_t get_flags(struct chip *chip)
{
    const uint8_t *r = sx126x_get(chip, GET_IRQ, 2);

    return (uint16_t)(r[0] << 8 | r[1]);
}

static int look(struct chip *chip, struct radio_packet *packet, struct chip_seen *seen)
{
    uint16_t flags, now;
    struct pointers at;
    bool crc_error;

    chip_begin(chip);
    *seen = (struct chip_seen){0};
    flags = get_flags(chip);
    if (chip_end(chip) == 0 && (flags & 0xFC00))
        chip_fail(chip, -EIO, "interrupt flags"); /* bits that do not exist: nobody answers */
    seen->nothing = flags == 0;
    if (chip_end(chip) < 0 || flags == 0)
        return chip_end(chip);
    at = get_pointers(chip);
    clear_flags(chip, flags);
    crc_error = flags & IRQ_CRC_ERROR;
    seen->sent = flags & IRQ_TX_DONE;
    /* A header error is reported beside a good packet too; then it means nothing. */
    seen->header_error = (flags & IRQ_HEADER_ERROR) && !((flags & IRQ_RX_DONE) && !crc_error);
    if (!(flags & IRQ_RX_DONE) || !take(chip, &at, crc_error, packet, seen))
        return chip_end(chip);
    /* A second packet came. Unless its flag is set, we cleared it with the first one's: take it
     * now; but when we also cleared a CRC error, nobody knows whose it was. */
    seen->moved = true;
    now = get_flags(chip);
    if (now & IRQ_RX_DONE)
        return chip_end(chip);
    if (now)
        clear_flags(chip, now); /* its CRC error must not be taken for a later packet's */
    if (!crc_error && take(chip, &at, now & IRQ_CRC_ERROR, packet, seen))
        seen->received = false;
    return chip_end(chip);
}

static int load(struct chip *chip, const struct radio_sending *s)
{
    chip_begin(chip);
    sx126x_set1(chip, SET_STANDBY, 1);
    put_frequency(chip, s->frequency_hz);
    put_modulation(chip, s->bandwidth_hz, s->spreading_factor);
    put_packet(chip, s->len, true);
    put_power(chip, s->power_dbm);
    chip->out[0] = WRITE_BUFFER;
    chip->out[1] = 0;
    for (size_t i = 0; i < s->len; i++)
        chip->out[2 + i] = s->bytes[i];
    sx126x_command(chip, s->len + 2U);
    clear_flags(chip, 0xFFFF);
    chip->out[0] = SET_FS;
    sx126x_command(chip, 1);
    chip_switch(chip, CHIP_SWITCH_TRANSMIT);
    sx126x_wait_ready(chip, SX126X_READY_US);
    return chip_end(chip);
}

/* The command goes out without another look at BUSY: load() has seen it low. */
static int transmit(struct chip *chip)
{
    chip_begin(chip);
    chip->out[0] = SET_TX;
    chip->out[1] = chip->out[2] = chip->out[3] = 0;
    chip_transfer(chip, 4);
    return chip_end(chip);
}

static int restore(struct chip *chip)
{
    chip_begin(chip);
    sx126x_set1(chip, SET_STANDBY, 1);
    chip_switch(chip, CHIP_SWITCH_OFF);
    put_power(chip, chip->setup.power_dbm);
    tune_to_channel(chip);
    return chip_end(chip);
}

/* No register gives the frequency back; a chip that was reset is found by its mode and gain. */
static int verify(struct chip *chip, char *why, size_t size)
{
    chip_begin(chip);
    return verify_settings(chip, MODE_RX, why, size);
}

static uint32_t done_delay_us(uint32_t bandwidth_hz, uint8_t sf)
{
    (void)bandwidth_hz;
    (void)sf;
    return 0; /* no figure is published for this family */
}

/* RM0453 table 33: from the synthesizer's mode to the first preamble symbol 76 us. */
const struct chip_ops chip_sx126x = {
    .name = "sx126x",
    .lead_us = 76,
    .start = start,
    .listen = listen,
    .look = look,
    .load = load,
    .transmit = transmit,
    .restore = restore,
    .verify = verify,
    .done_delay_us = done_delay_us,
};
