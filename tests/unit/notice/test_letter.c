/* The morning letter on a telephone: what to do first, every trap named or counted, the cautions whole. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/notice/letter.h"
#include "tests/suite.h"

static struct notice_watch items[1200];
static char title[NOTICE_TITLE_MAX], text[LETTER_TEXT_MAX];

static void fill_items(size_t count)
{
    for (size_t i = 0; i < count; i++) {
        items[i] = (struct notice_watch){.bring_l = 0.5};
        snprintf(items[i].item, sizeof(items[i].item), "N-%04zu", i + 1);
        snprintf(items[i].brief, sizeof(items[i].brief), "top up by Tue 14:%02zu, now 43 mm",
                 i % 60);
    }
}

static struct letter_part visits(const char *subject, size_t from, size_t count)
{
    return (struct letter_part){.kind = FEED_NOTICE_VISIT,
                                .phase = NOTICE_FIRST,
                                .notice = 12,
                                .subject = subject,
                                .items = items + from,
                                .item_count = count};
}

static void write_letter(const struct letter_part *parts, size_t count)
{
    struct letter letter = {.site = "Demo vineyard",
                            .day = "Friday, 7 August",
                            .parts = parts,
                            .part_count = count,
                            .soon = 9,
                            .soon_l = 4.5,
                            .soon_where = "North block 9"};
    memset(title, 'x', sizeof(title));
    memset(text, 'x', sizeof(text));
    letter_text(&letter, title, text);
    ck_assert_uint_le(strlen(title), NOTICE_TITLE_CHARACTERS);
    ck_assert_uint_lt(strlen(text), LETTER_TEXT_MAX);
}

static void expect(const char *wanted)
{
    ck_assert_msg(strstr(text, wanted) != NULL, "\"%s\" is missing in:\n%s", wanted, text);
}

START_TEST(one_letter_for_all_blocks)
{
    fill_items(7);
    struct letter_part parts[] = {visits("North block", 0, 4), visits("South block", 4, 3)};
    items[5].failed = true;
    write_letter(parts, 2);
    ck_assert_str_eq(title, "Demo vineyard: 7 traps to visit, 1 not working");
    static const char *const wanted[] = {"7 TRAPS TO VISIT",
                                         "Take 3.5 litres",
                                         "North block, 4 (n-000012)",
                                         "South block, 3",
                                         "! N-0006",
                                         "MIX TODAY 4.5 litres",
                                         "0.41 l fruit",
                                         "4.1 l water",
                                         "(1.7 cups, 1.1 gallons)",
                                         "2.25 teaspoons",
                                         "North block 9",
                                         "button",
                                         "allergy",
                                         "Gloves",
                                         "cool hours",
                                         "Soapy water",
                                         "Ladders",
                                         "spraying",
                                         "label",
                                         "local rules",
                                         "acknowledge"};
    for (size_t i = 0; i < sizeof(wanted) / sizeof(wanted[0]); i++)
        expect(wanted[i]);
    ck_assert(strstr(text, "N-0004") < strstr(text, "South block, 3"));
}
END_TEST

START_TEST(neighbours_with_the_same_need_share_a_line)
{
    fill_items(12);
    for (size_t i = 0; i < 12; i++)
        snprintf(items[i].brief, sizeof(items[i].brief), "%s",
                 i == 3 ? "empty and refill, 81 insects" : "replace bait, 7 days old");
    struct letter_part part = visits("North block", 0, 12);
    write_letter(&part, 1);
    expect("\nN-0001, N-0002, N-0003: replace bait, 7 days old\nN-0004: empty and refill, 81");
    expect("N-0012: replace bait, 7 days old\n");
}
END_TEST

START_TEST(every_trap_is_named_or_counted)
{
    for (size_t count = 1; count <= 1200; count += 109) {
        fill_items(count);
        struct letter_part part = visits("North block", 0, count);
        write_letter(&part, 1);
        size_t named = 0, more = 0;
        for (size_t i = 0; i < count; i++)
            named += strstr(text, items[i].item) != NULL;
        const char *rest = strstr(text, " more: edgerow round");
        for (; rest != NULL && rest[-1] != ' '; rest--)
            ;
        if (rest != NULL)
            more = strtoul(rest, NULL, 10);
        ck_assert_msg(named + more == count, "%zu named, %zu more of %zu", named, more, count);
        ck_assert(count > 300 || more == 0);
        expect("local rules decide");
        expect("acknowledge");
    }
}
END_TEST

START_TEST(what_is_over_is_told_once_and_short)
{
    fill_items(30);
    struct letter_part parts[] = {{.kind = FEED_NOTICE_VISIT,
                                   .phase = NOTICE_CLOSING,
                                   .subject = "North block",
                                   .cured = items,
                                   .cured_count = 2},
                                  {.kind = FEED_NOTICE_VISIT,
                                   .phase = NOTICE_CLOSING,
                                   .subject = "South block",
                                   .cured = items + 2,
                                   .cured_count = 28},
                                  {.kind = FEED_NOTICE_SILENT_GATEWAY,
                                   .phase = NOTICE_CLOSING,
                                   .subject = "Gateway barn",
                                   .cured = items,
                                   .cured_count = 1}};
    write_letter(parts, 3);
    ck_assert_str_eq(title, "Demo vineyard: no trap to visit, all well again");
    expect("North block: N-0001, N-0002 visited\n");
    expect("South block: 28 traps visited\n");
    expect("Gateway barn: heard again\n");
    ck_assert_ptr_eq(strstr(text, "TRAPS TO VISIT"), NULL);
    ck_assert_ptr_eq(strstr(text, "TAKE CARE"), NULL);
}
END_TEST

/* What is wrong with gateways comes before the traps: without them nothing is known of these. */
START_TEST(gateways_first_and_silence_after)
{
    fill_items(4);
    snprintf(items[0].detail, sizeof(items[0].detail), "nothing heard from it since Fri 02:10.");
    snprintf(items[1].brief, sizeof(items[1].brief), "last heard Thu 16:36");
    struct letter_part parts[] = {visits("North block", 2, 2),
                                  {.kind = FEED_NOTICE_SILENT_STATION,
                                   .phase = NOTICE_REPEAT,
                                   .notice = 4,
                                   .subject = "North block",
                                   .items = items + 1,
                                   .item_count = 1},
                                  {.kind = FEED_NOTICE_SILENT_GATEWAY,
                                   .phase = NOTICE_FIRST,
                                   .notice = 5,
                                   .subject = "Gateway barn",
                                   .items = items,
                                   .item_count = 1}};
    write_letter(parts, 3);
    expect("Gateway barn (n-000005)\nnothing heard from it since Fri 02:10.");
    expect("N-0002: last heard Thu 16:36");
    expect("licensed electrician");
    ck_assert(strstr(text, "Gateway barn") < strstr(text, "TRAPS TO VISIT"));
    ck_assert(strstr(text, "TRAPS TO VISIT") < strstr(text, "SILENT STATION"));
    write_letter(parts + 2, 1);
    ck_assert_str_eq(title, "Demo vineyard: Gateway barn not heard");
    write_letter(parts + 1, 1);
    ck_assert_str_eq(title, "Demo vineyard: 1 silent station");
}
END_TEST

/* A week's catch is reason enough to write, also when no trap waits; and what fits nowhere else leads nothing wrong. */
START_TEST(news_alone_make_a_letter)
{
    static const char *const news[] = {"North block: 41 passes.", "South block: none."};
    const struct letter letter = {
        .site = "Demo vineyard", .day = "Friday, 7 August", .news = news, .news_count = 2};
    letter_text(&letter, title, text);
    ck_assert_str_eq(title, "Demo vineyard: no trap to visit; the week's catch");
    expect("CATCH OF THE LAST SEVEN DAYS\nNorth block: 41 passes.\nSouth block: none.\n");
    ck_assert_ptr_null(strstr(text, "TAKE CARE")); /* it sends nobody anywhere */
    fill_items(1);
    struct letter_part part = {.kind = FEED_NOTICE_DATA,
                               .phase = NOTICE_FIRST,
                               .notice = 3,
                               .subject = "Data",
                               .items = items,
                               .item_count = 1};
    write_letter(&part, 1);
    ck_assert_str_eq(title, "Demo vineyard: something to look at");
}
END_TEST

/* Each kind says in its own words that it is over; none of these is about traps, so none is named. */
START_TEST(every_kind_is_over_in_its_own_words)
{
    static const struct {
        enum feed_notice_kind kind;
        const char *words;
    } kinds[] = {{FEED_NOTICE_CATCH, "X: catch below the action level\n"},
                 {FEED_NOTICE_BEES, "X: few honey bees now\n"},
                 {FEED_NOTICE_GATEWAY_TROUBLE, "X: in order again\n"},
                 {FEED_NOTICE_DATA, "X: in order again\n"},
                 {FEED_NOTICE_COLLECTOR, "X: in order again\n"}};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        struct letter_part part = {.kind = kinds[i].kind,
                                   .phase = NOTICE_CLOSING,
                                   .subject = "X",
                                   .cured = items,
                                   .cured_count = 1};
        write_letter(&part, 1);
        expect(kinds[i].words);
    }
}
END_TEST

/* A catch that needs looking at leads the letter when no trap waits, and an acknowledged visit says so. */
START_TEST(a_catch_leads_and_an_acknowledged_visit_says_so)
{
    fill_items(3);
    struct letter_part parts[] = {visits("North block", 0, 2),
                                  {.kind = FEED_NOTICE_CATCH,
                                   .phase = NOTICE_FIRST,
                                   .notice = 7,
                                   .subject = "South block",
                                   .items = items + 2,
                                   .item_count = 1}};
    parts[0].acknowledged = true;
    write_letter(parts, 2);
    expect("North block, 2 (n-000012, acknowledged)");
    write_letter(parts + 1, 1);
    ck_assert_str_eq(title, "Demo vineyard: look at the fruit today");
    parts[0].phase = NOTICE_CLOSING; /* what is over does not lead */
    parts[0].cured = items;
    parts[0].cured_count = 2;
    write_letter(parts, 2);
    ck_assert_str_eq(title, "Demo vineyard: look at the fruit today");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("notice_letter");
    TCase *tests = tcase_create("all");
    tcase_add_test(tests, one_letter_for_all_blocks);
    tcase_add_test(tests, neighbours_with_the_same_need_share_a_line);
    tcase_add_test(tests, every_trap_is_named_or_counted);
    tcase_add_test(tests, what_is_over_is_told_once_and_short);
    tcase_add_test(tests, gateways_first_and_silence_after);
    tcase_add_test(tests, news_alone_make_a_letter);
    tcase_add_test(tests, every_kind_is_over_in_its_own_words);
    tcase_add_test(tests, a_catch_leads_and_an_acknowledged_visit_says_so);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
