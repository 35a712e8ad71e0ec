#include "collector/notice/text.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "collector/notice/page.h"

enum { ITEMS_IN_FULL = 20 };

static size_t count_failed(const struct notice_story *story)
{
    size_t failed = 0;
    for (size_t i = 0; i < story->item_count; i++)
        failed += story->items[i].failed;
    return failed;
}

static void visit_essence(const struct notice_story *story, char *essence, size_t capacity)
{
    size_t n = story->item_count, failed = count_failed(story);
    if (story->phase == NOTICE_CLOSING)
        snprintf(essence, capacity, "the traps to visit are done");
    else if (failed > 0)
        snprintf(essence, capacity, "%zu of %zu trap%s to visit not working", failed, n,
                 page_plural(n));
    else if (story->phase == NOTICE_REPEAT)
        snprintf(essence, capacity, "still %zu trap%s to visit today", n, page_plural(n));
    else
        snprintf(essence, capacity, "%zu trap%s to visit today", n, page_plural(n));
}

static void station_essence(const struct notice_story *story, char *essence, size_t capacity)
{
    size_t n = story->item_count;
    const char *still = story->phase == NOTICE_REPEAT ? "still " : "";
    if (story->phase == NOTICE_CLOSING)
        snprintf(essence, capacity, "silent stations are heard again");
    else if (n == 1)
        snprintf(essence, capacity, "%sno word from station %.20s", still, story->items[0].item);
    else
        snprintf(essence, capacity, "%sno word from %zu stations", still, n);
}

/* The gateway itself is heard; it is its stations that are not. */
bool notice_only_stations(enum feed_notice_kind kind, const struct notice_watch *items,
                          size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(items[i].item, "stations") != 0)
            return false;
    return kind == FEED_NOTICE_SILENT_GATEWAY && count > 0;
}

static void other_essence(const struct notice_story *story, char *essence, size_t capacity)
{
    static const char *const open[] = {
        [FEED_NOTICE_SILENT_GATEWAY] = "not heard",
        [FEED_NOTICE_GATEWAY_TROUBLE] = "the gateway needs help",
        [FEED_NOTICE_DATA] = "data to look at",
        [FEED_NOTICE_COLLECTOR] = "the collector needs help",
        [FEED_NOTICE_CATCH] = "look at the fruit today",
        [FEED_NOTICE_BEES] = "honey bees in the traps",
    };
    static const char *const closed[] = {
        [FEED_NOTICE_SILENT_GATEWAY] = "heard again",
        [FEED_NOTICE_GATEWAY_TROUBLE] = "the gateway is well again",
        [FEED_NOTICE_DATA] = "data in order again",
        [FEED_NOTICE_COLLECTOR] = "the collector is well again",
        [FEED_NOTICE_CATCH] = "the catch is below the action level",
        [FEED_NOTICE_BEES] = "few honey bees in the traps",
    };
    const char *words = story->phase == NOTICE_CLOSING ? closed[story->kind] : open[story->kind];
    if (notice_only_stations(story->kind, story->items, story->item_count))
        words = story->phase == NOTICE_CLOSING ? "hears its stations again"
                                               : "many of its stations silent";
    snprintf(essence, capacity, "%s%s", story->phase == NOTICE_REPEAT ? "still " : "", words);
}

static void write_title(const struct notice_story *story, char title[NOTICE_TITLE_MAX])
{
    char essence[96];
    switch (story->kind) {
    case FEED_NOTICE_VISIT:
        visit_essence(story, essence, sizeof(essence));
        break;
    case FEED_NOTICE_SILENT_STATION:
        station_essence(story, essence, sizeof(essence));
        break;
    case FEED_NOTICE_SILENT_GATEWAY:
    case FEED_NOTICE_GATEWAY_TROUBLE:
    case FEED_NOTICE_DATA:
    case FEED_NOTICE_COLLECTOR:
    case FEED_NOTICE_CATCH:
    case FEED_NOTICE_BEES:
        other_essence(story, essence, sizeof(essence));
        break;
    }
    size_t used = strlen(essence) + 2;
    size_t room = used < NOTICE_TITLE_CHARACTERS ? NOTICE_TITLE_CHARACTERS - used : 0;
    snprintf(title, NOTICE_TITLE_MAX, "%.*s: %s", page_clip(story->subject, room), story->subject,
             essence);
}

/* Room that the text after the items needs. */
enum { ROOM_AFTER_ITEMS = 1900, ROOM_OF_ITEM = 360 };

/* Items with or without a failed trap, in full while there is room; returns how many were left over. */
static size_t write_some(struct page *page, const struct notice_story *story, bool failed,
                         size_t *in_full, bool names_only)
{
    size_t left = 0, seen = 0;
    for (size_t i = 0; i < story->item_count; i++) {
        const struct notice_watch *item = &story->items[i];
        if (item->failed != failed)
            continue;
        bool shown_before = names_only && seen++ < in_full[failed];
        if (shown_before)
            continue;
        size_t room = names_only ? ROOM_AFTER_ITEMS : ROOM_AFTER_ITEMS + ROOM_OF_ITEM;
        if (page->len + room > page->capacity ||
            (!names_only && (left > 0 || in_full[0] + in_full[1] >= ITEMS_IN_FULL))) {
            left++;
        } else if (names_only) {
            page_write(page, " %s", item->item);
        } else {
            page_write(page, "- %s: %s\n", item->item, item->detail);
            in_full[failed]++;
        }
    }
    return left;
}

/* What does not work first; then the rest; then the names of those there was no room for. */
static void write_items(struct page *page, const struct notice_story *story)
{
    size_t in_full[2] = {0, 0};
    size_t left = write_some(page, story, true, in_full, false);
    left += write_some(page, story, false, in_full, false);
    if (left == 0)
        return;
    page_write(page, "- and also:");
    left = write_some(page, story, true, in_full, true);
    left += write_some(page, story, false, in_full, true);
    if (left > 0)
        page_write(page, " and %zu more (edgerow status lists all)", left);
    page_write(page, "\n");
}

static double bait_to_bring(const struct notice_story *story)
{
    double litres = 0;
    for (size_t i = 0; i < story->item_count; i++)
        litres += story->items[i].bring_l;
    return litres;
}

static void write_bait(struct page *page, const struct notice_story *story)
{
    double bring = bait_to_bring(story);
    if (bring > 0)
        page_write(page, "\nBring %.1f litres of fermented bait (half a litre a trap).\n", bring);
    if (story->soon == 0)
        return;
    page_write(page,
               "Mix %.1f litres today: %u more trap%s in this block come%s due within three days, "
               "and bait ferments one to two days before it draws. That is %.2f litres of fruit "
               "juice and %.2f litres of water (1 part to 10), and a quarter teaspoon of dry yeast "
               "and of dish detergent for each trap. Leave the container's lid loose.\n",
               story->soon_l, story->soon, page_plural(story->soon), story->soon == 1 ? "s" : "",
               story->soon_l / 11, story->soon_l * 10 / 11);
}

static void write_visit(struct page *page, const struct notice_story *story)
{
    if (story->phase == NOTICE_CLOSING) {
        page_write(page, "These traps work again:\n");
        write_items(page, story);
        return;
    }
    page_write(page, "Why each trap needs a visit:\n");
    write_items(page, story);
    write_bait(page, story);
    page_write(
        page, "\nAfter emptying and refilling, press the station's service button.\n"
              "\nTake care: stings can be dangerous, above all with an allergy. Wear gloves, go in "
              "the cool hours, in pairs where you can. Pour soapy water in before you open a trap; "
              "dead wasps still sting. Stand ladders on firm ground. Keep out of blocks that are "
              "closed after spraying or for harvest. A product's label and local rules decide.\n");
}

static void write_stations(struct page *page, const struct notice_story *story)
{
    if (story->phase == NOTICE_CLOSING) {
        page_write(page, "These stations report again:\n");
        write_items(page, story);
        page_write(page, "Their counters went on meanwhile; what they counted is in the totals.\n");
        return;
    }
    page_write(page, "Nothing has been heard from:\n");
    write_items(page, story);
    page_write(page,
               "\nWhether these traps catch is not known. At the trap: does the station hang, is "
               "it dry, is the aerial whole? Press the service button: it reports within seconds. "
               "If nothing arrives, change the cells.\n"
               "\nTake care: wasps stay near a trap. Gloves, the cool hours, firm ladders; keep "
               "out of blocks closed after spraying. With an allergy to stings send somebody "
               "else.\n");
}

static void write_gateway(struct page *page, const struct notice_story *story)
{
    write_items(page, story);
    if (story->phase == NOTICE_CLOSING)
        return;
    page_write(page,
               "\nThe stations go on counting; totals arrive when they are heard again. While "
               "this lasts nothing is known of their traps. Look at the gateway's power, its "
               "network and its aerial. Mains wiring is for a licensed electrician.\n");
}

const char *notice_advice(enum feed_notice_kind kind)
{
    switch (kind) {
    case FEED_NOTICE_CATCH:
        return "Look at the fruit within a day: at twenty places on the edge and twenty inside, "
               "ten "
               "clusters each, and enter them with edgerow damage. Catch alone does not say that "
               "fruit is damaged: ripe fruit competes with bait. Gloves, the cool hours; closed "
               "blocks stay closed.\n";
    case FEED_NOTICE_BEES:
        return "Honey bees are drawn by sweet bait: let it ferment two days before it is hung, "
               "move the traps that caught them away from hives and flowers, and speak with the "
               "beekeeper (judgement, no source). Have one of the insects named by somebody who "
               "knows bees. Local rules may protect them.\n";
    case FEED_NOTICE_VISIT:
    case FEED_NOTICE_SILENT_STATION:
    case FEED_NOTICE_SILENT_GATEWAY:
    case FEED_NOTICE_GATEWAY_TROUBLE:
    case FEED_NOTICE_DATA:
    case FEED_NOTICE_COLLECTOR:
        break;
    }
    return "";
}

static void write_body(struct page *page, const struct notice_story *story)
{
    switch (story->kind) {
    case FEED_NOTICE_VISIT:
        write_visit(page, story);
        break;
    case FEED_NOTICE_SILENT_STATION:
        write_stations(page, story);
        break;
    case FEED_NOTICE_SILENT_GATEWAY:
        write_gateway(page, story);
        break;
    case FEED_NOTICE_GATEWAY_TROUBLE:
    case FEED_NOTICE_DATA:
    case FEED_NOTICE_COLLECTOR:
    case FEED_NOTICE_CATCH:
    case FEED_NOTICE_BEES:
        page_write(page, story->phase == NOTICE_CLOSING ? "Over:\n" : "What was found:\n");
        write_items(page, story);
        if (story->phase != NOTICE_CLOSING)
            page_write(page, "%s", notice_advice(story->kind));
        break;
    }
}

void notice_text(const struct notice_story *story, char title[NOTICE_TITLE_MAX],
                 char text[NOTICE_TEXT_MAX])
{
    struct page page = {.text = text, .capacity = NOTICE_TEXT_MAX};
    write_title(story, title);
    text[0] = '\0';
    write_body(&page, story);
    page_write(&page, "\n%s, notice n-%06" PRId64 "\n", story->site, story->notice);
}
