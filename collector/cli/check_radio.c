#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <math.h>
#include <string.h>
#include <unistd.h>

#include "collector/cli/check.h"
#include "gateway/region/load.h"

enum {
    FRAME_BYTES = 41, /* a full report, AIR.md section 2 */
    INTERVAL_MIN = 15 /* what a station does unless told otherwise */
};

static bool same_channel(const struct radio_settings *a, const struct radio_settings *b)
{
    return a->frequency_hz == b->frequency_hz && a->bandwidth_hz == b->bandwidth_hz &&
           a->spreading_factor == b->spreading_factor;
}

static unsigned channel_count(const struct gateway_settings *gateway)
{
    unsigned count = 0;
    for (unsigned i = 0; i < gateway->radio_count; i++) {
        bool seen = false;
        for (unsigned j = 0; j < i; j++)
            seen = seen || same_channel(&gateway->radios[i], &gateway->radios[j]);
        count += !seen;
    }
    return count;
}

static void check_load(struct check *check, unsigned number, double stations, unsigned channels)
{
    static const enum finding kinds[] = {FINDING_FINE, FINDING_WARNING, FINDING_ERROR};
    const struct radio_settings *radio = &check->gateway.radios[number];
    struct load_channel channel = {
        .modulation = {.bandwidth_hz = (uint32_t)radio->bandwidth_hz,
                       .spreading_factor = (uint8_t)radio->spreading_factor,
                       .coding_rate = (uint8_t)radio->coding_rate,
                       .preamble = 8,
                       .crc = true},
        .frame_bytes = FRAME_BYTES,
        .stations = (uint32_t)lround(stations),
        .interval_s = 60 * INTERVAL_MIN};
    struct load_result result;
    char text[LOAD_TEXT];
    enum load_verdict verdict = load_check(&channel, &result, text);
    findings_add(&check->findings, kinds[verdict], "%s: [radio.%u] %.3f MHz: %s%s",
                 check->gateway_path, number, (double)radio->frequency_hz / 1e6, text,
                 channels > 1 ? " (All stations, shared evenly among the channels.)" : "");
}

/* A setting that a rule forbids was refused when the file was read. */
static void check_law(struct check *check, unsigned number)
{
    const struct region_band *band;
    char text[REGION_TEXT];
    radio_settings_lawful(&check->gateway.radios[number], &band, text);
    findings_add(&check->findings, FINDING_FINE, "%s: [radio.%u] %s", check->gateway_path, number,
                 text);
}

static void check_device(struct check *check, unsigned number)
{
    const struct radio_settings *radio = &check->gateway.radios[number];
    if (radio->driver == RADIO_DRIVER_SIMULATED ||
        faccessat(AT_FDCWD, radio->spi, R_OK | W_OK, AT_EACCESS) == 0)
        return;
    const char *remedy =
        errno == ENOENT
            ? "switch SPI on for this board, and look which number the device has"
            : "the gateway's user must be allowed to use it, with the rules in systemd/";
    findings_add(&check->findings, FINDING_ERROR, "%s: [radio.%u] spi = %s cannot be used: %s: %s.",
                 check->gateway_path, number, radio->spi, strerror(errno), remedy);
}

void check_radios(struct check *check)
{
    const struct gateway_settings *gateway = &check->gateway;
    unsigned channels = channel_count(gateway);
    if (gateway->radio_count == 0)
        findings_add(&check->findings, FINDING_ERROR,
                     "%s: there is no [radio.0], so this gateway hears nothing: add one.",
                     check->gateway_path);
    for (unsigned i = 0; i < gateway->radio_count; i++) {
        if (check->roster)
            check_load(check, i, (double)check_station_count(check) / channels, channels);
        check_law(check, i);
        check_device(check, i);
    }
}
