#include "gateway/traffic.h"

#include <math.h>
#include <string.h>

#include "gateway/region/load.h"
#include "gateway/verify/unit.h"

#define SECOND_US INT64_C(1000000)
#define SLICE_US  (TRAFFIC_SLICE_S * SECOND_US)

void traffic_begin(struct traffic *traffic)
{
    memset(traffic, 0, sizeof *traffic);
    for (unsigned i = 0; i < FEED_RADIOS_MAX; i++) {
        traffic->radios[i].since_us = -1;
        for (unsigned s = 0; s < TRAFFIC_SLICES; s++)
            traffic->radios[i].slices[s].number = -1;
    }
}

static struct traffic_slice *slice_at(struct traffic_radio *radio, int64_t at_us)
{
    int64_t number = at_us < 0 ? 0 : at_us / SLICE_US;
    struct traffic_slice *slice = &radio->slices[number % TRAFFIC_SLICES];

    if (radio->since_us < 0)
        radio->since_us = at_us;
    if (slice->number != number)
        *slice = (struct traffic_slice){.number = number};
    return slice;
}

void traffic_packet(struct traffic *traffic, unsigned radio, uint32_t airtime_us, int64_t at_us)
{
    if (radio >= FEED_RADIOS_MAX)
        return;
    struct traffic_slice *slice = slice_at(&traffic->radios[radio], at_us);
    slice->airtime_us += airtime_us;
    slice->packets++;
}

static uint32_t gap_before(const struct traffic_frame *frame, int64_t at_us)
{
    uint32_t gap = frame->fcnt - frame->previous - 1;
    bool comparable = frame->known && !frame->restarted && frame->fcnt > frame->previous &&
                      at_us - frame->previous_us <= TRAFFIC_WINDOW_S * SECOND_US;

    return comparable && gap <= TRAFFIC_GAP_MOST ? gap : 0;
}

void traffic_heard(struct traffic *traffic, unsigned radio, const struct traffic_frame *frame,
                   int64_t at_us)
{
    if (radio >= FEED_RADIOS_MAX)
        return;
    struct traffic_slice *slice = slice_at(&traffic->radios[radio], at_us);
    slice->heard++;
    slice->missed += gap_before(frame, at_us);
    /* One that comes late was counted as missed when the next one was heard. */
    if (frame->known && frame->fcnt < frame->previous && slice->missed > 0)
        slice->missed--;
}

static struct traffic_slice add_up(const struct traffic_radio *radio, int64_t now_us)
{
    struct traffic_slice sum = {0};
    int64_t last = now_us / SLICE_US;

    for (unsigned s = 0; s < TRAFFIC_SLICES; s++) {
        const struct traffic_slice *slice = &radio->slices[s];
        if (slice->number < 0 || slice->number > last || slice->number <= last - TRAFFIC_SLICES)
            continue;
        sum.airtime_us += slice->airtime_us;
        sum.packets += slice->packets;
        sum.heard += slice->heard;
        sum.missed += slice->missed;
    }
    return sum;
}

/* The oldest slice counts from its beginning, the newest until now. */
static double covered_s(const struct traffic_radio *radio, int64_t now_us)
{
    int64_t from_us = (now_us / SLICE_US - TRAFFIC_SLICES + 1) * SLICE_US;

    if (radio->since_us > from_us)
        from_us = radio->since_us;
    return now_us > from_us ? (double)(now_us - from_us) / SECOND_US : 0;
}

static int32_t ppm(double share)
{
    return (int32_t)lround(1e6 * fmin(share, 1));
}

void traffic_report(struct traffic *traffic, unsigned radio, uint32_t stations, int64_t now_us,
                    struct feed_radio_health *health)
{
    struct traffic_radio *r = &traffic->radios[radio];
    struct traffic_slice sum = add_up(r, now_us);
    if (r->since_us < 0)
        r->since_us = now_us;
    double window_s = covered_s(r, now_us), frames = (double)sum.heard + sum.missed;

    health->window_s = (uint64_t)window_s;
    health->heard = sum.heard;
    health->missed = sum.missed;
    health->load_ppm = health->loss_ppm = health->expected_loss_ppm = -1;
    if (window_s < 60)
        return;
    health->load_ppm = ppm((double)sum.airtime_us / 1e6 / window_s);
    if (frames < TRAFFIC_FRAMES_LEAST || sum.packets == 0 || stations == 0)
        return;
    double airtime_s = (double)sum.airtime_us / 1e6 / sum.packets;
    health->loss_ppm = ppm(sum.missed / frames);
    health->expected_loss_ppm = ppm(load_loss(airtime_s, stations, window_s * stations / frames));
}

uint32_t traffic_stations(struct verify_table *table, int64_t now_us)
{
    uint32_t count = 0;

    for (size_t i = 0; i < verify_table_count(table); i++) {
        const struct verify_counter *counter = &verify_table_at(table, i)->counter;
        int64_t ago_us = now_us - counter->highest_at_us;
        count += counter->known && ago_us >= 0 && ago_us < TRAFFIC_HEARD_S * SECOND_US;
    }
    return count;
}
