#include "gateway/hearing.h"

#include <string.h>

#include "protocol/air/airtime.h"
#include "protocol/air/report.h"

static void complain(struct hearing *h, const struct verify_result *result, int64_t transport_us)
{
    uint64_t held;
    if (result->verdict == VERIFY_ACCEPTED || result->verdict == VERIFY_REPEATED ||
        !log_gate_open(&h->gates[result->verdict], transport_us, &held))
        return;
    unsigned long long more = held;
    switch (result->verdict) {
    case VERIFY_REPLAYED:
        log_warning(
            "Unit %08X: frame %u was heard again long after its time: somebody replays frames. "
            "Nothing was stored (%llu more).",
            result->devaddr, result->fcnt, more);
        break;
    case VERIFY_RESTARTED:
        log_warning(
            "Unit %08X: its frame counter started again (frame %u after %u). Its frames are not "
            "taken until it has new keys: give it a new pair and put it in the key file (%llu "
            "more).",
            result->devaddr, result->fcnt, result->unit->counter.highest, more);
        break;
    case VERIFY_FORGED:
        log_warning(
            "Unit %08X: a frame with this address fits none of its keys: either the key file and "
            "the unit differ, or another network uses the address (%llu more).",
            result->devaddr, more);
        break;
    case VERIFY_UNKNOWN:
        log_info("Unit %08X is not in the key file: a neighbour's, or one that was forgotten (%llu "
                 "more).",
                 result->devaddr, more);
        break;
    case VERIFY_UNUSABLE:
        log_info("A packet was no uplink data frame: %s (%llu more).",
                 air_error_text(result->error), more);
        break;
    default:
        break;
    }
}

static struct boot_stamp stamp_of(struct spool *spool, const struct hearing_time *time)
{
    int64_t event_ms = time->event_us / 1000, boot_ms = time->boot_us / 1000;
    struct boot_stamp stamp = {event_ms, boot_ms, true};
    if (!time->own)
        stamp = spool_stamp(spool, event_ms, boot_ms);
    if (stamp.heard_ms < 0)
        stamp.heard_ms = 0;
    if (stamp.boot_ms < 0)
        stamp.boot_ms = 0;
    return stamp;
}

static void make_record(const struct hearing *h, const struct verify_result *result,
                        const struct radio_packet *packet, const struct boot_stamp *stamp,
                        struct record *record)
{
    const struct air_frame *frame = &result->frame;
    record->kind = FEED_ROW_FRAME;
    record->mic = result->mic;
    struct feed_frame *out = &record->frame;
    out->devaddr = result->devaddr;
    out->key_check = result->unit->keys.key_check;
    out->fcnt = result->fcnt;
    out->confirmed = air_frame_is_confirmed(frame);
    out->fport = frame->fport;
    out->payload_len = frame->payload_len;
    memcpy(out->payload, frame->payload, frame->payload_len);
    out->heard_ms = stamp->heard_ms;
    out->synchronised = stamp->synchronised;
    memcpy(out->boot, h->boot, sizeof out->boot);
    out->boot_ms = stamp->boot_ms;
    out->radio = packet->radio;
    out->frequency_hz = packet->frequency_hz;
    out->bandwidth_hz = packet->bandwidth_hz;
    out->spreading_factor = packet->spreading_factor;
    out->rssi_cdbm = packet->rssi_cdbm;
    out->snr_cdb = packet->snr_cdb;
    record_read_report(out);
}

/* Every packet loads its channel, whoever sent it. */
static void note_packet(struct hearing *h, const struct radio_packet *packet, int64_t at_us)
{
    struct air_modulation m = {.bandwidth_hz = packet->bandwidth_hz,
                               .spreading_factor = packet->spreading_factor,
                               .coding_rate = 1,
                               .preamble = 8,
                               .crc = true};
    if (packet->radio < FEED_RADIOS_MAX && h->coding_rate[packet->radio] != 0)
        m.coding_rate = h->coding_rate[packet->radio];
    traffic_packet(&h->traffic, packet->radio, air_time_us(&m, packet->len), at_us);
}

static void note_frame(struct hearing *h, const struct verify_result *result,
                       const struct feed_frame *heard, int64_t at_us)
{
    const struct verify_counter *counter = &result->unit->counter;
    struct traffic_frame frame = {
        .fcnt = result->fcnt,
        .previous = counter->highest,
        .known = counter->known,
        .restarted = heard->has_report && (heard->report.flags & AIR_FLAG_RESTART) != 0,
        .previous_us = counter->highest_at_us,
    };
    traffic_heard(&h->traffic, heard->radio, &frame, at_us);
}

void hearing_packet(struct hearing *h, const struct radio_packet *packet,
                    const struct hearing_time *time, int64_t transport_us,
                    struct hearing_outcome *outcome)
{
    struct verify_result *result = &outcome->result;
    outcome->urgent = false;
    verify_judge(h->table, packet->bytes, packet->len, time->event_us, result);
    h->counts[result->verdict]++;
    note_packet(h, packet, time->event_us);
    complain(h, result, transport_us);
    if (result->verdict != VERIFY_ACCEPTED)
        return;
    struct boot_stamp stamp = stamp_of(h->spool, time);
    struct record record = {0};
    make_record(h, result, packet, &stamp, &record);
    note_frame(h, result, &record.frame, time->event_us);
    verify_accept(result, time->event_us);
    spool_add(h->spool, &record, stamp.heard_ms * 1000);
    outcome->urgent = air_frame_is_confirmed(&result->frame);
}
