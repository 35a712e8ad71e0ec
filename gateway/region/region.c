#include "gateway/region/region.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "protocol/air/airtime.h"

struct country {
    const char *code, *name, *set;
};

static const struct country countries[] = {
#include "countries.inc"
};
static const struct region_band bands[] = {
#include "bands.inc"
};
enum { COUNTRIES = sizeof countries / sizeof countries[0], BANDS = sizeof bands / sizeof bands[0] };

static const char caution[] = "Local rules and a licensed person decide.";

static const struct country *find(const char *code)
{
    for (size_t i = 0; code && i < COUNTRIES; i++)
        if (strcasecmp(countries[i].code, code) == 0)
            return &countries[i];
    return NULL;
}

const char *region_country_name(const char *code)
{
    const struct country *country = find(code);

    return country ? country->name : NULL;
}

static bool holds(const struct region_band *b, uint32_t frequency_hz, uint32_t bandwidth_hz)
{
    uint64_t low = (uint64_t)frequency_hz - bandwidth_hz / 2;
    uint64_t high = (uint64_t)frequency_hz + bandwidth_hz / 2;

    return low >= (uint64_t)b->from_khz * 1000 && high <= (uint64_t)b->to_khz * 1000;
}

static const struct region_band *band_at(const struct country *country, uint32_t frequency_hz,
                                         uint32_t bandwidth_hz)
{
    for (size_t i = 0; i < BANDS; i++)
        if (strcmp(bands[i].set, country->set) == 0 && holds(&bands[i], frequency_hz, bandwidth_hz))
            return &bands[i];
    return NULL;
}

const struct region_band *region_band_of(const char *code, uint32_t frequency_hz,
                                         uint32_t bandwidth_hz)
{
    const struct country *country = find(code);
    const struct region_band *b = country ? band_at(country, frequency_hz, bandwidth_hz) : NULL;

    return b && b->compared ? b : NULL;
}

/* The highest power at the connector that the band permits with this antenna and bandwidth. */
static int32_t most_cdbm(const struct region_band *b, const struct region_use *use)
{
    /* 10 log10(bandwidth / 3 kHz), in hundredths of dB: what spreads over the channel. */
    int32_t spread = (int32_t)lround(1000.0 * log10(use->bandwidth_hz / 3000.0));
    int32_t most = b->power_cdbm;
    int32_t by_density;

    if (b->power_kind == REGION_EIRP)
        most -= use->antenna_cdbi;
    else if (b->power_kind == REGION_ERP)
        most -= use->antenna_cdbi - 215;
    else if (use->antenna_cdbi > b->antenna_cdbi)
        most -= use->antenna_cdbi - b->antenna_cdbi;
    if (b->density_cdbm_3khz == REGION_NO_DENSITY)
        return most;
    by_density = b->density_cdbm_3khz + spread;
    if (b->power_kind == REGION_EIRP)
        by_density -= use->antenna_cdbi;
    return by_density < most ? by_density : most;
}

static uint32_t frame_us(const struct region_use *use, uint8_t sf)
{
    struct air_modulation m = {.bandwidth_hz = use->bandwidth_hz,
                               .spreading_factor = sf,
                               .coding_rate = use->coding_rate,
                               .preamble = 8,
                               .crc = true};

    return air_time_us(&m, use->longest);
}

static void list_bands(const struct country *country, char *text, size_t size)
{
    size_t used = 0;

    for (size_t i = 0; i < BANDS && used < size; i++)
        if (strcmp(bands[i].set, country->set) == 0 && bands[i].compared)
            used +=
                (size_t)snprintf(text + used, size - used, "%s%.3f to %.3f MHz", used ? ", " : "",
                                 bands[i].from_khz / 1e3, bands[i].to_khz / 1e3);
}

static void refuse_place(const struct country *country, const struct region_use *use, char *text)
{
    char list[256] = "";

    list_bands(country, list, sizeof list);
    snprintf(
        text, REGION_TEXT,
        "A channel of %u kHz at %.3f MHz lies in no band known for %s. Lawful: a channel wholly "
        "within %s. %s",
        use->bandwidth_hz / 1000, use->frequency_hz / 1e6, country->name, list, caution);
}

static void refuse_bandwidth(const struct country *country, const struct region_band *b,
                             const struct region_use *use, char *text)
{
    snprintf(
        text, REGION_TEXT,
        "A fixed channel of %u kHz is not lawful in %s (%s): a channel that does not hop needs "
        "a bandwidth of %u kHz at least. Lawful: bandwidth_hz = %u in gateway and stations, "
        "with a certified transmitter and antenna. %s",
        use->bandwidth_hz / 1000, country->name, b->rule, b->fixed_khz, b->fixed_khz * 1000,
        caution);
}

static void refuse_power(const struct country *country, const struct region_band *b,
                         const struct region_use *use, char *text)
{
    snprintf(
        text, REGION_TEXT,
        "%.1f dBm into an antenna of %.1f dBi is more than %s permits (%s). Lawful: power_dbm = "
        "%d or less with this antenna, or an antenna with less gain. %s",
        use->power_cdbm / 100.0, use->antenna_cdbi / 100.0, country->name, b->rule,
        (int)floor(most_cdbm(b, use) / 100.0), caution);
}

static void refuse_length(const struct country *country, const struct region_band *b,
                          const struct region_use *use, char *text)
{
    uint8_t sf = use->spreading_factor;

    while (sf > 7 && frame_us(use, sf) > b->frame_ms * 1000)
        sf--;
    snprintf(
        text, REGION_TEXT,
        "A frame of %u bytes lasts %.1f ms at spreading factor %u; %s permits %u ms (%s). Lawful: "
        "spreading factor %u, or shorter frames. %s",
        use->longest, frame_us(use, use->spreading_factor) / 1e3, use->spreading_factor,
        country->name, b->frame_ms, b->rule, sf, caution);
}

static void accept(const struct country *country, const struct region_band *b, char *text)
{
    char duty[80] = "";

    if (b->duty_ppm != REGION_NO_DUTY)
        snprintf(duty, sizeof duty, " At most %g %% of any hour (%.1f s) is sent in this band.",
                 b->duty_ppm / 1e4, b->duty_ppm * 3600 / 1e6);
    snprintf(
        text, REGION_TEXT,
        "%s, %s.%s The transmitter and its antenna must be certified where the law asks for it. "
        "%s",
        country->name, b->rule, duty, caution);
}

static void receive_only(const struct region_use *use, char *text)
{
    if (!use->country || !use->country[0])
        snprintf(
            text, REGION_TEXT,
            "No country is given: this radio only receives. Set `country` (two letters) to let "
            "it answer. %s",
            caution);
    else
        snprintf(text, REGION_TEXT,
                 "The radio rules of \"%s\" are not known here: this radio only receives. Lawful "
                 "without them: receiving. %s",
                 use->country, caution);
}

/* What stands here from memory may be wrong: nobody sends by it. */
static void not_compared(const struct country *country, const struct region_band *b, char *text)
{
    snprintf(text, REGION_TEXT,
             "The rule of %s for this channel (%s) was not compared with its text, so this radio "
             "only receives. "
             "Lawful without it: receiving. %s",
             country->name, b->rule, caution);
}

enum region_verdict region_check(const struct region_use *use, const struct region_band **band,
                                 char text[REGION_TEXT])
{
    const struct country *country = find(use->country);
    const struct region_band *b;

    if (!country) {
        receive_only(use, text);
        return REGION_RECEIVE_ONLY;
    }
    b = band_at(country, use->frequency_hz, use->bandwidth_hz);
    if (b && !b->compared && !b->listen) {
        not_compared(country, b, text);
        return REGION_RECEIVE_ONLY;
    }
    if (!b) {
        refuse_place(country, use, text);
    } else if (b->listen) {
        snprintf(
            text, REGION_TEXT,
            "%s demands that a radio listens before it talks (%s), which this gateway does not "
            "do. Lawful: receiving only; leave `country` empty. %s",
            country->name, b->rule, caution);
    } else if (use->bandwidth_hz < b->fixed_khz * 1000) {
        refuse_bandwidth(country, b, use, text);
    } else if (use->power_cdbm > most_cdbm(b, use)) {
        refuse_power(country, b, use, text);
    } else if (b->frame_ms && frame_us(use, use->spreading_factor) > b->frame_ms * 1000) {
        refuse_length(country, b, use, text);
    } else {
        accept(country, b, text);
        *band = b;
        return REGION_LAWFUL;
    }
    return REGION_REFUSED;
}

/* US915: uplink 903.0 + 1.6 n; AU915: 915.9 + 1.6 n; both answered on 923.3 + 0.6 n (link layer regional
 * parameters). */
struct region_channel region_rx1(const char *code, const struct region_channel *up)
{
    const struct country *country = find(code);
    uint32_t first;

    if (!country || up->bandwidth_hz != 500000 || up->spreading_factor != 8)
        return *up;
    if (strcmp(country->set, "FCC") == 0)
        first = 903000000;
    else if (strcmp(country->set, "ACMA") == 0)
        first = 915900000;
    else
        return *up;
    for (uint32_t n = 0; n < 8; n++)
        if (up->frequency_hz == first + n * 1600000)
            return (struct region_channel){923300000 + n * 600000, 500000, 7};
    return *up;
}
