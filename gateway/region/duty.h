/*
 * How much of the last hour was spent on the air, by sub-band. A sliding hour in minutes: a minute counts
 * whole until it has left the hour, so the account never says too little. What is missing from the account
 * counts as spent: a ledger made anew permits nothing for an hour. Pure.
 *
 * Its time must not step: the caller takes UTC once, when it loads the ledger, and from then on adds what a
 * monotonic clock says. `certain` tells whether the kernel called its clock synchronised at that moment. An
 * uncertain ledger does not outlive its run, because nobody knows how much time lies between.
 */
#ifndef EDGEROW_DUTY_H
#define EDGEROW_DUTY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { DUTY_MINUTES = 61, DUTY_BANDS = 8 };

struct duty_band {
    uint32_t from_khz;            /* names the sub-band; 0: free */
    int64_t minute[DUTY_MINUTES]; /* UTC minute that the place stands for */
    uint32_t spent_us[DUTY_MINUTES];
};

struct duty_ledger {
    int64_t since_s; /* complete from here on */
    int64_t until_s; /* the latest time it was told of */
    bool certain;    /* its time was right when the run began */
    struct duty_band bands[DUTY_BANDS];
};

void duty_begin(struct duty_ledger *ledger, int64_t now_s, bool certain);
/* Goes on with a ledger of an earlier run, or begins anew when the time between is not certain or the clock
 * went back. */
void duty_resume(struct duty_ledger *ledger, int64_t now_s, bool certain);
/* May airtime_us more be sent in this sub-band now? *free_us (may be NULL): what is left. */
bool duty_permits(const struct duty_ledger *ledger, uint32_t from_khz, uint32_t duty_ppm,
                  uint32_t airtime_us, int64_t now_s, int64_t *free_us);
/* Enters a transmission; before it begins, and on the disk before it begins. False: no place for a further
 * sub-band; then it must not be sent. */
bool duty_spend(struct duty_ledger *ledger, uint32_t from_khz, uint32_t airtime_us, int64_t now_s);

enum { DUTY_BYTES = 16 + 1 + 4 + DUTY_BANDS * (4 + DUTY_MINUTES * 12) + 4 };
void duty_encode(const struct duty_ledger *ledger, uint8_t bytes[DUTY_BYTES]);
/* 0, or -1 when the bytes are damaged or of another kind; the ledger is untouched then. */
int duty_decode(const uint8_t *bytes, size_t len, struct duty_ledger *ledger);

#endif
