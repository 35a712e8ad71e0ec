#include <inttypes.h>
#include <math.h>
#include <string.h>

#include "collector/cli/check.h"
#include "protocol/air/airtime.h"

enum {
    FRAME_BYTES = 41,  /* a full report, AIR.md section 2 */
    INTERVAL_MIN = 15, /* what a station does unless told otherwise */
    LOSS_WARN_PERCENT = 10,
    LOSS_REFUSE_PERCENT = 30
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

/* The share of reports that meet another one, without capture: pure ALOHA (Abramson 1970), as in
 * AIR.md section 1. */
static double loss_percent(const struct radio_settings *radio, double stations)
{
    struct air_modulation m = {.bandwidth_hz = (uint32_t)radio->bandwidth_hz,
                               .spreading_factor = (uint8_t)radio->spreading_factor,
                               .coding_rate = (uint8_t)radio->coding_rate,
                               .preamble = 8,
                               .crc = true};
    double on_air_s = air_time_us(&m, FRAME_BYTES) / 1e6;
    return stations < 1 ? 0 : 100 * (1 - exp(-2 * (stations - 1) * on_air_s / (60 * INTERVAL_MIN)));
}

static void check_load(struct check *check, unsigned number, double stations, unsigned channels)
{
    const struct radio_settings *radio = &check->gateway.radios[number];
    double percent = loss_percent(radio, stations);
    enum finding kind = percent >= LOSS_REFUSE_PERCENT ? FINDING_ERROR
                        : percent >= LOSS_WARN_PERCENT ? FINDING_WARNING
                                                       : FINDING_FINE;
    findings_add(&check->findings, kind,
                 "%s: [radio.%u] %.3f MHz, %" PRId64 " kHz, SF%" PRId64 ": of %.0f stations%s "
                 "reporting every %d minutes, %.1f %% of reports are lost to each other%s",
                 check->gateway_path, number, (double)radio->frequency_hz / 1e6,
                 radio->bandwidth_hz / 1000, radio->spreading_factor, stations,
                 channels > 1 ? " (all, shared evenly among the channels)" : "", INTERVAL_MIN,
                 percent,
                 kind == FINDING_FINE
                     ? "."
                     : ": use a lower spreading factor, more bandwidth, a longer interval or "
                       "another radio on its own channel.");
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
        if (gateway->radios[i].country[0] == '\0')
            findings_add(&check->findings, FINDING_FINE,
                         "%s: [radio.%u] has no country, so it only receives: stations get no "
                         "acknowledgements and no orders.",
                         check->gateway_path, i);
    }
}
