#include "gateway/answering.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>

#include "common/log.h"
#include "gateway/answer/answer.h"
#include "gateway/region/duty_file.h"
#include "protocol/air/report.h"

_Static_assert((int)ANSWER_ROADS >= (int)GATEWAY_RADIOS_MAX, "a road for each radio");

enum { KEEP_AT_ONCE = 256, SECOND_US = 1000000 };

struct answering {
    struct answering_parts parts;
    struct speech *speech;
    struct answer answer;
    bool rehearsal, untold;
    char run[FEED_ID_SIZE]; /* of this start: leases name it */
    char ledger_path[PATH_MAX];
    int64_t base_s,
        base_us; /* UTC and transport time at the start: the ledger's time does not step */
    struct log_gate gates[ANSWER_VERDICTS], ledger_gate, send_gate, keep_gate;
};

static int64_t now_s(const struct answering *a)
{
    return clock_event_us(a->parts.clock) / SECOND_US;
}

static int64_t ledger_now_s(const struct answering *a)
{
    if (a->rehearsal)
        return now_s(a);
    return a->base_s + (clock_transport_us() - a->base_us) / SECOND_US;
}

/* Leases are noted by a clock that does not step; a rehearsal moves only the other one. */
static int64_t lease_now_us(const struct answering *a)
{
    return a->rehearsal ? clock_event_us(a->parts.clock) : clock_transport_us();
}

/* The end of a packet by that clock. A line of the simulated air may tell it by the calendar. */
static int64_t lease_us(const struct answering *a, const struct radio_packet *packet)
{
    if (packet->event_us != 0)
        return a->rehearsal ? packet->event_us : clock_transport_us();
    return lease_now_us(a) - (clock_transport_us() - packet->transport_us);
}

/* Once the clock is believed; before that nothing is sent. */
static void load_ledger(struct answering *a)
{
    a->base_s = now_s(a);
    a->base_us = clock_transport_us();
    if (duty_file_load(a->ledger_path, a->base_s, true, &a->answer.ledger) != 0)
        log_info("%s: no account of what was sent in the last hour: where the law limits it, "
                 "stations are answered from an hour after this start on.",
                 a->ledger_path);
}

static void open_roads(struct answering *a)
{
    const struct gateway_settings *settings = a->parts.settings;
    char text[REGION_TEXT];
    for (unsigned i = 0; i < settings->radio_count; i++) {
        const struct radio_settings *radio = &settings->radios[i];
        struct region_use uplink = {.country = radio->country,
                                    .frequency_hz = (uint32_t)radio->frequency_hz,
                                    .bandwidth_hz = (uint32_t)radio->bandwidth_hz,
                                    .spreading_factor = (uint8_t)radio->spreading_factor,
                                    .coding_rate = (uint8_t)radio->coding_rate,
                                    .power_cdbm = (int32_t)radio->power_dbm * 100,
                                    .antenna_cdbi = (int32_t)(radio->antenna_dbi * 100)};
        struct answer_road *road = &a->answer.roads[i];
        answer_road_set(road, &uplink, (uint32_t)radio->rx1_delay_s * SECOND_US, text);
        log_info("[radio.%u]: %s: %s", i, road->may ? "answers stations" : "only receives", text);
    }
}

static void take_gone(void *user, const struct counters_gone *gone)
{
    speech_gone(user, gone->devaddr, gone->key_check, gone->next);
}

static int make_speech(struct answering *a, struct verify_table *table, struct speech **speech)
{
    int error = speech_new(table, speech);
    if (error == 0)
        error = spool_each_gone(a->parts.spool, take_gone, *speech);
    if (error != 0)
        log_error("%s: the counters of answers cannot be read: %s. No station is answered.",
                  a->parts.settings->spool.path, strerror(-error));
    return error;
}

static int make_run(char run[FEED_ID_SIZE])
{
    uint64_t value;
    if (getrandom(&value, sizeof value, 0) != sizeof value)
        return -EIO;
    snprintf(run, FEED_ID_SIZE, "%016llx", (unsigned long long)value);
    return 0;
}

int answering_open(struct answering **answering, const struct answering_parts *parts,
                   struct verify_table *table)
{
    struct answering *a = calloc(1, sizeof *a);
    if (a == NULL)
        return -ENOMEM;
    a->parts = *parts;
    a->rehearsal = parts->settings->rehearsal.clock[0] != '\0';
    snprintf(a->ledger_path, sizeof a->ledger_path, "%s.duty", parts->settings->spool.path);
    open_roads(a);
    int error = make_run(a->run);
    if (error == 0)
        error = make_speech(a, table, &a->speech);
    if (error != 0) {
        answering_close(a);
        return error;
    }
    *answering = a;
    return 0;
}

void answering_close(struct answering *a)
{
    if (a == NULL)
        return;
    speech_free(a->speech);
    free(a);
}

int answering_reload(struct answering *a, struct verify_table *table)
{
    struct speech *speech = NULL;
    int error = make_speech(a, table, &speech);
    if (error != 0) {
        speech_free(speech);
        return error;
    }
    speech_inherit(speech, a->speech);
    speech_free(a->speech);
    a->speech = speech;
    return 0;
}

void answering_lease(struct answering *a, const struct feed_lease *lease)
{
    speech_lease(a->speech, a->parts.settings->gateway.name, a->run, lease, now_s(a),
                 lease_now_us(a));
    a->untold = true;
}

void answering_order(struct answering *a, uint32_t devaddr, const struct feed_order *order)
{
    if (order == NULL)
        speech_order_over(a->speech, devaddr);
    else
        speech_order(a->speech, order);
}

/* Writes some; those that cannot be written are not used. */
static int keep_some(struct answering *a, struct speech_unit *const *units, size_t count)
{
    struct counters_gone gone[KEEP_AT_ONCE] = {0};
    for (size_t i = 0; i < count; i++)
        gone[i] = (struct counters_gone){units[i]->devaddr, units[i]->key_check, units[i]->next};
    int error = spool_keep_gone(a->parts.spool, gone, count);
    for (size_t i = 0; i < count; i++) {
        if (error == 0)
            units[i]->unkept = false;
        else
            speech_drop(units[i]);
    }
    return error;
}

void answering_settle(struct answering *a)
{
    struct speech_unit *units[KEEP_AT_ONCE];
    uint64_t held;
    size_t count = 0;
    int error = 0;
    for (size_t i = 0; i < speech_count(a->speech); i++) {
        struct speech_unit *unit = speech_at(a->speech, i);
        if (unit->unkept)
            units[count++] = unit;
        if (count == KEEP_AT_ONCE) {
            error = keep_some(a, units, count);
            count = 0;
        }
    }
    if (count > 0)
        error = keep_some(a, units, count);
    if (error != 0 && log_gate_open(&a->keep_gate, clock_transport_us(), &held))
        log_error("%s: the counters of answers cannot be written: %s. Until they can, stations "
                  "are not answered.",
                  a->parts.settings->spool.path, strerror(-error));
    answering_tell(a);
}

void answering_tell(struct answering *a)
{
    if (!a->untold)
        return;
    int64_t now_ms = clock_event_us(a->parts.clock) / 1000;
    for (size_t i = 0; i < speech_count(a->speech); i++) {
        struct speech_unit *unit = speech_at(a->speech, i);
        struct feed_held held;
        if (!unit->untold)
            continue;
        speech_held(unit, now_ms, &held);
        if (!publisher_held(a->parts.publisher, &held))
            return;
        unit->untold = false;
    }
    a->untold = false;
}

void answering_connected(struct answering *a)
{
    speech_tell_all(a->speech);
    a->untold = true;
    answering_tell(a);
}

static void ask(const struct answering *a, const struct radio_packet *packet,
                const struct verify_result *result, struct answer_question *q)
{
    struct air_report report;
    const struct air_frame *frame = &result->frame;
    *q = (struct answer_question){.devaddr = result->devaddr,
                                  .fcnt = result->fcnt,
                                  .confirmed = air_frame_is_confirmed(frame),
                                  .radio = packet->radio,
                                  .end_us = packet->transport_us,
                                  .lease_us = lease_us(a, packet),
                                  .timed = packet->timed && clock_synchronised(a->parts.clock),
                                  .now_s = now_s(a),
                                  .ledger_s = ledger_now_s(a)};
    if (frame->fport == AIR_PORT_REPORT &&
        air_report_decode(frame->payload, frame->payload_len, &report) == AIR_OK) {
        q->has_report = true;
        q->order_sequence = report.order_sequence;
        q->order_answered = report.order_answer != AIR_ANSWER_NONE;
    }
}

/* What keeps a station from its answer, and that a person may want to know. */
static void complain(struct answering *a, const struct answer_question *q,
                     enum answer_verdict verdict)
{
    uint64_t held;
    const char *why = verdict == ANSWER_NO_DUTY
                          ? "the share of the air that the law allows in an hour is used up"
                      : verdict == ANSWER_NO_TIME ? "this machine's clock is not synchronised, or "
                                                    "the frame was found too late"
                      : verdict == ANSWER_BUSY    ? "another answer is sent at that moment"
                                                  : NULL;
    if (why != NULL && log_gate_open(&a->gates[verdict], clock_transport_us(), &held))
        log_info("Unit %08X is not answered: %s (%llu more).", q->devaddr, why,
                 (unsigned long long)held);
}

/* Nothing is sent that a later run would not know of. */
static bool keep_ledger(struct answering *a, const struct answer_plan *plan)
{
    uint64_t held;
    if (plan->road->duty_ppm >= REGION_NO_DUTY)
        return true;
    int error = duty_file_save(a->ledger_path, &a->answer.ledger);
    if (error != 0 && log_gate_open(&a->ledger_gate, clock_transport_us(), &held))
        log_error("%s: what is sent cannot be written down: %s. Until it can, stations are not "
                  "answered.",
                  a->ledger_path, strerror(-error));
    return error == 0;
}

static void send(struct answering *a, const struct answer_question *q,
                 const struct answer_plan *plan, const struct air_keys *keys, uint32_t fcnt)
{
    const struct answer_road *road = plan->road;
    struct radio_sending sending = {.frequency_hz = road->rx1.frequency_hz,
                                    .bandwidth_hz = road->rx1.bandwidth_hz,
                                    .spreading_factor = road->rx1.spreading_factor,
                                    .power_dbm = road->power_dbm,
                                    .due_us = plan->due_us,
                                    .due_after_us = road->delay_us};
    uint64_t held;
    size_t len;
    if (answer_build(plan, keys, fcnt, sending.bytes, &len) != 0)
        return;
    sending.len = (uint8_t)len;
    int error = reception_send(a->parts.reception, q->radio, &sending);
    if (error != 0 && log_gate_open(&a->send_gate, clock_transport_us(), &held))
        log_warning("[radio.%u]: an answer to unit %08X was not sent: %s (%llu more).", q->radio,
                    q->devaddr, error == -ETIME ? "it was due already" : strerror(-error),
                    (unsigned long long)held);
    else if (error == 0)
        log_debug("Unit %08X: frame %u answered with %u%s%s.", q->devaddr, q->fcnt, fcnt,
                  plan->ack ? ", acknowledged" : "", plan->order != NULL ? ", order" : "");
}

void answering_heard(struct answering *a, const struct radio_packet *packet,
                     const struct verify_result *result)
{
    struct answer_question question;
    struct answer_plan plan;
    uint32_t fcnt;
    if (a->base_s == 0 && clock_synchronised(a->parts.clock))
        load_ledger(a);
    ask(a, packet, result, &question);
    enum answer_verdict verdict = answer_decide(&a->answer, a->speech, &question, &plan);
    complain(a, &question, verdict);
    if (verdict != ANSWER_SEND || !answer_enter(&a->answer, &question, &plan, &fcnt))
        return;
    if (keep_ledger(a, &plan))
        send(a, &question, &plan, &result->unit->keys, fcnt);
    a->untold = a->untold || plan.unit->untold;
    answering_tell(a);
}

void answering_health(struct answering *a, unsigned radio, struct feed_radio_health *health)
{
    const struct answer_road *road = &a->answer.roads[radio];
    int64_t free_us = 0;
    health->answers = road->may;
    health->duty_most_ms = -1;
    if (!road->may || road->duty_ppm >= REGION_NO_DUTY)
        return;
    int64_t most_us = (int64_t)road->duty_ppm * 3600;
    (void)duty_permits(&a->answer.ledger, road->from_khz, road->duty_ppm, 0,
                       ledger_now_s(a) > a->answer.ledger.until_s ? ledger_now_s(a)
                                                                  : a->answer.ledger.until_s,
                       &free_us);
    health->duty_most_ms = most_us / 1000;
    health->duty_ms = (uint64_t)(most_us - free_us) / 1000;
}

const char *answering_run(const struct answering *a)
{
    return a->run;
}
