/* The morning letter from what the engine owes: one message in the outbox. */
#ifndef EDGEROW_JUDGING_LETTER_H
#define EDGEROW_JUDGING_LETTER_H

#include "collector/judging/facts.h"
#include "collector/notice/engine.h"
#include "collector/notice/letter.h"
#include "collector/store/zone.h"

/* Title of a notice's subject: the block's, the gateway's, the site's. own is room for it. */
const char *letter_subject(const struct facts *facts, const struct notice *notice, char own[64]);
/* Traps of a block (NULL: of all) that come due soon, beyond those in the messages. */
unsigned letter_soon(const struct facts *facts, const char *block, int64_t now_s, double *litres);
/* Writes the letter of all that is owed and folded, with *any false when there is nothing to say. news: of
 * the catch. title and text are as of letter_text. 0 or -ENOMEM. */
int letter_write(const struct facts *facts, struct notice_engine *engine, const struct zone *zone,
                 int64_t now_s, const char *const *news, size_t news_count, bool *any,
                 char title[NOTICE_TITLE_MAX], char text[LETTER_TEXT_MAX]);

#endif
