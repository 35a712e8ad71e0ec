/*
 * What the gateway sends in answer to a frame, if anything: an acknowledgement, an order, or both in one frame
 * down in RX1. A function of what it may say (speech), what its radios may send (roads), what was on the air in
 * the last hour (ledger), and the frame. Pure: answer_decide changes nothing; answer_enter uses the counter up
 * and enters the transmission, and what it changed must be on the disk before the frame is handed to a radio.
 */
#ifndef EDGEROW_ANSWER_ANSWER_H
#define EDGEROW_ANSWER_ANSWER_H

#include "gateway/answer/speech.h"
#include "gateway/region/duty.h"
#include "gateway/region/region.h"
#include "protocol/air/frame.h"

enum {
    ANSWER_ROADS = 4,
    ANSWER_PLANS = 32, /* transmissions that wait or run, of all radios */
    ANSWER_LONGEST = AIR_FRAME_MIN + 1 + AIR_ORDER_MAX,
    ANSWER_TWICE_US = 1000000, /* two radios hear one frame: less than this apart */
    ANSWER_APART_US =
        15000 /* between two transmissions: a radio needs 10 ms to listen and turn again */
};

enum answer_verdict {
    ANSWER_SEND,
    ANSWER_NOT_WANTED, /* not confirmed, and no order waits */
    ANSWER_TWICE,      /* this very frame was answered: another radio heard it too */
    ANSWER_NO_LEASE, /* another gateway speaks to the unit, or did when the frame ended, or nobody may yet */
    ANSWER_RECEIVE_ONLY, /* the law, as far as it is known, does not let this radio send */
    ANSWER_NO_TIME, /* the end of the frame is not known well enough, or the clock is not believed */
    ANSWER_NO_DUTY, /* this hour's share of the air is used up */
    ANSWER_BUSY,    /* another answer is on the air then: one at a time */
    ANSWER_VERDICTS
};

/* How one radio may answer; fixed for a run. */
struct answer_road {
    bool may; /* its country's rules are known and let it send */
    struct region_channel rx1;
    uint8_t coding_rate;
    int8_t power_dbm;
    uint32_t delay_us; /* from the end of a frame to its answer */
    uint32_t from_khz; /* names the sub-band */
    uint32_t duty_ppm;
};

struct answer_span {
    int64_t from_us, until_us; /* on the clock of the air */
};

struct answer {
    struct answer_road roads[ANSWER_ROADS];
    struct duty_ledger ledger;
    struct answer_span spans[ANSWER_PLANS];
};

/* A frame that is new or was repeated, and that is on the disk when it is confirmed. */
struct answer_question {
    uint32_t devaddr, fcnt;
    bool confirmed;
    bool has_report; /* then what it says of orders counts */
    uint8_t order_sequence;
    bool order_answered;
    unsigned radio;
    int64_t end_us;   /* of the packet, on the clock of the air */
    int64_t lease_us; /* the same instant on the clock that leases are noted by */
    bool timed;       /* end_us is exact, and UTC is believed */
    int64_t now_s;    /* UTC, for leases and orders */
    int64_t ledger_s; /* the ledger's own time; does not step */
};

struct answer_plan {
    struct speech_unit *unit;
    const struct answer_road *road;
    bool ack;
    const struct feed_order *order; /* NULL: none */
    int64_t due_us, airtime_us;
    int64_t ledger_s; /* when it has been sent */
};

/* What this radio's settings and country let it do; verdict as text, never empty. */
void answer_road_set(struct answer_road *road, const struct region_use *uplink, uint32_t delay_us,
                     char text[REGION_TEXT]);

enum answer_verdict answer_decide(const struct answer *answer, struct speech *speech,
                                  const struct answer_question *question, struct answer_plan *plan);
/* Uses a counter up, enters the transmission into the ledger and the plan of the air. False: no place in the
 * ledger; then nothing may be sent. *fcnt is set on success. */
bool answer_enter(struct answer *answer, const struct answer_question *question,
                  const struct answer_plan *plan, uint32_t *fcnt);
/* The frame itself. 0 or an error of the air. */
int answer_build(const struct answer_plan *plan, const struct air_keys *keys, uint32_t fcnt,
                 uint8_t bytes[ANSWER_LONGEST], size_t *len);

#endif
