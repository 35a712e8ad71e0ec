/*
 * Is this packet a frame of one of our units, and is it new? Pure: judges against a table of units
 * and an instant, changes nothing; verify_accept() then notes what was decided. The work is
 * bounded: one parse, one search, and at most VERIFY_HALVES + 2 message integrity codes, whatever
 * is sent.
 */
#ifndef EDGEROW_VERIFY_VERIFY_H
#define EDGEROW_VERIFY_VERIFY_H

#include <stddef.h>
#include <stdint.h>

#include "gateway/verify/unit.h"
#include "protocol/air/frame.h"

enum {
    VERIFY_REPEAT_US =
        60 * 1000000,  /* the same frame again within this is a repeat, not a replay */
    VERIFY_HALVES = 64 /* high halves tried when nothing is known, or below what is known */
};

enum verify_verdict {
    VERIFY_ACCEPTED,  /* new: to be spooled */
    VERIFY_REPEATED,  /* same counter, same bytes, within 60 s: acknowledged again, not stored again
                       */
    VERIFY_REPLAYED,  /* same counter, same bytes, later than that */
    VERIFY_RESTARTED, /* good MIC, but the counter went back or was used for other bytes: re-key the
                         unit */
    VERIFY_FORGED,    /* our address, no key of ours */
    VERIFY_UNKNOWN,   /* an address we have no keys for */
    VERIFY_UNUSABLE,  /* too short, not an uplink data frame, or laid out wrongly */
    VERIFY_VERDICTS
};

struct verify_result {
    enum verify_verdict verdict;
    int error;                /* UNUSABLE: enum air_error */
    uint32_t devaddr;         /* all but UNUSABLE */
    struct verify_unit *unit; /* all but UNKNOWN and UNUSABLE */
    uint32_t fcnt;            /* full counter; ACCEPTED, REPEATED, REPLAYED, RESTARTED */
    uint32_t mic;             /* as sent; all but UNUSABLE */
    struct air_frame frame;   /* payload decrypted when ACCEPTED or REPEATED */
};

/* now_us: event time of the packet's end. */
void verify_judge(struct verify_table *table, const uint8_t *bytes, size_t len, int64_t now_us,
                  struct verify_result *result);
/* Moves the unit's counter after ACCEPTED. */
void verify_accept(const struct verify_result *result, int64_t now_us);

/* One word, for instance "replayed". */
const char *verify_verdict_text(enum verify_verdict verdict);

#endif
