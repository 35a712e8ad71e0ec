/*
 * How traps lose bait: in proportion to which demand? Of three laws the one that foretells a block's
 * days best is used: each day a trap lost something, what would be said of it by the law and the
 * trap's other days. No law is right - none knows wind - and what it leaves open is the block's own
 * drift (drift.h). Pure.
 */
#ifndef EDGEROW_JUDGE_LAW_H
#define EDGEROW_JUDGE_LAW_H

#include <stddef.h>

enum law_kind {
    LAW_HARGREAVES, /* FAO-56 eq. 52 */
    LAW_DEFICIT,    /* in proportion to the vapour pressure deficit, FAO-56 eq. 11 */
    LAW_CONSTANT,
    LAW_KINDS
};

struct law_choice {
    enum law_kind law;
    double
        error[LAW_KINDS]; /* of days held out: root mean square over the usual loss; NAN: unknown */
    size_t days;          /* trap-days it was judged on */
};

/* lost_mm[trap * days + day]: loss of that day, NAN where not measured. demand_mm[law * days + day]: of
 * that day by each law. The law of *choice, with which the caller begins, is left only for one that is
 * clearly better. */
void law_choose(const float *lost_mm, size_t trap_count, size_t days, const float *demand_mm,
                struct law_choice *choice);
const char *law_text(enum law_kind law);

#endif
