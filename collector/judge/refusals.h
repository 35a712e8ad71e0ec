/*
 * Frames that a gateway refuses although they bear an address of ours: when are there so many that a person should know?
 * A day is counted from the first health message on, and the day before it still counts. Pure.
 */
#ifndef EDGEROW_JUDGE_REFUSALS_H
#define EDGEROW_JUDGE_REFUSALS_H

#include <stdint.h>

enum refusal {
    REFUSAL_RESTARTED, /* genuine, and the frame counter began again */
    REFUSAL_REPLAYED,  /* recorded, and heard again long after its time */
    REFUSAL_FORGED,    /* no key of the station fits */
    REFUSALS
};

struct refusals {
    int64_t from_s; /* when the day began that is counted; 0: no message yet */
    uint64_t said[REFUSALS];
    uint64_t today[REFUSALS], yesterday[REFUSALS];
};

/* A health message says these counts, which begin again when the gateway does. What was counted before the first message
 * is no news. */
void refusals_note(struct refusals *refusals, const uint64_t counts[REFUSALS], int64_t at_s);
/* How many there were in a day, when that is many; 0: few. */
uint64_t refusals_many(const struct refusals *refusals, enum refusal refusal);

#endif
