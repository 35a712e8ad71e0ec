/* What a gateway's health message tells the judge. */
#include <string.h>

#include "collector/judging/facts.h"

/* A radio that recovers soon shows its trouble only for a moment. One that only starts has none to tell. */
static void note_troubles(struct facts_gateway *gateway, const struct feed_gateway_health *health)
{
    for (uint8_t i = 0; i < health->radio_count && i < FEED_RADIOS_MAX; i++) {
        const struct feed_radio_health *radio = &health->radios[i];
        if (radio->trouble[0] == '\0')
            continue;
        gateway->trouble_s[i] = health->at_ms / 1000;
        memcpy(gateway->trouble[i], radio->trouble, sizeof(gateway->trouble[i]));
    }
}

static void note_refusals(struct facts_gateway *gateway, const struct feed_gateway_health *health,
                          int64_t now_s)
{
    const uint64_t counts[REFUSALS] = {[REFUSAL_RESTARTED] = health->restarted,
                                       [REFUSAL_REPLAYED] = health->replayed,
                                       [REFUSAL_FORGED] = health->forged};
    refusals_note(&gateway->refusals, counts, now_s);
}

/* Of the radio that was deaf longest: it may be the one that hears a station. */
static double deaf_since(const struct feed_gateway_health *before,
                         const struct feed_gateway_health *now)
{
    uint64_t most_ms = 0;
    bool same_run = strcmp(before->run, now->run) == 0;
    for (uint8_t i = 0; i < now->radio_count && i < FEED_RADIOS_MAX; i++) {
        uint64_t deaf_ms = now->radios[i].deaf_ms, base_ms = before->radios[i].deaf_ms;
        if (same_run && i < before->radio_count && deaf_ms >= base_ms)
            deaf_ms -= base_ms;
        most_ms = deaf_ms > most_ms ? deaf_ms : most_ms;
    }
    return (double)most_ms / 1000;
}

void facts_health(struct facts_gateway *gateway, const struct feed_gateway_health *health,
                  bool caught_up, int64_t now_s)
{
    enum { HEALTH_GAP_S = 900 };
    if (gateway->health_s == 0)
        gateway->thinned_before = health->thinned;
    else if (health->marks_refused > 0 && health->marks_refused != gateway->health.marks_refused)
        gateway->refused_s = health->at_ms / 1000;
    note_troubles(gateway, health);
    note_refusals(gateway, health, now_s);
    /* What a gateway counted before it was first heard of says nothing of the time since. */
    if (health->synchronised && gateway->health_s != 0)
        silence_gateway_deaf(&gateway->listening, health->at_ms / 1000,
                             deaf_since(&gateway->health, health));
    gateway->health = *health;
    /* A clock that is wrong says that the gateway is there, but not when: it must not seem to have listened
     * while it was off. */
    gateway->health_s = health->synchronised ? health->at_ms / 1000 : now_s;
    bool hears = health->radio_count == 0;
    for (uint8_t i = 0; i < health->radio_count && i < FEED_RADIOS_MAX; i++)
        hears |= health->radios[i].working;
    if (caught_up && hears && health->synchronised)
        silence_gateway_note(&gateway->listening, gateway->health_s, HEALTH_GAP_S);
}
