/* Topics and instants. */
#include <check.h>
#include <string.h>

#include "protocol/feed/error.h"
#include "protocol/feed/stamp.h"
#include "protocol/feed/topic.h"
#include "tests/suite.h"

static const struct {
    struct feed_topic topic;
    const char *text;
} pairs[] = {
    {{FEED_TOPIC_ROW, "home", "gw-1", ""}, "edgerow/home/gateway/gw-1/row"},
    {{FEED_TOPIC_GATEWAY_PRESENCE, "home", "gw-1", ""}, "edgerow/home/gateway/gw-1/presence"},
    {{FEED_TOPIC_GATEWAY_HEALTH, "home", "gw-1", ""}, "edgerow/home/gateway/gw-1/health"},
    {{FEED_TOPIC_STORED, "home", "gw-1", "office"}, "edgerow/home/stored/gw-1/office"},
    {{FEED_TOPIC_COLLECTOR_PRESENCE, "home", "office", ""},
     "edgerow/home/collector/office/presence"},
    {{FEED_TOPIC_COLLECTOR_HEALTH, "home", "office", ""}, "edgerow/home/collector/office/health"},
    {{FEED_TOPIC_TRAP, "home", "N-012", ""}, "edgerow/home/trap/N-012"},
    {{FEED_TOPIC_BLOCK, "home", "north", ""}, "edgerow/home/block/north"},
    {{FEED_TOPIC_NOTICE, "home", "n-000123", ""}, "edgerow/home/notice/n-000123"},
    {{FEED_TOPIC_LEASE, "home", "office", "00a1b2c3"}, "edgerow/home/lease/office/00a1b2c3"},
    {{FEED_TOPIC_HELD, "home", "gw-1", "00a1b2c3"}, "edgerow/home/held/gw-1/00a1b2c3"},
    {{FEED_TOPIC_ORDER, "home", "office", "00a1b2c3"}, "edgerow/home/order/office/00a1b2c3"},
};
enum { PAIRS = sizeof pairs / sizeof pairs[0] };

START_TEST(topics_both_ways)
{
    char text[FEED_TOPIC_MAX];
    struct feed_topic found;
    ck_assert_int_eq(feed_topic_format(&pairs[_i].topic, text), FEED_OK);
    ck_assert_str_eq(text, pairs[_i].text);
    ck_assert_int_eq(feed_topic_parse(text, &found), FEED_OK);
    ck_assert_int_eq(found.kind, pairs[_i].topic.kind);
    ck_assert_str_eq(found.site, pairs[_i].topic.site);
    ck_assert_str_eq(found.name, pairs[_i].topic.name);
    ck_assert_str_eq(found.other, pairs[_i].topic.other);
}
END_TEST

START_TEST(longest_topic_fits)
{
    char name[FEED_NAME_MAX + 1], text[FEED_TOPIC_MAX];
    memset(name, 'x', FEED_NAME_MAX);
    name[FEED_NAME_MAX] = '\0';
    struct feed_topic topic = {.kind = FEED_TOPIC_COLLECTOR_PRESENCE}, found;
    memcpy(topic.site, name, sizeof name);
    memcpy(topic.name, name, sizeof name);
    ck_assert_int_eq(feed_topic_format(&topic, text), FEED_OK);
    ck_assert_int_eq(feed_topic_parse(text, &found), FEED_OK);
    ck_assert_str_eq(found.name, name);
}
END_TEST

START_TEST(wildcards_only_to_subscribe)
{
    char text[FEED_TOPIC_MAX];
    struct feed_topic every = {FEED_TOPIC_STORED, "home", "gw-1", "+"}, found;
    ck_assert_int_eq(feed_topic_format(&every, text), FEED_OK);
    ck_assert_str_eq(text, "edgerow/home/stored/gw-1/+");
    ck_assert_int_eq(feed_topic_parse(text, &found), FEED_NAME);
    memcpy(every.name, "#", 2);
    ck_assert_int_eq(feed_topic_format(&every, text), FEED_NAME);
    memcpy(every.name, "a/b", 4);
    ck_assert_int_eq(feed_topic_format(&every, text), FEED_NAME);
    every.name[0] = '\0';
    ck_assert_int_eq(feed_topic_format(&every, text), FEED_NAME);
}
END_TEST

START_TEST(foreign_topics_are_refused)
{
    static const char *const foreign[] = {
        "",
        "/",
        "edgerow",
        "edgerow/home",
        "edgerow/home/gateway/gw-1",
        "edgerow/home/gateway/gw-1/row/",
        "edgerow/home/gateway/gw-1/row/more",
        "edgerow/home/gateway//row",
        "edgerow//gateway/gw-1/row",
        "/home/gateway/gw-1/row",
        "edgerow/home/trap",
        "edgerow/home/trap/",
        "edgerow/home/trap/a b",
        "edgerow/home/stored/gw-1",
        "edgerow/home/stored/gw-1/",
        "other/home/trap/a",
        "edgerow/home/trap/0123456789012345678901234567890123",
        "Edgerow/home/trap/a",
    };
    struct feed_topic found = {.kind = FEED_TOPIC_NOTICE};
    for (size_t i = 0; i < sizeof foreign / sizeof foreign[0]; i++)
        ck_assert_msg(feed_topic_parse(foreign[i], &found) == FEED_NAME, "%s", foreign[i]);
    ck_assert_int_eq(found.kind, FEED_TOPIC_NOTICE);
    char endless[1000];
    memset(endless, 'x', sizeof endless);
    memcpy(endless, "edgerow/home/trap/", 18);
    endless[sizeof endless - 1] = '\0';
    ck_assert_int_eq(feed_topic_parse(endless, &found), FEED_NAME);
}
END_TEST

/* Seconds since 1970 of these instants: 0 by definition; 1000000000 and 2^31 - 1 as published for
 * time_t (IEEE Std 1003.1 section 4.16 gives the formula); leap day of 2000 by that formula. */
static const struct {
    int64_t ms;
    const char *text;
} instants[] = {
    {0, "1970-01-01T00:00:00.000Z"},
    {1, "1970-01-01T00:00:00.001Z"},
    {INT64_C(1000000000000), "2001-09-09T01:46:40.000Z"},
    {INT64_C(2147483647999), "2038-01-19T03:14:07.999Z"},
    {INT64_C(951782400000), "2000-02-29T00:00:00.000Z"},
    {INT64_C(253402300799999), "9999-12-31T23:59:59.999Z"},
};

START_TEST(instants_both_ways)
{
    char text[FEED_STAMP_SIZE];
    int64_t ms = -5;
    ck_assert_int_eq(feed_stamp_format(instants[_i].ms, text), FEED_OK);
    ck_assert_str_eq(text, instants[_i].text);
    ck_assert_int_eq(feed_stamp_parse(text, &ms), FEED_OK);
    ck_assert_int_eq(ms, instants[_i].ms);
}
END_TEST

START_TEST(no_instants)
{
    static const char *const wrong[] = {
        "",
        "2026-08-01",
        "2026-08-01T06:15:02Z",
        "2026-08-01T06:15:02.12Z",
        "2026-08-01T06:15:02.1234Z",
        "2026-08-01T06:15:02.123",
        "2026-08-01T06:15:02.123z",
        "2026-08-01T06:15:02.123+00:00",
        "2026-08-01 06:15:02.123Z",
        "2026-13-01T06:15:02.123Z",
        "2026-00-01T06:15:02.123Z",
        "2026-02-30T06:15:02.123Z",
        "2026-08-01T24:00:00.000Z",
        "2026-08-01T06:60:02.123Z",
        "2016-12-31T23:59:60.000Z",
        "1969-12-31T23:59:59.999Z",
        "2025-02-29T00:00:00.000Z",
        "+026-08-01T06:15:02.123Z",
        "2026-08-01T06:15:02.123Zx",
    };
    int64_t ms = -5;
    char text[FEED_STAMP_SIZE] = "same";
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        ck_assert_msg(feed_stamp_parse(wrong[i], &ms) < 0, "%s", wrong[i]);
    ck_assert_int_eq(ms, -5);
    ck_assert_int_lt(feed_stamp_format(-1, text), 0);
    ck_assert_int_lt(feed_stamp_format(INT64_C(253402300800000), text), 0);
    ck_assert_str_eq(text, "same");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("feed topic");
    TCase *topics = tcase_create("topics"), *stamps = tcase_create("instants");
    tcase_add_loop_test(topics, topics_both_ways, 0, PAIRS);
    tcase_add_test(topics, longest_topic_fits);
    tcase_add_test(topics, wildcards_only_to_subscribe);
    tcase_add_test(topics, foreign_topics_are_refused);
    tcase_add_loop_test(stamps, instants_both_ways, 0, (int)(sizeof instants / sizeof instants[0]));
    tcase_add_test(stamps, no_instants);
    suite_add_tcase(suite, topics);
    suite_add_tcase(suite, stamps);
    return suite_run(suite);
}
