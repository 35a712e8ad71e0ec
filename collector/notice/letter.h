/*
 * The morning letter: one message for all blocks, for a telephone at six in the morning. What is to
 * be done comes first, in walking order; then what to mix, what is silent, what is over, and what
 * the catch says. Pure.
 */
#ifndef EDGEROW_NOTICE_LETTER_H
#define EDGEROW_NOTICE_LETTER_H

#include "collector/notice/text.h"

enum { LETTER_TEXT_MAX = 49152 };

/* What one notice has to say. */
struct letter_part {
    enum feed_notice_kind kind;
    enum notice_phase phase;
    int64_t notice;
    const char *subject;              /* title of the block, name of the gateway */
    const struct notice_watch *items; /* in walking order */
    size_t item_count;                /* none with NOTICE_CLOSING */
    const struct notice_watch *cured; /* told before, and over */
    size_t cured_count;
    bool acknowledged; /* listed because whoever walks needs the whole list */
};

struct letter {
    const char *site; /* title */
    const char *day;  /* "Fri 7 August" */
    const struct letter_part *parts;
    size_t part_count;
    unsigned soon; /* traps that come due in the next three days, beyond the items */
    double soon_l; /* bait they will need */
    const char *soon_where;
    const char *const *news; /* of the catch, a sentence each */
    size_t news_count;
};

/* UTF-8. What does not fit is counted, not cut off silently. */
void letter_text(const struct letter *letter, char title[NOTICE_TITLE_MAX],
                 char text[LETTER_TEXT_MAX]);

#endif
