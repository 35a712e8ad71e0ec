/* The sending half of a station: what waits to be sent, and how a frame is made. */
#include <errno.h>
#include <math.h>
#include <string.h>

#include "deploy/rehearsal/station.h"
#include "protocol/air/frame.h"

enum { FCNT_RESERVE = 256, FIRMWARE_MAJOR = 1, FIRMWARE_MINOR = 4 };

void sending_queue(struct station *station, const struct station_sending *sending)
{
    if (station->queue_count < STATION_QUEUE_MAX)
        station->queue[station->queue_count++] = *sending;
}

static uint16_t level_code(const struct station *station, const struct station_senses *senses)
{
    if (station->level_fault)
        return AIR_LEVEL_UNKNOWN;
    double mm = station->level_stuck ? station->stuck_level_mm : senses->level_mm;
    return (uint16_t)lround(fmax(0.0, fmin(mm * 4.0, AIR_LEVEL_MAX_QMM)));
}

static uint8_t flags_of(struct station *station, const struct station_senses *senses, uint8_t event)
{
    unsigned flags = event;
    if (senses->tilted)
        flags |= AIR_FLAG_TILT;
    if (station->level_fault)
        flags |= AIR_FLAG_LEVEL_FAULT;
    if (station->counter_fault)
        flags |= AIR_FLAG_COUNTER_FAULT;
    if (station->restart_flags_left > 0) {
        station->restart_flags_left--;
        flags |= AIR_FLAG_RESTART;
    }
    return (uint8_t)flags;
}

static int16_t clamp(double value, double low, double high)
{
    return (int16_t)lround(fmax(low, fmin(value, high)));
}

static void fill_sensed(struct station *station, const struct station_senses *senses, int64_t at_us,
                        struct air_report *report)
{
    report->level_qmm = level_code(station, senses);
    report->temperature_dc = clamp(senses->temperature_c * 10.0, -400, 870);
    report->humidity_pm = clamp(senses->humidity * 1000.0, 0, 1000);
    report->battery_mv = clamp(station_battery_mv(station, at_us), 1000, 6080);
}

static void fill_report(struct station *station, const struct station_senses *senses,
                        const struct station_sending *sending, struct air_report *report)
{
    const struct station_counts *counts = &station->snapshot;
    *report = (struct air_report){
        .kind = sending->daily ? AIR_DAILY : AIR_REGULAR,
        .epoch = station->epoch,
        .entries = counts->entries,
        .exits = sending->daily ? counts->exits : counts->exits & 0xFFFF,
        .short_passes = sending->daily ? counts->shorts : counts->shorts & 0xFFFF,
        .tick = (uint8_t)((station->interval_number - 1) % AIR_TICK_MODULUS),
        .interval_min = (uint8_t)station->interval_min,
        .service_sequence = station->service_sequence,
        .firmware_major = FIRMWARE_MAJOR,
        .firmware_minor = FIRMWARE_MINOR,
        .full_mark_mm = AIR_MARK_UNKNOWN,
        .low_mark_mm = AIR_MARK_UNKNOWN,
        .restarts = station->restarts};
    uint32_t blocked = (uint32_t)(counts->blocked_us / 2000000u);
    report->blocked_2s = blocked & (sending->daily ? 0xFFFFFFu : 0xFFFFu);
    int64_t age = (sending->at_us - station->snapshot_us) * 256 / station->interval_us;
    report->age_256 = (uint8_t)(age < 255 ? age : 255);
    report->flags = flags_of(station, senses, sending->flags);
    fill_sensed(station, senses, sending->at_us, report);
    if (!sending->daily) {
        report->recent_count = (uint8_t)station->recent_count;
        memcpy(report->recent, station->recent, station->recent_count);
    }
}

/* Counters are reserved in steps and the ceiling kept in non-volatile memory before use. */
static uint32_t next_fcnt(struct station *station)
{
    if (station->fcnt == station->fcnt_ceiling)
        station->fcnt_ceiling += FCNT_RESERVE;
    return station->fcnt++;
}

static int make_frame(struct station *station, const struct station_sending *sending,
                      struct station_frame *frame)
{
    struct air_frame air = {.type = sending->confirmed ? AIR_CONFIRMED_UPLINK : AIR_UPLINK,
                            .devaddr = station->devaddr,
                            .fport = AIR_PORT_REPORT};
    size_t len;
    int result = air_report_encode(&frame->report, air.payload, &len);
    if (result != 0)
        return -EPROTO;
    air.payload_len = (uint8_t)len;
    frame->fcnt = next_fcnt(station);
    result = air_frame_build(&air, &station->keys, frame->fcnt, frame->bytes, sizeof frame->bytes,
                             &frame->len);
    return result != 0 ? -EPROTO : 0;
}

static void try_again(struct station *station, struct station_sending sending)
{
    if (sending.tries_left == 0)
        return;
    double pause_s = sending.tries_left == 2 ? dice_between(&station->dice, 5.0, 15.0)
                                             : dice_between(&station->dice, 15.0, 45.0);
    sending.at_us += (int64_t)(pause_s * 1e6);
    sending.tries_left--;
    sending_queue(station, &sending);
}

static int send_one(struct station *station, const struct station_senses *senses,
                    const struct station_sending *sending, const struct station_sink *sink)
{
    struct station_frame frame = {.from_us = sending->at_us,
                                  .epoch = station->epoch,
                                  .interval = station->interval_number - 1};
    fill_report(station, senses, sending, &frame.report);
    int result = make_frame(station, sending, &frame);
    if (result == 0 && !station->mute)
        result = sink->frame(sink->user, station->unit, &frame);
    try_again(station, *sending);
    return result;
}

/* The earliest that is due, or NULL. */
static struct station_sending *earliest(struct station *station, int64_t until_us)
{
    struct station_sending *found = NULL;
    for (unsigned i = 0; i < station->queue_count; i++) {
        struct station_sending *sending = &station->queue[i];
        if (sending->at_us <= until_us && (found == NULL || sending->at_us < found->at_us))
            found = sending;
    }
    return found;
}

int sending_due(struct station *station, const struct station_senses *senses, int64_t until_us,
                const struct station_sink *sink)
{
    struct station_sending *due;
    int result = 0;
    while (result == 0 && (due = earliest(station, until_us)) != NULL) {
        struct station_sending sending = *due;
        *due = station->queue[--station->queue_count];
        result = send_one(station, senses, &sending, sink);
    }
    return result;
}
