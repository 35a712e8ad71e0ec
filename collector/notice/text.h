/* What people read: a subject of at most 60 characters that carries the essence, and a short text
 * that says what happened, where, and what to do. Pure. */
#ifndef EDGEROW_NOTICE_TEXT_H
#define EDGEROW_NOTICE_TEXT_H

#include "collector/notice/engine.h"

enum { NOTICE_TITLE_MAX = 160, NOTICE_TITLE_CHARACTERS = 60, NOTICE_TEXT_MAX = 4096 };

struct notice_story {
    enum feed_notice_kind kind;
    enum notice_phase phase;
    int64_t notice;
    const char *site;    /* title of the site */
    const char *subject; /* title of the block, name of the gateway */
    const struct notice_watch *items;
    size_t item_count;
    unsigned soon; /* traps that come due in the next three days, beyond the items */
    double soon_l; /* bait they will need */
};

/* Of a silent gateway's notice: only its stations are silent, it is heard itself. */
bool notice_only_stations(enum feed_notice_kind kind, const struct notice_watch *items,
                          size_t count);
/* UTF-8. What does not fit is counted, not cut off silently. */
void notice_text(const struct notice_story *story, char title[NOTICE_TITLE_MAX],
                 char text[NOTICE_TEXT_MAX]);
/* What to do about a kind that needs more than a sentence; "" for the others. */
const char *notice_advice(enum feed_notice_kind kind);

#endif
