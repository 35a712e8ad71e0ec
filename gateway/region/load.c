#include "gateway/region/load.h"

#include <math.h>
#include <stdio.h>

double load_loss(double airtime_s, uint32_t stations, double interval_s)
{
    double others = stations > 0 ? stations - 1.0 : 0.0;

    return 1.0 - exp(-2.0 * others * airtime_s / interval_s);
}

static uint32_t most_stations(double airtime_s, double interval_s)
{
    double others = -log(1.0 - LOAD_WARN_PERCENT / 100.0) * interval_s / (2.0 * airtime_s);

    return (uint32_t)fmin(floor(others) + 1.0, 1e9);
}

static void explain(const struct load_channel *c, const struct load_result *r,
                    enum load_verdict verdict, char *text)
{
    static const char *const advice[] = {
        "",
        " That is much: a second radio on another channel, a lower spreading factor, a wider "
        "bandwidth or a longer interval helps.",
        " That is too much to be useful: use a second radio on another channel, a lower spreading "
        "factor, a wider bandwidth or a longer interval."};

    snprintf(
        text, LOAD_TEXT,
        "%u stations at %u kHz, SF%u, every %u s: a frame of %u bytes lasts %.1f ms, %.1f %% of "
        "frames are expected to collide.%s Below %d %% up to %u stations.",
        c->stations, c->modulation.bandwidth_hz / 1000, c->modulation.spreading_factor,
        c->interval_s, c->frame_bytes, r->airtime_us / 1e3, r->loss * 100, advice[verdict],
        LOAD_WARN_PERCENT, r->most_stations);
}

enum load_verdict load_check(const struct load_channel *c, struct load_result *r,
                             char text[LOAD_TEXT])
{
    double airtime_s, interval_s = c->interval_s > 0 ? c->interval_s : 1;
    enum load_verdict verdict = LOAD_FINE;

    r->airtime_us = air_time_us(&c->modulation, c->frame_bytes);
    airtime_s = r->airtime_us / 1e6;
    r->load = c->stations * airtime_s / interval_s;
    r->loss = load_loss(airtime_s, c->stations, interval_s);
    r->most_stations = most_stations(airtime_s, interval_s);
    if (r->loss * 100 >= LOAD_WARN_PERCENT)
        verdict = LOAD_WARN;
    if (r->loss * 100 >= LOAD_REFUSE_PERCENT)
        verdict = LOAD_REFUSED;
    explain(c, r, verdict, text);
    return verdict;
}
