#include "gateway/region/duty.h"

#include <string.h>

enum { HOUR_S = 3600 };
static const uint32_t magic = 0x59545544; /* "DUTY" */

void duty_begin(struct duty_ledger *ledger, int64_t now_s, bool certain)
{
    memset(ledger, 0, sizeof *ledger);
    ledger->certain = certain;
    ledger->since_s = now_s;
    ledger->until_s = now_s;
}

void duty_resume(struct duty_ledger *ledger, int64_t now_s, bool certain)
{
    if (!certain || !ledger->certain || now_s < ledger->until_s)
        duty_begin(ledger, now_s, certain);
    ledger->until_s = now_s;
}

static const struct duty_band *find(const struct duty_ledger *ledger, uint32_t from_khz)
{
    for (size_t i = 0; i < DUTY_BANDS; i++)
        if (ledger->bands[i].from_khz == from_khz)
            return &ledger->bands[i];
    return NULL;
}

/* Minutes that reach into the hour that ends now, the present one included. */
static uint64_t spent_us(const struct duty_band *band, int64_t now_s)
{
    uint64_t sum = 0;

    for (size_t i = 0; i < DUTY_MINUTES; i++)
        if ((band->minute[i] + 1) * 60 > now_s - HOUR_S && band->minute[i] * 60 <= now_s)
            sum += band->spent_us[i];
    return sum;
}

bool duty_permits(const struct duty_ledger *ledger, uint32_t from_khz, uint32_t duty_ppm,
                  uint32_t airtime_us, int64_t now_s, int64_t *free_us)
{
    int64_t budget_us = (int64_t)duty_ppm * HOUR_S;
    const struct duty_band *band = find(ledger, from_khz);
    int64_t left = budget_us - (band ? (int64_t)spent_us(band, now_s) : 0);

    if (duty_ppm >= 1000000)
        left = INT64_MAX;
    else if (now_s - HOUR_S < ledger->since_s || now_s < ledger->until_s)
        left = 0;
    if (left < 0)
        left = 0;
    if (free_us)
        *free_us = left;
    return airtime_us <= left;
}

bool duty_spend(struct duty_ledger *ledger, uint32_t from_khz, uint32_t airtime_us, int64_t now_s)
{
    struct duty_band *band = NULL;
    int64_t minute = now_s / 60;
    size_t place = (size_t)(minute % DUTY_MINUTES);

    for (size_t i = 0; i < DUTY_BANDS && !band; i++)
        if (ledger->bands[i].from_khz == from_khz || ledger->bands[i].from_khz == 0)
            band = &ledger->bands[i];
    if (!band)
        return false;
    band->from_khz = from_khz;
    if (band->minute[place] != minute) {
        band->minute[place] = minute;
        band->spent_us[place] = 0;
    }
    band->spent_us[place] += airtime_us;
    if (now_s > ledger->until_s)
        ledger->until_s = now_s;
    return true;
}

static uint8_t *put(uint8_t *at, uint64_t value, size_t bytes)
{
    for (size_t i = 0; i < bytes; i++)
        *at++ = (uint8_t)(value >> 8 * i);
    return at;
}

static uint64_t take(const uint8_t **at, size_t bytes)
{
    uint64_t value = 0;

    for (size_t i = 0; i < bytes; i++)
        value |= (uint64_t) * (*at)++ << 8 * i;
    return value;
}

/* Fowler, Noll and Vo's 32-bit hash, variant 1a: enough against a torn write. */
static uint32_t sum_of(const uint8_t *bytes, size_t len)
{
    uint32_t sum = 2166136261U;

    for (size_t i = 0; i < len; i++)
        sum = (sum ^ bytes[i]) * 16777619U;
    return sum;
}

void duty_encode(const struct duty_ledger *ledger, uint8_t bytes[DUTY_BYTES])
{
    uint8_t *at = put(bytes, magic, 4);

    at = put(at, (uint64_t)ledger->since_s, 8);
    at = put(at, (uint64_t)ledger->until_s, 8);
    at = put(at, ledger->certain, 1);
    for (size_t b = 0; b < DUTY_BANDS; b++) {
        at = put(at, ledger->bands[b].from_khz, 4);
        for (size_t i = 0; i < DUTY_MINUTES; i++) {
            at = put(at, (uint64_t)ledger->bands[b].minute[i], 8);
            at = put(at, ledger->bands[b].spent_us[i], 4);
        }
    }
    put(at, sum_of(bytes, DUTY_BYTES - 4), 4);
}

int duty_decode(const uint8_t *bytes, size_t len, struct duty_ledger *ledger)
{
    const uint8_t *at = bytes, *end = bytes + DUTY_BYTES - 4;

    if (len != DUTY_BYTES || take(&end, 4) != sum_of(bytes, DUTY_BYTES - 4) ||
        take(&at, 4) != magic)
        return -1;
    ledger->since_s = (int64_t)take(&at, 8);
    ledger->until_s = (int64_t)take(&at, 8);
    ledger->certain = take(&at, 1);
    for (size_t b = 0; b < DUTY_BANDS; b++) {
        ledger->bands[b].from_khz = (uint32_t)take(&at, 4);
        for (size_t i = 0; i < DUTY_MINUTES; i++) {
            ledger->bands[b].minute[i] = (int64_t)take(&at, 8);
            ledger->bands[b].spent_us[i] = (uint32_t)take(&at, 4);
        }
    }
    return 0;
}
