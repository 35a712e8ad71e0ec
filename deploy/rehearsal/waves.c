#include "deploy/rehearsal/waves.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "deploy/rehearsal/dice.h"
#include "deploy/rehearsal/spells.h"
#include "deploy/rehearsal/streams.h"
#include "protocol/air/airtime.h"

static const double noise_figure_db = 6.0;
static const double near_loss_db = 60.0; /* at 20 m, near free space at 900 MHz */
static const double near_m = 20.0;
static const double exponent = 2.7;   /* assumption */
static const double shadow_db = 4.0;  /* assumption, per link */
static const double fading_db = 2.0;  /* assumption, per frame */
static const double capture_db = 6.0; /* Bor, Roedig, Voigt, Alonso, MSWiM 2016 */

struct wave {
    struct waves_origin origin;
    int64_t from_us, to_us;
    uint8_t len;
    uint8_t bytes[WAVES_BYTES_MAX];
    struct place_point at;
    double rssi_dbm[PLACE_GATEWAYS_MAX];
    double rival_dbm[PLACE_GATEWAYS_MAX]; /* strongest frame that overlapped */
};

struct waves {
    const struct place *place;
    struct waves_settings settings;
    struct dice dice;
    struct spells *spells; /* unit by gateway */
    double *shadow;        /* unit by gateway, dB */
    bool deaf[PLACE_GATEWAYS_MAX];
    size_t count, capacity;
    struct wave *pending;
    size_t copy_count, copy_capacity;
    struct waves_copy *copies; /* heard in this settling, and echoes to come */
    uint64_t sent, collided;
};

int waves_open(struct waves **waves, const struct place *place,
               const struct waves_settings *settings)
{
    size_t links = place->unit_count * place->gateway_count;
    struct waves *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->place = place;
    made->settings = *settings;
    dice_seed(&made->dice, settings->seed, STREAM_WAVES, 0);
    made->shadow = calloc(links, sizeof *made->shadow);
    if (made->shadow == NULL || spells_open(&made->spells, links, settings->seed) != 0) {
        waves_close(made);
        return -ENOMEM;
    }
    for (size_t i = 0; i < links; i++)
        made->shadow[i] = shadow_db * dice_normal(&made->dice);
    *waves = made;
    return 0;
}

void waves_close(struct waves *waves)
{
    if (waves == NULL)
        return;
    spells_close(waves->spells);
    free(waves->shadow);
    free(waves->pending);
    free(waves->copies);
    free(waves);
}

void waves_deafen(struct waves *waves, size_t gateway, bool deaf)
{
    waves->deaf[gateway] = deaf;
}

void waves_counts(const struct waves *waves, uint64_t *sent, uint64_t *collided)
{
    *sent = waves->sent;
    *collided = waves->collided;
}

void waves_weather(struct waves *waves, const struct weather_hour *hour, int64_t from_us,
                   int64_t length_us)
{
    spells_weather(waves->spells, hour, waves->settings.wet, from_us, length_us);
}

static int64_t length_us(const struct place_channel *channel, size_t len)
{
    struct air_modulation m = {.bandwidth_hz = channel->bandwidth_hz,
                               .spreading_factor = channel->spreading_factor,
                               .coding_rate = 1,
                               .preamble = 8,
                               .crc = true};
    return air_time_us(&m, (uint8_t)len);
}

static double received_dbm(struct waves *waves, const struct wave *wave, size_t gateway,
                           int8_t power_dbm)
{
    size_t link = wave->origin.unit * waves->place->gateway_count + gateway;
    double far = fmax(near_m, place_distance_m(wave->at, waves->place->gateways[gateway].at));
    double loss = near_loss_db + 10.0 * exponent * log10(far / near_m) + waves->shadow[link] +
                  fading_db * dice_normal(&waves->dice) +
                  spells_loss_db(waves->spells, link, wave->from_us);
    return power_dbm - loss;
}

static int grow(void **items, size_t *capacity, size_t count, size_t size)
{
    if (count < *capacity)
        return 0;
    size_t wanted = *capacity == 0 ? 256 : *capacity * 2;
    void *grown = realloc(*items, wanted * size);
    if (grown == NULL)
        return -ENOMEM;
    *items = grown;
    *capacity = wanted;
    return 0;
}

int waves_send(struct waves *waves, struct waves_origin origin, struct place_point at,
               int8_t power_dbm, int64_t from_us, const uint8_t *bytes, size_t len)
{
    if (len > WAVES_BYTES_MAX)
        return -EINVAL;
    if (grow((void **)&waves->pending, &waves->capacity, waves->count, sizeof *waves->pending) != 0)
        return -ENOMEM;
    struct wave *wave = &waves->pending[waves->count++];
    *wave = (struct wave){.origin = origin, .from_us = from_us, .len = (uint8_t)len, .at = at};
    wave->to_us = from_us + length_us(&waves->place->gateways[0].channel, len);
    memcpy(wave->bytes, bytes, len);
    for (size_t g = 0; g < waves->place->gateway_count; g++) {
        wave->rssi_dbm[g] = received_dbm(waves, wave, g, power_dbm);
        wave->rival_dbm[g] = -INFINITY;
    }
    waves->sent++;
    return 0;
}

static int by_start(const void *a, const void *b)
{
    const struct wave *x = a, *y = b;
    if (x->from_us != y->from_us)
        return x->from_us < y->from_us ? -1 : 1;
    return (x->origin.report > y->origin.report) - (x->origin.report < y->origin.report);
}

static bool same_channel(const struct place_channel *a, const struct place_channel *b)
{
    return a->frequency_hz == b->frequency_hz && a->bandwidth_hz == b->bandwidth_hz &&
           a->spreading_factor == b->spreading_factor;
}

static void disturb(struct waves *waves, struct wave *a, struct wave *b)
{
    for (size_t g = 0; g < waves->place->gateway_count; g++) {
        if (!same_channel(&waves->place->gateways[g].channel, &waves->place->gateways[0].channel))
            continue;
        a->rival_dbm[g] = fmax(a->rival_dbm[g], b->rssi_dbm[g]);
        b->rival_dbm[g] = fmax(b->rival_dbm[g], a->rssi_dbm[g]);
    }
}

/* Sorted by start, a frame can only be overlapped by those that follow until it ends. */
static void find_collisions(struct waves *waves)
{
    for (size_t i = 0; i < waves->count; i++) {
        for (size_t j = i + 1;
             j < waves->count && waves->pending[j].from_us < waves->pending[i].to_us; j++)
            disturb(waves, &waves->pending[i], &waves->pending[j]);
    }
}

/* Required signal to noise, SX1276 datasheet table 13. */
static double needed_db(uint8_t spreading_factor)
{
    return -7.5 - 2.5 * (spreading_factor - 7);
}

static double noise_dbm(const struct place_channel *channel)
{
    return -174.0 + 10.0 * log10(channel->bandwidth_hz) + noise_figure_db;
}

static bool survives(struct waves *waves, const struct wave *wave, size_t g)
{
    const struct place_channel *channel = &waves->place->gateways[g].channel;
    bool lost = dice_chance(&waves->dice, waves->settings.loss);
    if (waves->deaf[g] || lost ||
        wave->rssi_dbm[g] - noise_dbm(channel) < needed_db(channel->spreading_factor))
        return false;
    if (wave->rival_dbm[g] == -INFINITY)
        return true;
    if (waves->settings.capture && wave->rssi_dbm[g] >= wave->rival_dbm[g] + capture_db)
        return true;
    waves->collided++;
    return false;
}

static int keep_copy(struct waves *waves, const struct waves_copy *copy)
{
    if (grow((void **)&waves->copies, &waves->copy_capacity, waves->copy_count,
             sizeof *waves->copies) != 0)
        return -ENOMEM;
    waves->copies[waves->copy_count++] = *copy;
    return 0;
}

static int hear_at(struct waves *waves, const struct wave *wave, size_t g)
{
    if (!survives(waves, wave, g))
        return 0;
    const struct place_channel *channel = &waves->place->gateways[g].channel;
    struct waves_copy copy = {.origin = wave->origin,
                              .gateway = g,
                              .at_us = wave->to_us,
                              .len = wave->len,
                              .channel = *channel,
                              .rssi_dbm = wave->rssi_dbm[g]};
    copy.snr_db = fmin(wave->rssi_dbm[g] - noise_dbm(channel), 12.0);
    memcpy(copy.bytes, wave->bytes, wave->len);
    int result = keep_copy(waves, &copy);
    if (result == 0 && dice_chance(&waves->dice, waves->settings.repeats)) {
        copy.at_us += (int64_t)dice_between(&waves->dice, 0.2e6, 50e6);
        copy.echo = true;
        result = keep_copy(waves, &copy);
    }
    return result;
}

static int by_end(const void *a, const void *b)
{
    const struct waves_copy *x = a, *y = b;
    if (x->at_us != y->at_us)
        return x->at_us < y->at_us ? -1 : 1;
    return (x->gateway > y->gateway) - (x->gateway < y->gateway);
}

static void hand_on(struct waves *waves, int64_t until_us, waves_heard heard, void *user)
{
    if (waves->copy_count == 0)
        return;
    qsort(waves->copies, waves->copy_count, sizeof *waves->copies, by_end);
    size_t n = 0;
    while (n < waves->copy_count && waves->copies[n].at_us <= until_us)
        heard(user, &waves->copies[n++]);
    memmove(waves->copies, waves->copies + n, (waves->copy_count - n) * sizeof *waves->copies);
    waves->copy_count -= n;
}

int waves_settle(struct waves *waves, int64_t until_us, waves_heard heard, void *user)
{
    size_t kept = 0;
    int result = 0;
    if (waves->count > 0)
        qsort(waves->pending, waves->count, sizeof *waves->pending, by_start);
    find_collisions(waves);
    for (size_t i = 0; i < waves->count; i++) {
        if (waves->pending[i].to_us > until_us) {
            waves->pending[kept++] = waves->pending[i];
            continue;
        }
        for (size_t g = 0; result == 0 && g < waves->place->gateway_count; g++)
            result = hear_at(waves, &waves->pending[i], g);
    }
    waves->count = kept;
    hand_on(waves, until_us, heard, user);
    return result;
}
