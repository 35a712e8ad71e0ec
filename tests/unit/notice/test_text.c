/* What people read: the essence in the subject, the cautions, nothing lost and nothing torn when there is too much. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/notice/text.h"
#include "tests/suite.h"

static struct notice_watch items[300];
static char title[NOTICE_TITLE_MAX], text[NOTICE_TEXT_MAX];

static struct notice_story story(enum feed_notice_kind kind, enum notice_phase phase, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        items[i] = (struct notice_watch){.kind = kind, .bring_l = 0.5};
        snprintf(items[i].item, sizeof(items[i].item), "N-%03zu", i + 1);
        snprintf(items[i].detail, sizeof(items[i].detail),
                 "bait at 43 mm, reaches the low mark of 40 mm about Tue 14:00, Tue 09:00 at the "
                 "earliest. At 46.25000, -119.70000.");
    }
    return (struct notice_story){.kind = kind,
                                 .phase = phase,
                                 .notice = 12,
                                 .site = "Demo vineyard",
                                 .subject = "North block",
                                 .items = items,
                                 .item_count = count};
}

static size_t characters(const char *utf8)
{
    size_t n = 0;
    for (; *utf8 != '\0'; utf8++)
        n += ((unsigned char)*utf8 & 0xC0) != 0x80;
    return n;
}

static void write_story(const struct notice_story *s)
{
    memset(title, 'x', sizeof(title));
    memset(text, 'x', sizeof(text));
    notice_text(s, title, text);
    ck_assert_uint_le(characters(title), NOTICE_TITLE_CHARACTERS);
    ck_assert_uint_lt(strlen(text), NOTICE_TEXT_MAX);
    ck_assert_ptr_eq(strchr(title, '\n'), NULL);
}

START_TEST(the_subject_says_it)
{
    struct notice_story s = story(FEED_NOTICE_VISIT, NOTICE_FIRST, 4);
    write_story(&s);
    ck_assert_str_eq(title, "North block: 4 traps to visit today");
    s.item_count = 1;
    write_story(&s);
    ck_assert_str_eq(title, "North block: 1 trap to visit today");
    items[0].failed = true;
    s.item_count = 4;
    write_story(&s);
    ck_assert_str_eq(title, "North block: 1 of 4 traps to visit not working");
    s = story(FEED_NOTICE_SILENT_STATION, NOTICE_FIRST, 1);
    write_story(&s);
    ck_assert_str_eq(title, "North block: no word from station N-001");
}
END_TEST

START_TEST(a_visit_says_what_to_bring_and_takes_care)
{
    struct notice_story s = story(FEED_NOTICE_VISIT, NOTICE_FIRST, 4);
    s.soon = 3;
    s.soon_l = 1.5;
    write_story(&s);
    static const char *const wanted[] = {"Bring 2.0 litres", "Mix 1.5 litres today",
                                         "1 part to 10",     "quarter teaspoon",
                                         "stings",           "allergy",
                                         "gloves",           "cool hours",
                                         "soapy water",      "ladders",
                                         "spraying",         "label",
                                         "local rules",      "n-000012",
                                         "Demo vineyard"};
    for (size_t i = 0; i < sizeof(wanted) / sizeof(wanted[0]); i++)
        ck_assert_msg(strstr(text, wanted[i]) != NULL, "\"%s\" is missing in:\n%s", wanted[i],
                      text);
}
END_TEST

START_TEST(what_does_not_work_comes_first)
{
    struct notice_story s = story(FEED_NOTICE_VISIT, NOTICE_FIRST, 4);
    items[3].failed = true;
    write_story(&s);
    ck_assert(strstr(text, "N-004") < strstr(text, "N-001"));
}
END_TEST

/* Every trap is named, or counted; the cautions stay whole. */
START_TEST(too_many_are_named_or_counted)
{
    for (size_t count = 1; count <= 300; count += 13) {
        struct notice_story s = story(FEED_NOTICE_VISIT, NOTICE_FIRST, count);
        s.soon = 40;
        s.soon_l = 20;
        for (size_t i = 0; i < count; i += 3)
            items[i].failed = true;
        write_story(&s);
        size_t named = 0, more = 0;
        for (size_t i = 0; i < count; i++) {
            const char *at = strstr(text, items[i].item);
            named += at != NULL;
            ck_assert(at == NULL || strstr(at + 1, items[i].item) == NULL);
        }
        const char *rest = strstr(text, " more (edgerow status");
        for (; rest != NULL && rest[-1] != ' '; rest--)
            ;
        if (rest != NULL)
            more = strtoul(rest, NULL, 10);
        ck_assert_msg(named + more == count, "%zu named, %zu more of %zu in:\n%s", named, more,
                      count, text);
        ck_assert(strstr(text, "local rules decide") != NULL);
        ck_assert(strstr(text, "notice n-000012") != NULL);
    }
}
END_TEST

START_TEST(long_names_are_cut_between_characters)
{
    struct notice_story s = story(FEED_NOTICE_VISIT, NOTICE_FIRST, 12);
    for (size_t cut = 0; cut < 40; cut++) {
        char subject[100];
        snprintf(subject, sizeof(subject), "%.*sÄÖÜÄÖÜÄÖÜÄÖÜÄÖÜÄÖÜÄÖÜ", (int)cut,
                 "abcdefghijklmnopqrstuvwxyzabcdefghijklmnopqrst");
        s.subject = subject;
        write_story(&s);
        ck_assert(strstr(title, ": 12 traps to visit today") != NULL);
        for (size_t i = 0; title[i] != '\0'; i++)
            if ((unsigned char)title[i] >= 0xC0)
                ck_assert_int_eq((unsigned char)title[i + 1] & 0xC0, 0x80);
    }
}
END_TEST

START_TEST(every_kind_and_phase_has_words)
{
    for (int kind = FEED_NOTICE_VISIT; kind <= FEED_NOTICE_BEES; kind++)
        for (int phase = NOTICE_FIRST; phase <= NOTICE_CLOSING; phase++)
            for (size_t count = 0; count < 3; count++) {
                if (count == 0 && phase != NOTICE_CLOSING)
                    continue;
                struct notice_story s =
                    story((enum feed_notice_kind)kind, (enum notice_phase)phase, count);
                write_story(&s);
                ck_assert_uint_gt(strlen(title), strlen("North block: "));
                ck_assert_uint_gt(strlen(text), 30);
            }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("notice_text");
    TCase *tests = tcase_create("all");
    tcase_add_test(tests, the_subject_says_it);
    tcase_add_test(tests, a_visit_says_what_to_bring_and_takes_care);
    tcase_add_test(tests, what_does_not_work_comes_first);
    tcase_add_test(tests, too_many_are_named_or_counted);
    tcase_add_test(tests, long_names_are_cut_between_characters);
    tcase_add_test(tests, every_kind_and_phase_has_words);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
