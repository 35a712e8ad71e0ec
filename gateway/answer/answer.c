#include "gateway/answer/answer.h"

#include <string.h>

#include "protocol/air/airtime.h"

void answer_road_set(struct answer_road *road, const struct region_use *uplink, uint32_t delay_us,
                     char text[REGION_TEXT])
{
    struct region_channel up = {uplink->frequency_hz, uplink->bandwidth_hz,
                                uplink->spreading_factor};
    struct region_use use = *uplink;
    const struct region_band *band = NULL;
    *road = (struct answer_road){.rx1 = region_rx1(uplink->country, &up),
                                 .coding_rate = uplink->coding_rate,
                                 .power_dbm = (int8_t)(uplink->power_cdbm / 100),
                                 .delay_us = delay_us};
    use.frequency_hz = road->rx1.frequency_hz;
    use.bandwidth_hz = road->rx1.bandwidth_hz;
    use.spreading_factor = road->rx1.spreading_factor;
    use.longest = ANSWER_LONGEST;
    road->may = region_check(&use, &band, text) == REGION_LAWFUL;
    if (road->may) {
        road->from_khz = band->from_khz;
        road->duty_ppm = band->duty_ppm;
    }
}

/* An order that the frame itself does not answer. */
static const struct feed_order *order_for(const struct speech_unit *unit,
                                          const struct answer_question *q)
{
    const struct feed_order *order = &unit->order;
    if (!unit->has_order || q->now_s >= order->until_ms / 1000)
        return NULL;
    bool answered =
        q->has_report && q->order_answered && q->order_sequence == order->order.sequence;
    return answered ? NULL : order;
}

static bool answered_already(const struct speech_unit *unit, const struct answer_question *q)
{
    int64_t apart_us = q->end_us - unit->answered_us;
    return unit->answered && unit->answered_fcnt == q->fcnt && apart_us < ANSWER_TWICE_US &&
           apart_us > -ANSWER_TWICE_US;
}

static bool air_is_taken(const struct answer *answer, int64_t from_us, int64_t until_us)
{
    for (size_t i = 0; i < ANSWER_PLANS; i++)
        if (answer->spans[i].until_us + ANSWER_APART_US > from_us &&
            answer->spans[i].from_us < until_us + ANSWER_APART_US)
            return true;
    return false;
}

static size_t payload_len(const struct feed_order *order, uint8_t bytes[AIR_ORDER_MAX])
{
    size_t len = 0;
    return order != NULL && air_order_encode(&order->order, bytes, &len) == AIR_OK ? len : 0;
}

static int64_t airtime_us(const struct answer_road *road, size_t payload)
{
    struct air_modulation modulation = {.bandwidth_hz = road->rx1.bandwidth_hz,
                                        .spreading_factor = road->rx1.spreading_factor,
                                        .coding_rate = road->coding_rate,
                                        .preamble = 8};
    return air_time_us(&modulation, (uint8_t)(AIR_FRAME_MIN + (payload > 0 ? payload + 1 : 0)));
}

/* The ledger's minute is the one in which the transmission ends, and its time never goes back. */
static int64_t entry_s(const struct answer *answer, const struct answer_question *q,
                       const struct answer_plan *plan)
{
    int64_t after_us = (int64_t)plan->road->delay_us + plan->airtime_us;
    int64_t end_s = q->ledger_s + after_us / 1000000 + 1;
    return end_s > answer->ledger.until_s ? end_s : answer->ledger.until_s;
}

enum answer_verdict answer_decide(const struct answer *answer, struct speech *speech,
                                  const struct answer_question *q, struct answer_plan *plan)
{
    struct speech_unit *unit = speech_find(speech, q->devaddr);
    if (unit == NULL || q->radio >= ANSWER_ROADS)
        return ANSWER_NO_LEASE;
    const struct answer_road *road = &answer->roads[q->radio];
    uint8_t bytes[AIR_ORDER_MAX];
    struct answer_plan made = {
        .unit = unit, .road = road, .ack = q->confirmed, .order = order_for(unit, q)};
    if (!made.ack && made.order == NULL)
        return ANSWER_NOT_WANTED;
    if (!road->may)
        return ANSWER_RECEIVE_ONLY;
    if (!speech_speaks(unit, q->now_s, q->lease_us))
        return ANSWER_NO_LEASE;
    if (!q->timed)
        return ANSWER_NO_TIME;
    if (answered_already(unit, q))
        return ANSWER_TWICE;
    made.due_us = q->end_us + road->delay_us;
    made.airtime_us = airtime_us(road, payload_len(made.order, bytes));
    made.ledger_s = entry_s(answer, q, &made);
    if (!duty_permits(&answer->ledger, road->from_khz, road->duty_ppm, (uint32_t)made.airtime_us,
                      made.ledger_s, NULL))
        return ANSWER_NO_DUTY;
    if (air_is_taken(answer, made.due_us, made.due_us + made.airtime_us))
        return ANSWER_BUSY;
    *plan = made;
    return ANSWER_SEND;
}

/* The place of the span that ended first. */
static struct answer_span *oldest_span(struct answer *answer)
{
    struct answer_span *oldest = &answer->spans[0];
    for (size_t i = 1; i < ANSWER_PLANS; i++)
        if (answer->spans[i].until_us < oldest->until_us)
            oldest = &answer->spans[i];
    return oldest;
}

bool answer_enter(struct answer *answer, const struct answer_question *q,
                  const struct answer_plan *plan, uint32_t *fcnt)
{
    struct speech_unit *unit = plan->unit;
    if (!duty_spend(&answer->ledger, plan->road->from_khz, (uint32_t)plan->airtime_us,
                    plan->ledger_s))
        return false;
    *fcnt = speech_take(unit);
    unit->answered = true;
    unit->answered_fcnt = q->fcnt;
    unit->answered_us = q->end_us;
    if (plan->order != NULL) {
        unit->order_sent++;
        unit->untold = true;
    }
    *oldest_span(answer) = (struct answer_span){plan->due_us, plan->due_us + plan->airtime_us};
    return true;
}

int answer_build(const struct answer_plan *plan, const struct air_keys *keys, uint32_t fcnt,
                 uint8_t bytes[ANSWER_LONGEST], size_t *len)
{
    struct air_frame frame = {
        .type = AIR_DOWNLINK, .devaddr = plan->unit->devaddr, .ack = plan->ack, .fport = -1};
    size_t payload = payload_len(plan->order, frame.payload);
    if (payload > 0) {
        frame.fport = AIR_PORT_ORDER;
        frame.payload_len = (uint8_t)payload;
    }
    return air_frame_build(&frame, keys, fcnt, bytes, ANSWER_LONGEST, len);
}
