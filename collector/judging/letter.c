#include "collector/judging/letter.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { DAY_S = 86400, SOON_DAYS = 3, WHERE_MAX = 300 };

/* A gateway and a block may have the same name. */
static bool is_of_gateway(const struct notice *notice)
{
    return notice->kind == FEED_NOTICE_SILENT_GATEWAY ||
           notice->kind == FEED_NOTICE_GATEWAY_TROUBLE || notice->kind == FEED_NOTICE_DATA;
}

const char *letter_subject(const struct facts *facts, const struct notice *notice, char own[64])
{
    bool of_gateway = is_of_gateway(notice);
    for (size_t i = 0; i < facts->block_count && !of_gateway; i++)
        if (strcmp(facts->blocks[i].block->name, notice->subject) == 0 &&
            facts->blocks[i].block->title[0] != '\0')
            return facts->blocks[i].block->title;
    if (strcmp(notice->subject, "site") == 0)
        return facts->site->title;
    snprintf(own, 64, of_gateway ? "Gateway %s" : "%s", notice->subject);
    return own;
}

unsigned letter_soon(const struct facts *facts, const char *block, int64_t now_s, double *litres)
{
    unsigned soon = 0;
    *litres = 0;
    for (size_t i = 0; i < facts->trap_count; i++) {
        const struct facts_trap *trap = &facts->traps[i];
        const struct bait_verdict *v = &trap->bait;
        if (!trap->active || v->condition != FEED_TRAP_WORKING || v->from_s == 0 ||
            v->bring_l <= 0 || v->from_s > now_s + SOON_DAYS * DAY_S ||
            (block != NULL && strcmp(facts->blocks[trap->block].block->name, block) != 0))
            continue;
        soon++;
        *litres += v->bring_l;
    }
    return soon;
}

/* "Creek field 9, Road block 12". */
static void write_where(const struct facts *facts, int64_t now_s, char where[WHERE_MAX])
{
    size_t len = 0;
    where[0] = '\0';
    for (size_t i = 0; i < facts->block_count && len + 80 < WHERE_MAX; i++) {
        const struct roster_block *block = facts->blocks[i].block;
        double litres;
        unsigned soon = letter_soon(facts, block->name, now_s, &litres);
        if (soon > 0)
            len += (size_t)snprintf(where + len, WHERE_MAX - len, "%s%s %u", len > 0 ? ", " : "",
                                    block->title[0] != '\0' ? block->title : block->name, soon);
    }
}

static int by_place(const void *a, const void *b)
{
    const struct notice_watch *x = a, *y = b;
    return x->place != y->place ? (x->place < y->place ? -1 : 1) : strverscmp(x->item, y->item);
}

static size_t block_of(const struct facts *facts, const struct notice *notice)
{
    size_t i = 0;
    while (i < facts->block_count && strcmp(facts->blocks[i].block->name, notice->subject) != 0)
        i++;
    return i;
}

static bool is_owed(const struct notice_engine *engine, size_t notice)
{
    for (size_t i = 0; i < engine->owed_count; i++)
        if (engine->owed[i].notice == notice)
            return true;
    return false;
}

/* The traps of a notice that is not owed now, because somebody acknowledged it: whoever walks needs the whole
 * list. */
static int add_rest(struct notice_engine *engine, size_t index, struct notice_owed *owed)
{
    const struct notice *notice = &engine->notices[index];
    *owed = (struct notice_owed){.notice = index, .phase = NOTICE_REPEAT, .folded = true};
    if (!notice->open || notice->cured || notice->kind != FEED_NOTICE_VISIT ||
        notice->sent_s == 0 || is_owed(engine, index))
        return 0;
    return notice_engine_list(engine, notice->id, owed);
}

static void fill_part(const struct facts *facts, struct notice_engine *engine,
                      const struct notice_owed *owed, struct letter_part *part, char own[64])
{
    const struct notice *notice = &engine->notices[owed->notice];
    bool closing = owed->phase == NOTICE_CLOSING;
    struct notice_watch *items = engine->items + owed->first_item;
    *part = (struct letter_part){.kind = notice->kind,
                                 .phase = owed->phase,
                                 .notice = notice->id,
                                 .subject = letter_subject(facts, notice, own),
                                 .items = items,
                                 .item_count = closing ? 0 : owed->item_count,
                                 .cured = closing ? items : items + owed->item_count,
                                 .cured_count = closing ? owed->item_count : owed->cured_count,
                                 .acknowledged = notice->acknowledged_s != 0};
    qsort(items, owed->item_count, sizeof(*items), by_place);
    qsort(items + owed->item_count, owed->cured_count, sizeof(*items), by_place);
}

struct draft {
    struct letter_part *parts;
    char (*own)[64];
    struct notice_owed *owed;
    size_t count;
};

static int draft_open(struct draft *draft, size_t most)
{
    draft->parts = calloc(most + 1, sizeof(*draft->parts));
    draft->own = calloc(most + 1, sizeof(*draft->own));
    draft->owed = calloc(most + 1, sizeof(*draft->owed));
    draft->count = 0;
    return draft->parts != NULL && draft->own != NULL && draft->owed != NULL ? 0 : -ENOMEM;
}

static void draft_close(struct draft *draft)
{
    free(draft->parts);
    free(draft->own);
    free(draft->owed);
}

/* Everything that goes into the letter, blocks in the roster's order. */
static int collect(const struct facts *facts, struct notice_engine *engine, struct draft *draft)
{
    int rc = 0;
    for (size_t block = 0; block <= facts->block_count && rc == 0; block++)
        for (size_t i = 0; i < engine->owed_count; i++)
            if (engine->owed[i].folded &&
                block_of(facts, &engine->notices[engine->owed[i].notice]) == block)
                draft->owed[draft->count++] = engine->owed[i];
    for (size_t i = 0; i < engine->notice_count && rc == 0; i++) {
        rc = add_rest(engine, i, &draft->owed[draft->count]);
        draft->count += rc == 0 && draft->owed[draft->count].item_count > 0;
    }
    for (size_t i = 0; i < draft->count && rc == 0; i++)
        fill_part(facts, engine, &draft->owed[i], &draft->parts[i], draft->own[i]);
    return rc;
}

static void write_day(const struct zone *zone, int64_t now_s, char day[40])
{
    static const char *const days[] = {"Sunday",   "Monday", "Tuesday", "Wednesday",
                                       "Thursday", "Friday", "Saturday"};
    static const char *const months[] = {"January",   "February", "March",    "April",
                                         "May",       "June",     "July",     "August",
                                         "September", "October",  "November", "December"};
    struct zone_local local = zone_local(zone, now_s);
    snprintf(day, 40, "%s, %d %s", days[local.weekday % 7], local.day,
             months[(local.month - 1) % 12]);
}

int letter_write(const struct facts *facts, struct notice_engine *engine, const struct zone *zone,
                 int64_t now_s, const char *const *news, size_t news_count, bool *any,
                 char title[NOTICE_TITLE_MAX], char text[LETTER_TEXT_MAX])
{
    struct draft draft;
    char day[40], where[WHERE_MAX];
    bool folded = news_count > 0;
    for (size_t i = 0; i < engine->owed_count; i++)
        folded |= engine->owed[i].folded;
    *any = folded;
    if (!folded)
        return 0;
    int rc = draft_open(&draft, engine->owed_count + engine->notice_count);
    if (rc == 0)
        rc = collect(facts, engine, &draft);
    if (rc == 0) {
        struct letter letter = {.site = facts->site->title,
                                .day = day,
                                .parts = draft.parts,
                                .part_count = draft.count,
                                .soon_where = where,
                                .news = news,
                                .news_count = news_count};
        letter.soon = letter_soon(facts, NULL, now_s, &letter.soon_l);
        write_day(zone, now_s, day);
        write_where(facts, now_s, where);
        letter_text(&letter, title, text);
    }
    draft_close(&draft);
    return rc;
}
