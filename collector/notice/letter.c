#include "collector/notice/letter.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "collector/notice/page.h"
#include "collector/notice/text.h"

/* Room that what follows the lists needs, and one line of a list. */
enum { ROOM_AFTER = 6000, ROOM_OF_LINE = 300, NAMES_IN_LINE = 8 };

#define LITRES_PER_CUP    0.2365882365
#define LITRES_PER_GALLON 3.785411784 /* US liquid gallon, exact by definition */

struct sums {
    size_t visits, failed, silent, other, over;
    double bring_l;
};

static bool is_visit(const struct letter_part *part)
{
    return part->kind == FEED_NOTICE_VISIT && part->phase != NOTICE_CLOSING;
}

static bool is_silent(const struct letter_part *part)
{
    return part->kind == FEED_NOTICE_SILENT_STATION && part->phase != NOTICE_CLOSING;
}

/* Neither of the two, and still to be acted on. */
static bool is_other(const struct letter_part *part)
{
    return !is_visit(part) && !is_silent(part) && part->phase != NOTICE_CLOSING;
}

static struct sums sum_up(const struct letter *letter)
{
    struct sums sums = {0};
    for (size_t p = 0; p < letter->part_count; p++) {
        const struct letter_part *part = &letter->parts[p];
        sums.visits += is_visit(part) ? part->item_count : 0;
        sums.silent += is_silent(part) ? part->item_count : 0;
        sums.other += is_other(part);
        sums.over += part->cured_count > 0 || part->phase == NOTICE_CLOSING;
        for (size_t i = 0; i < part->item_count && is_visit(part); i++) {
            sums.failed += part->items[i].failed;
            sums.bring_l += part->items[i].bring_l;
        }
    }
    return sums;
}

static void other_essence(const struct letter *letter, char *essence, size_t capacity)
{
    const struct letter_part *part = letter->parts;
    while (!is_other(part))
        part++;
    if (part->kind == FEED_NOTICE_SILENT_GATEWAY)
        snprintf(essence, capacity, "%.20s %s", part->subject,
                 notice_only_stations(part->kind, part->items, part->item_count)
                     ? "hears few stations"
                     : "not heard");
    else if (part->kind == FEED_NOTICE_CATCH)
        snprintf(essence, capacity, "look at the fruit today");
    else
        snprintf(essence, capacity, "something to look at");
}

static void write_title(const struct letter *letter, const struct sums *sums,
                        char title[NOTICE_TITLE_MAX])
{
    char essence[96];
    if (sums->failed > 0)
        snprintf(essence, sizeof(essence), "%zu trap%s to visit, %zu not working", sums->visits,
                 page_plural(sums->visits), sums->failed);
    else if (sums->visits > 0)
        snprintf(essence, sizeof(essence), "%zu trap%s to visit today", sums->visits,
                 page_plural(sums->visits));
    else if (sums->other > 0)
        other_essence(letter, essence, sizeof(essence));
    else if (sums->silent > 0)
        snprintf(essence, sizeof(essence), "%zu silent station%s", sums->silent,
                 page_plural(sums->silent));
    else if (sums->over > 0)
        snprintf(essence, sizeof(essence), "no trap to visit, all well again");
    else
        snprintf(essence, sizeof(essence), "no trap to visit; the week's catch");
    size_t used = strlen(essence) + 2;
    size_t room = used < NOTICE_TITLE_CHARACTERS ? NOTICE_TITLE_CHARACTERS - used : 0;
    snprintf(title, NOTICE_TITLE_MAX, "%.*s: %s", page_clip(letter->site, room), letter->site,
             essence);
}

/* ---- lists ---- */

static bool has_room(const struct page *page)
{
    return page->len + ROOM_AFTER + ROOM_OF_LINE < page->capacity;
}

static const char *words_of(const struct notice_watch *item)
{
    return item->brief[0] != '\0' ? item->brief : item->detail;
}

static bool same_words(const struct notice_watch *a, const struct notice_watch *b)
{
    return a->failed == b->failed && strcmp(words_of(a), words_of(b)) == 0;
}

/* Neighbours that need the same share a line. Returns how many it holds. */
static size_t write_line(struct page *page, const struct notice_watch *items, size_t count)
{
    size_t n = 1;
    page_write(page, "%s%s", items[0].failed ? "! " : "", items[0].item);
    while (n < count && n < NAMES_IN_LINE && same_words(&items[0], &items[n]))
        page_write(page, ", %s", items[n++].item);
    page_write(page, ": %s\n", words_of(&items[0]));
    return n;
}

static void write_items(struct page *page, const struct notice_watch *items, size_t count)
{
    size_t i = 0;
    while (i < count && has_room(page))
        i += write_line(page, items + i, count - i);
    if (i < count)
        page_write(page, "and %zu more: edgerow round lists all\n", count - i);
}

/* One part of juice to ten of water, and a quarter teaspoon each of yeast and detergent a trap: common
 * practice, no source. */
static void write_mix(struct page *page, const struct letter *letter)
{
    double juice_l = letter->soon_l / 11, water_l = letter->soon_l * 10 / 11;
    if (letter->soon == 0)
        return;
    page_write(page,
               "\nMIX TODAY %.1f litres of bait\n"
               "%.2f l fruit juice, %.1f l water (%.1f cups, %.1f gallons), %.4g teaspoons of dry "
               "yeast and of dish detergent. Leave the lid loose: it ferments one to two days. For "
               "%u more trap%s due in three days (%s).\n",
               letter->soon_l, juice_l, water_l, juice_l / LITRES_PER_CUP,
               water_l / LITRES_PER_GALLON, letter->soon / 4.0, letter->soon,
               page_plural(letter->soon), letter->soon_where);
}

static void write_visits(struct page *page, const struct letter *letter, const struct sums *sums)
{
    if (sums->visits == 0)
        return;
    page_write(page, "\n%zu TRAP%s TO VISIT\n", sums->visits, sums->visits == 1 ? "" : "S");
    if (sums->bring_l > 0)
        page_write(page, "Take %.1f litres of fermented bait.\n", sums->bring_l);
    if (sums->failed > 0)
        page_write(page, "! does not work now.\n");
    for (size_t p = 0; p < letter->part_count; p++) {
        const struct letter_part *part = &letter->parts[p];
        if (!is_visit(part))
            continue;
        page_write(page, "\n%s, %zu (n-%06" PRId64 "%s)\n", part->subject, part->item_count,
                   part->notice, part->acknowledged ? ", acknowledged" : "");
        write_items(page, part->items, part->item_count);
    }
    page_write(page, "\nPress the station's button when you have refilled.\n");
}

static void write_silent(struct page *page, const struct letter *letter, const struct sums *sums)
{
    if (sums->silent == 0)
        return;
    page_write(page, "\n%zu SILENT STATION%s\n", sums->silent, sums->silent == 1 ? "" : "S");
    for (size_t p = 0; p < letter->part_count; p++) {
        const struct letter_part *part = &letter->parts[p];
        if (!is_silent(part))
            continue;
        page_write(page, "%s (n-%06" PRId64 ")\n", part->subject, part->notice);
        write_items(page, part->items, part->item_count);
    }
    page_write(page, "Does it hang, is it dry, is the aerial whole? Press the button: it reports "
                     "within seconds. If not, change the cells.\n");
}

static void write_other(struct page *page, const struct letter *letter)
{
    bool gateway = false;
    for (size_t p = 0; p < letter->part_count; p++) {
        const struct letter_part *part = &letter->parts[p];
        if (!is_other(part))
            continue;
        page_write(page, "\n%s (n-%06" PRId64 ")\n", part->subject, part->notice);
        for (size_t i = 0; i < part->item_count && has_room(page); i++)
            page_write(page, "%s\n", part->items[i].detail);
        page_write(page, "%s", notice_advice(part->kind));
        gateway |= part->kind == FEED_NOTICE_SILENT_GATEWAY;
    }
    if (gateway)
        page_write(page, "While a gateway is away nothing is known of its traps; the stations go "
                         "on counting. Look at its power, network and aerial. Mains wiring is for "
                         "a licensed electrician.\n");
}

static const char *over_words(enum feed_notice_kind kind)
{
    switch (kind) {
    case FEED_NOTICE_VISIT:
        return "visited";
    case FEED_NOTICE_SILENT_STATION:
    case FEED_NOTICE_SILENT_GATEWAY:
        return "heard again";
    case FEED_NOTICE_GATEWAY_TROUBLE:
    case FEED_NOTICE_DATA:
    case FEED_NOTICE_COLLECTOR:
        break;
    case FEED_NOTICE_CATCH:
        return "catch below the action level";
    case FEED_NOTICE_BEES:
        return "few honey bees now";
    }
    return "in order again";
}

static void write_cured(struct page *page, const struct letter_part *part)
{
    bool traps = part->kind == FEED_NOTICE_VISIT || part->kind == FEED_NOTICE_SILENT_STATION;
    page_write(page, "%s: ", part->subject);
    if (traps && part->cured_count > NAMES_IN_LINE)
        page_write(page, "%zu traps ", part->cured_count);
    for (size_t i = 0; i < part->cured_count && traps && part->cured_count <= NAMES_IN_LINE; i++)
        page_write(page, "%s%s ", part->cured[i].item, i + 1 < part->cured_count ? "," : "");
    page_write(page, "%s\n", over_words(part->kind));
}

static void write_over(struct page *page, const struct letter *letter, const struct sums *sums)
{
    if (sums->over == 0)
        return;
    page_write(page, "\nDONE SINCE THE LAST LETTER\n");
    for (size_t p = 0; p < letter->part_count; p++)
        if (letter->parts[p].cured_count > 0 && has_room(page))
            write_cured(page, &letter->parts[p]);
}

static void write_news(struct page *page, const struct letter *letter)
{
    if (letter->news_count > 0)
        page_write(page, "\nCATCH OF THE LAST SEVEN DAYS\n");
    for (size_t i = 0; i < letter->news_count && has_room(page); i++)
        page_write(page, "%s\n", letter->news[i]);
}

static void write_care(struct page *page, const struct sums *sums)
{
    if (sums->visits + sums->silent + sums->other == 0)
        return;
    page_write(page,
               "\nTAKE CARE\n"
               "Stings can be dangerous, above all with an allergy: send nobody who has one. "
               "Gloves, the cool hours, in pairs where you can. Soapy water in before you open a "
               "trap; dead wasps still sting. Ladders on firm ground. Keep out of blocks closed "
               "after spraying or for harvest. A product's label and local rules decide.\n");
}

void letter_text(const struct letter *letter, char title[NOTICE_TITLE_MAX],
                 char text[LETTER_TEXT_MAX])
{
    struct page page = {.text = text, .capacity = LETTER_TEXT_MAX};
    struct sums sums = sum_up(letter);
    text[0] = '\0';
    write_title(letter, &sums, title);
    page_write(&page, "%s\n", letter->day);
    write_other(&page, letter);
    write_visits(&page, letter, &sums);
    write_mix(&page, letter);
    write_silent(&page, letter, &sums);
    write_over(&page, letter, &sums);
    write_news(&page, letter);
    write_care(&page, &sums);
    page_write(&page, "\n%s. A reminder stops with edgerow acknowledge and the n- number.\n",
               letter->site);
}
