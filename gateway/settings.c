#include "gateway/settings.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "gateway/radio/board.h"

static const char *const drivers[] = {"simulated", "sx127x", "sx126x", NULL};
static const char *const chips[] = {"unset",  "sx1272", "sx1276", "sx1277", "sx1279", "sx1261",
                                    "sx1262", "sx1273", "sx1278", "sx1268", "llcc68", NULL};
static const char *const amplifiers[] = {"unset", "boost", "rfo", NULL};
static const char *const switches[] = {"unset", "lines", "dio2", NULL};
static const char *const levels[] = {"low", "high", NULL};
static const char *const sync_words[] = {"0x12", "0x34", NULL};

#define SECTION(n, field)                                                                          \
    {                                                                                              \
        .name = n, .offset = offsetof(struct gateway_settings, field),                             \
        .present_offset = (size_t)-1                                                               \
    }

static const struct settings_section sections[] = {
    SECTION("gateway", gateway),
    SECTION("broker", broker),
    SECTION("spool", spool),
    SECTION("keys", keys),
    SECTION("collectors", collectors),
    {.name = "panel",
     .offset = offsetof(struct gateway_settings, panel),
     .optional = true,
     .present_offset = (size_t)-1},
    {.name = "rehearsal",
     .offset = offsetof(struct gateway_settings, rehearsal),
     .optional = true,
     .present_offset = (size_t)-1},
    {.name = "radio.*",
     .offset = offsetof(struct gateway_settings, radios),
     .size = sizeof(struct radio_settings),
     .most = GATEWAY_RADIOS_MAX,
     .count_offset = offsetof(struct gateway_settings, radio_count),
     .optional = true,
     .present_offset = (size_t)-1},
};

#define NAMING(f)     offsetof(struct gateway_naming, f)
#define BROKER(f)     offsetof(struct session_settings, f)
#define SPOOL(f)      offsetof(struct gateway_spool, f)
#define RADIO(f)      offsetof(struct radio_settings, f)
#define KEYS(f)       offsetof(struct gateway_keys, f)
#define COLLECTORS(f) offsetof(struct gateway_collectors, f)
#define PANEL(f)      offsetof(struct panel_settings, f)
#define REHEARSAL(f)  offsetof(struct gateway_rehearsal, f)

/* How a transceiver is wired: the same keys in [radio.N] and in a board's preset. */
#define WIRING(section)                                                                            \
    {section,     "chip", SETTINGS_CHOICE,                                                         \
     RADIO(chip), 0,      0,                                                                       \
     "unset",     chips,  "Which transceiver is fitted."},                                         \
        {section,    "spi", SETTINGS_TEXT,                                                         \
         RADIO(spi), 0,     64,                                                                    \
         "",         NULL,  "Device of the transceiver, for instance /dev/spidev0.0."},            \
        {section,   "spi_hz", SETTINGS_INTEGER,    RADIO(spi_hz), 100000, 16000000,                \
         "2000000", NULL,     "Clock of that bus."},                                               \
        {section,                                                                                  \
         "reset_line",                                                                             \
         SETTINGS_TEXT,                                                                            \
         RADIO(reset_line),                                                                        \
         0,                                                                                        \
         64,                                                                                       \
         "",                                                                                       \
         NULL,                                                                                     \
         "Line to the transceiver's reset: its name, or chip label and offset as label:offset."},  \
        {section,                                                                                  \
         "interrupt_line",                                                                         \
         SETTINGS_TEXT,                                                                            \
         RADIO(interrupt_line),                                                                    \
         0,                                                                                        \
         64,                                                                                       \
         "",                                                                                       \
         NULL,                                                                                     \
         "Line from DIO0 (SX127x) or DIO1 (SX126x)."},                                             \
        {section, "busy_line", SETTINGS_TEXT, RADIO(busy_line),          0,                        \
         64,      "",          NULL,          "Line from BUSY (SX126x)."},                         \
        {section,                                                                                  \
         "transmit_line",                                                                          \
         SETTINGS_TEXT,                                                                            \
         RADIO(transmit_line),                                                                     \
         0,                                                                                        \
         64,                                                                                       \
         "",                                                                                       \
         NULL,                                                                                     \
         "Line that switches the antenna to the transmitter; empty: none."},                       \
        {section,                                                                                  \
         "receive_line",                                                                           \
         SETTINGS_TEXT,                                                                            \
         RADIO(receive_line),                                                                      \
         0,                                                                                        \
         64,                                                                                       \
         "",                                                                                       \
         NULL,                                                                                     \
         "Line that switches the antenna to the receiver; empty: none."},                          \
        {section,                                                                                  \
         "amplifier",                                                                              \
         SETTINGS_CHOICE,                                                                          \
         RADIO(amplifier),                                                                         \
         0,                                                                                        \
         0,                                                                                        \
         "unset",                                                                                  \
         amplifiers,                                                                               \
         "SX127x: the pin the antenna hangs on, boost (PA_BOOST, the default) or rfo."},           \
        {section,                                                                                  \
         "antenna_switch",                                                                         \
         SETTINGS_CHOICE,                                                                          \
         RADIO(antenna_switch),                                                                    \
         0,                                                                                        \
         0,                                                                                        \
         "unset",                                                                                  \
         switches,                                                                                 \
         "SX126x: who moves the antenna switch, lines (the default) or dio2."},                    \
        {section,                                                                                  \
         "tcxo_mv",                                                                                \
         SETTINGS_INTEGER,                                                                         \
         RADIO(tcxo_mv),                                                                           \
         0,                                                                                        \
         3300,                                                                                     \
         "0",                                                                                      \
         NULL,                                                                                     \
         "SX126x: millivolt that DIO3 gives the TCXO, often 1800; SX127x: any value when an "      \
         "external clock is fitted; 0: a crystal."},                                               \
    {                                                                                              \
        section, "rssi_offset_db", SETTINGS_INTEGER, RADIO(rssi_offset_db), -30, 30, "0", NULL,    \
            "Added to the signal strength the chip reports, from a calibration of this board."     \
    }

static const struct settings_key keys[] = {
    {"gateway", "name", SETTINGS_NAME, NAMING(name), 0, 0, NULL, NULL,
     "Name of this gateway, one of its own within the site."},
    {"gateway", "site", SETTINGS_NAME, NAMING(site), 0, 0, NULL, NULL,
     "Name of the site, the same in all its gateways and collectors."},

    {"broker", "host", SETTINGS_TEXT, BROKER(host), 1, 253, "localhost", NULL,
     "Host name or address of the MQTT broker."},
    {"broker", "port", SETTINGS_INTEGER, BROKER(port), 1, 65535, "1883", NULL,
     "Port of the MQTT broker; 8883 is usual with TLS."},
    {"broker", "user", SETTINGS_TEXT, BROKER(user), 0, 128, "", NULL,
     "User name at the broker; empty: none."},
    {"broker", "password_file", SETTINGS_PATH, BROKER(password_file), 0, 0, "", NULL,
     "File whose first line is the password; readable by this service alone."},
    {"broker", "ca_file", SETTINGS_PATH, BROKER(ca_file), 0, 0, "", NULL,
     "Certificates that vouch for the broker; given: the connection uses TLS."},
    {"broker", "client_id", SETTINGS_TEXT, BROKER(client_id), 0, 64, "", NULL,
     "Client identifier at the broker; empty: edgerow-gateway-SITE-NAME."},
    {"broker", "keepalive_s", SETTINGS_INTEGER, BROKER(keepalive_s), 5, 3600, "60", NULL,
     "Seconds after which a silent connection is tested."},

    {"spool", "path", SETTINGS_PATH, SPOOL(path), 0, 0, "/var/lib/edgerow/gateway/spool.db", NULL,
     "File that keeps what was heard until every collector has stored it."},
    {"spool", "size_mib", SETTINGS_INTEGER, SPOOL(size_mib), 1, 1024, "256", NULL,
     "Size of that file, reserved on the disk at the first start."},
    {"spool", "history_days", SETTINGS_INTEGER, SPOOL(history_days), 0, 366, "30", NULL,
     "Days that rows stay after every collector has stored them, so that a lost store can be "
     "rebuilt."},
    {"spool", "commit_seconds", SETTINGS_INTEGER, SPOOL(commit_seconds), 0, 300, "30", NULL,
     "Longest time that an unconfirmed frame waits in memory before it is written."},
    {"spool", "commit_rows", SETTINGS_INTEGER, SPOOL(commit_rows), 1, 2000, "200", NULL,
     "Frames that may wait in memory before they are written."},
    {"spool", "window", SETTINGS_INTEGER, SPOOL(window), 1, 5000, "500", NULL,
     "Rows sent to the broker and not yet stored by a collector, at most; keep it below half of "
     "the "
     "broker's queue for one client."},

    {"keys", "file", SETTINGS_PATH, KEYS(file), 0, 0, "/etc/edgerow/keys.csv", NULL,
     "Addresses and keys of the units; readable by this service alone."},

    {"collectors", "names", SETTINGS_TEXT, COLLECTORS(names), 1, 140, NULL, NULL,
     "Names of the collectors that must have stored a row before it is forgotten, separated by "
     "commas."},

    {"panel", "light_line", SETTINGS_TEXT, PANEL(light_line), 0, 64, "", NULL,
     "Line of the status light: its name, or chip label and offset as label:offset; empty: none."},
    {"panel", "light_lit", SETTINGS_CHOICE, PANEL(light_lit), 0, 0, "high", levels,
     "Level of that line which lights it."},
    {"panel", "button_line", SETTINGS_TEXT, PANEL(button_line), 0, 64, "", NULL,
     "Line of the service button; empty: none."},
    {"panel", "button_pressed", SETTINGS_CHOICE, PANEL(button_pressed), 0, 0, "low", levels,
     "Level of that line while the button is pressed."},

    {"rehearsal", "clock", SETTINGS_PATH, REHEARSAL(clock), 0, 0, "", NULL,
     "Clock socket of a rehearsal; empty: the machine's clock."},

    {"radio.*", "driver", SETTINGS_CHOICE, RADIO(driver), 0, 0, NULL, drivers,
     "What drives this radio."},
    {"radio.*", "socket", SETTINGS_PATH, RADIO(socket), 0, 0, "", NULL,
     "Simulated radio: path of the socket it listens on."},
    {"radio.*", "board", SETTINGS_TEXT, RADIO(board), 0, 200, "", NULL,
     "Preset of a common wiring: its name, or the path of a file; what is set here goes before "
     "it."},
    WIRING("radio.*"),
    {"radio.*", "frequency_hz", SETTINGS_INTEGER, RADIO(frequency_hz), 137000000, 1020000000, NULL,
     NULL, "Frequency of the channel, in hertz."},
    {"radio.*", "bandwidth_hz", SETTINGS_INTEGER, RADIO(bandwidth_hz), 125000, 500000, "125000",
     NULL, "Bandwidth of the channel: 125000, 250000 or 500000 hertz."},
    {"radio.*", "spreading_factor", SETTINGS_INTEGER, RADIO(spreading_factor), 7, 12, "7", NULL,
     "Spreading factor of the channel."},
    {"radio.*", "coding_rate", SETTINGS_INTEGER, RADIO(coding_rate), 1, 4, "1", NULL,
     "Coding rate, 1 for 4/5 to 4 for 4/8."},
    {"radio.*", "sync_word", SETTINGS_CHOICE, RADIO(sync_word), 0, 0, "0x34", sync_words,
     "Sync word, the one the stations use."},
    {"radio.*", "country", SETTINGS_TEXT, RADIO(country), 0, 2, "", NULL,
     "Country whose radio rules apply, two letters of ISO 3166; empty: this radio only receives."},
    {"radio.*", "power_dbm", SETTINGS_INTEGER, RADIO(power_dbm), -9, 30, "14", NULL,
     "Power of answers at the antenna connector; local rules and a licensed person decide."},
    {"radio.*", "antenna_dbi", SETTINGS_NUMBER, RADIO(antenna_dbi), -10, 20, "2.15", NULL,
     "Gain of the antenna, cable losses taken off."},
    {"radio.*", "rx1_delay_s", SETTINGS_INTEGER, RADIO(rx1_delay_s), 1, 15, "5", NULL,
     "Seconds from the end of a report to its answer; the same in the stations (RX1 delay)."},
};

const struct settings_schema gateway_schema = {sections, sizeof sections / sizeof sections[0], keys,
                                               sizeof keys / sizeof keys[0]};

static const struct settings_section board_sections[] = {
    {.name = "board", .offset = 0, .present_offset = (size_t)-1},
};
static const struct settings_key board_keys[] = {
    WIRING("board"),
};
const struct settings_schema board_schema = {board_sections, 1, board_keys,
                                             sizeof board_keys / sizeof board_keys[0]};

static int split_collectors(const char *path, struct gateway_collectors *c,
                            struct settings_fault *fault)
{
    static const char separators[] = ", \t";
    const char *at = c->names + strspn(c->names, separators);
    while (*at != '\0') {
        size_t len = strcspn(at, separators);
        char name[FEED_NAME_MAX + 1] = {0};
        if (len <= FEED_NAME_MAX)
            memcpy(name, at, len);
        if (!feed_name_valid(name)) {
            snprintf(
                fault->text, sizeof fault->text,
                "%s: [collectors] names: \"%.*s\" is no name: use 1 to 32 of a-z A-Z 0-9 . _ -.",
                path, (int)len, at);
            return -EINVAL;
        }
        if (c->count == GATEWAY_COLLECTORS_MAX) {
            snprintf(
                fault->text, sizeof fault->text,
                "%s: [collectors] names: more than %d collectors: keep those that must not lose a "
                "row; others may listen without being named.",
                path, GATEWAY_COLLECTORS_MAX);
            return -EINVAL;
        }
        memcpy(c->name[c->count++], name, sizeof name);
        at += len;
        at += strspn(at, separators);
    }
    if (c->count > 0)
        return 0;
    snprintf(fault->text, sizeof fault->text,
             "%s: [collectors] names is empty: name the collector that stores this gateway's rows.",
             path);
    return -EINVAL;
}

enum { LONGEST_FRAME = 41 }; /* a full report in its frame: AIR.md */

enum region_verdict radio_settings_lawful(const struct radio_settings *radio,
                                          const struct region_band **band, char text[REGION_TEXT])
{
    struct region_use use = {.country = radio->country,
                             .frequency_hz = (uint32_t)radio->frequency_hz,
                             .bandwidth_hz = (uint32_t)radio->bandwidth_hz,
                             .spreading_factor = (uint8_t)radio->spreading_factor,
                             .coding_rate = (uint8_t)radio->coding_rate,
                             .longest = LONGEST_FRAME,
                             .power_cdbm = (int32_t)radio->power_dbm * 100,
                             .antenna_cdbi = (int32_t)(radio->antenna_dbi * 100)};

    return region_check(&use, band, text);
}

static int check_law(const char *path, unsigned number, const struct radio_settings *radio,
                     struct settings_fault *fault)
{
    const struct region_band *band;
    char text[REGION_TEXT];

    if (radio_settings_lawful(radio, &band, text) != REGION_REFUSED)
        return 0;
    settings_fault_set(fault, "%s: [radio.%u]: %s", path, number, text);
    return -EINVAL;
}

static int check_radio(const char *path, unsigned number, const struct radio_settings *radio,
                       struct settings_fault *fault)
{
    if (radio->bandwidth_hz != 125000 && radio->bandwidth_hz != 250000 &&
        radio->bandwidth_hz != 500000) {
        snprintf(fault->text, sizeof fault->text,
                 "%s: [radio.%u] bandwidth_hz = %lld: use 125000, 250000 or 500000.", path, number,
                 (long long)radio->bandwidth_hz);
        return -EINVAL;
    }
    if (radio->driver == RADIO_DRIVER_SIMULATED && radio->socket[0] == '\0') {
        snprintf(fault->text, sizeof fault->text,
                 "%s: [radio.%u] is simulated and has no socket: give the path to listen on.", path,
                 number);
        return -EINVAL;
    }
    if (radio->driver != RADIO_DRIVER_SIMULATED && radio->chip == RADIO_CHIP_UNSET) {
        snprintf(fault->text, sizeof fault->text,
                 "%s: [radio.%u] has no chip: name the transceiver that is fitted, for instance "
                 "chip = sx1276, or choose a board.",
                 path, number);
        return -EINVAL;
    }
    if (radio->driver != RADIO_DRIVER_SIMULATED && radio->spi[0] == '\0') {
        snprintf(fault->text, sizeof fault->text,
                 "%s: [radio.%u] has no spi: name the transceiver's device, for instance "
                 "/dev/spidev0.0.",
                 path, number);
        return -EINVAL;
    }
    return 0;
}

static int default_client_id(struct gateway_settings *s)
{
    if (s->broker.client_id[0] != '\0')
        return 0;
    char *made;
    if (asprintf(&made, "edgerow-gateway-%s-%s", s->gateway.site, s->gateway.name) < 0)
        return -ENOMEM;
    free(s->broker.client_id);
    s->broker.client_id = made;
    return 0;
}

int gateway_settings_read(const char *path, struct gateway_settings *settings,
                          struct settings_fault *fault)
{
    int error = settings_read(path, &gateway_schema, settings, fault);
    if (error == 0)
        error = split_collectors(path, &settings->collectors, fault);
    if (error == 0 && settings->radio_count == 0) {
        snprintf(fault->text, sizeof fault->text,
                 "%s: no radio: add a section [radio.0] with its driver and frequency_hz.", path);
        error = -EINVAL;
    }
    for (unsigned i = 0; error == 0 && i < settings->radio_count; i++)
        error = board_apply(&settings->radios[i], fault);
    for (unsigned i = 0; error == 0 && i < settings->radio_count; i++)
        error = check_radio(path, i, &settings->radios[i], fault);
    for (unsigned i = 0; error == 0 && i < settings->radio_count; i++)
        error = check_law(path, i, &settings->radios[i], fault);
    if (error == 0) {
        error = default_client_id(settings);
        if (error != 0)
            snprintf(fault->text, sizeof fault->text, "%s: not enough memory.", path);
    }
    return error;
}

void gateway_settings_free(struct gateway_settings *settings)
{
    settings_free(&gateway_schema, settings);
}

uint8_t radio_settings_sync_word(const struct radio_settings *radio)
{
    return radio->sync_word == 0 ? 0x12 : 0x34;
}
