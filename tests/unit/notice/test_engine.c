/* The life of notices: plain cases, and seeded random lives held against a ledger of what people were told. */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/notice/engine.h"
#include "tests/suite.h"

enum { MINUTE = 60, HOUR = 3600, DAY = 86400, STEP = 15 * MINUTE };

static struct notice_engine engine;
static int64_t now_s;

/* Caught by the linker: the nth from now fails. */
static unsigned memory_left;
static bool memory_struck;
void *__real_realloc(void *old, size_t size);
void *__wrap_realloc(void *old, size_t size);

void *__wrap_realloc(void *old, size_t size)
{
    if (memory_left > 0 && --memory_left == 0) {
        memory_struck = true;
        return NULL;
    }
    return __real_realloc(old, size);
}
static int64_t repeat_s;

static void setup(void)
{
    notice_engine_init(&engine);
    now_s = 100 * DAY;
    repeat_s = DAY;
}

static void teardown(void)
{
    notice_engine_free(&engine);
}

static struct notice_condition condition(enum feed_notice_kind kind, const char *subject,
                                         const char *item, enum notice_pace pace)
{
    struct notice_condition c = {.kind = kind, .presence = NOTICE_PRESENT, .pace = pace};
    snprintf(c.subject, sizeof(c.subject), "%s", subject);
    snprintf(c.item, sizeof(c.item), "%s", item);
    snprintf(c.detail, sizeof(c.detail), "detail of %s", item);
    return c;
}

/* Local time is UTC; quiet from 21 to 6; the morning message at 6. */
static struct notice_time time_at(int64_t at_s)
{
    int64_t second = at_s % DAY, before = (at_s - STEP) % DAY;
    return (struct notice_time){.now_s = at_s,
                                .quiet = second >= 21 * HOUR || second < 6 * HOUR,
                                .letter = second >= 6 * HOUR && before < 6 * HOUR,
                                .repeat_s = repeat_s};
}

/* One step; returns the number of messages owed. What was owed stays readable until the next. */
static size_t step(const struct notice_condition *conditions, size_t count)
{
    struct notice_time time = time_at(now_s);
    notice_engine_settle(&engine);
    ck_assert_int_eq(notice_engine_step(&engine, conditions, count, &time), 0);
    now_s += STEP;
    return engine.owed_count;
}

/* Steps until a message is owed, at most so long. */
static size_t until_owed(const struct notice_condition *conditions, size_t count, int64_t most_s)
{
    for (int64_t end_s = now_s + most_s; now_s < end_s;)
        if (step(conditions, count) > 0)
            return engine.owed_count;
    return 0;
}

static int64_t hour_of_day(void)
{
    return (now_s - STEP) % DAY / HOUR;
}

START_TEST(visits_wait_for_the_morning)
{
    struct notice_condition c[] = {condition(FEED_NOTICE_VISIT, "north", "N-1", NOTICE_LETTER),
                                   condition(FEED_NOTICE_VISIT, "north", "N-2", NOTICE_LETTER),
                                   condition(FEED_NOTICE_VISIT, "south", "S-1", NOTICE_LETTER)};
    now_s += 10 * HOUR;
    ck_assert_uint_eq(until_owed(c, 3, 2 * DAY), 2); /* one for each block */
    ck_assert_int_eq(hour_of_day(), 6);
    ck_assert_uint_eq(engine.owed[0].item_count, 2);
    ck_assert_uint_eq(engine.owed[1].item_count, 1);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_FIRST);
}
END_TEST

START_TEST(prompt_ones_come_by_day_and_not_at_night)
{
    struct notice_condition c =
        condition(FEED_NOTICE_SILENT_STATION, "north", "N-1", NOTICE_PROMPT);
    now_s += 10 * HOUR;
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    ck_assert_int_eq(hour_of_day(), 10);
    teardown();
    setup();
    now_s += 22 * HOUR;
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    ck_assert_int_eq(hour_of_day(), 6);
}
END_TEST

START_TEST(urgent_ones_come_at_night)
{
    struct notice_condition c = condition(FEED_NOTICE_COLLECTOR, "site", "disk", NOTICE_URGENT);
    now_s += 23 * HOUR;
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    ck_assert_int_eq(hour_of_day(), 23);
    ck_assert(engine.notices[engine.owed[0].notice].urgent);
}
END_TEST

START_TEST(cured_while_held_nothing_is_owed)
{
    struct notice_condition c =
        condition(FEED_NOTICE_SILENT_STATION, "north", "N-1", NOTICE_PROMPT);
    now_s += 22 * HOUR;
    for (int i = 0; i < 8; i++)
        ck_assert_uint_eq(step(&c, 1), 0);
    ck_assert_uint_eq(engine.notice_count, 1);
    ck_assert_uint_eq(until_owed(NULL, 0, 2 * DAY), 0);
    ck_assert_uint_eq(engine.notice_count, 0);
}
END_TEST

START_TEST(shorter_than_its_hold_time_is_nothing)
{
    struct notice_condition c =
        condition(FEED_NOTICE_SILENT_STATION, "north", "N-1", NOTICE_PROMPT);
    now_s += 10 * HOUR;
    step(&c, 1);
    step(&c, 1);
    step(NULL, 0);
    ck_assert_uint_eq(engine.notice_count, 0);
    ck_assert_uint_eq(until_owed(NULL, 0, DAY), 0);
}
END_TEST

START_TEST(once_sent_the_closing_is_owed)
{
    struct notice_condition c =
        condition(FEED_NOTICE_SILENT_STATION, "north", "N-1", NOTICE_PROMPT);
    now_s += 10 * HOUR;
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    int64_t id = engine.notices[0].id;
    ck_assert(!engine.owed[0].folded);
    ck_assert_uint_eq(until_owed(NULL, 0, DAY), 1);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_CLOSING);
    ck_assert_uint_eq(engine.owed[0].item_count, 1);
    ck_assert_str_eq(engine.items[0].item, "N-1");
    ck_assert(engine.owed[0].folded);
    ck_assert_int_eq(hour_of_day(), 6);
    ck_assert_int_eq(engine.notices[0].id, id);
    ck_assert_uint_eq(engine.notices[0].revision, 2);
    ck_assert(!engine.notices[0].open);
}
END_TEST

/* Who was called out for a gateway hears on the same day that it is back. */
START_TEST(a_call_is_called_off_at_once)
{
    struct notice_condition c =
        condition(FEED_NOTICE_SILENT_GATEWAY, "barn", "gateway", NOTICE_PROMPT);
    now_s += 10 * HOUR;
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    ck_assert_uint_eq(until_owed(NULL, 0, DAY), 1);
    ck_assert_int_eq(hour_of_day(), 10);
    ck_assert(!engine.owed[0].folded);
}
END_TEST

/* Cured, but its closing waits for the letter: the feed is told at once, and a restart keeps it so; should it come
 * back before, it is the same notice. */
START_TEST(cured_it_waits_for_the_letter)
{
    struct notice_condition c = condition(FEED_NOTICE_VISIT, "north", "N-1", NOTICE_LETTER);
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    bool cleared = false;
    for (int i = 0; i < 8; i++) {
        ck_assert_uint_eq(step(NULL, 0), 0);
        cleared |= engine.notices[0].cleared;
    }
    ck_assert(cleared);
    ck_assert(engine.notices[0].open && engine.notices[0].cured);
    ck_assert(!engine.notices[0].cleared);
    int64_t id = engine.notices[0].id;
    for (int i = 0; i < 8; i++)
        ck_assert_uint_eq(step(&c, 1), 0);
    ck_assert(!engine.notices[0].cured);
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    ck_assert_int_eq(engine.notices[engine.owed[0].notice].id, id);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_MORE);
}
END_TEST

/* The letter lists what is left to do, and after it what was done. */
START_TEST(the_letter_tells_what_was_done)
{
    struct notice_condition c[] = {condition(FEED_NOTICE_VISIT, "north", "N-1", NOTICE_LETTER),
                                   condition(FEED_NOTICE_VISIT, "north", "N-2", NOTICE_LETTER)};
    ck_assert_uint_eq(until_owed(c, 2, DAY), 1);
    ck_assert(engine.owed[0].folded);
    ck_assert_uint_eq(engine.owed[0].cured_count, 0);
    ck_assert_uint_eq(until_owed(c, 1, DAY + HOUR), 1);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_REPEAT);
    ck_assert_uint_eq(engine.owed[0].item_count, 1);
    ck_assert_uint_eq(engine.owed[0].cured_count, 1);
    ck_assert_str_eq(engine.items[engine.owed[0].first_item].item, "N-1");
    ck_assert_str_eq(engine.items[engine.owed[0].first_item + 1].item, "N-2");
    ck_assert_uint_eq(until_owed(c, 1, DAY + HOUR), 1);
    ck_assert_uint_eq(engine.owed[0].cured_count, 0);
}
END_TEST

START_TEST(it_is_repeated_until_acknowledged)
{
    struct notice_condition c =
        condition(FEED_NOTICE_SILENT_STATION, "north", "N-1", NOTICE_PROMPT);
    now_s += 10 * HOUR;
    until_owed(&c, 1, DAY);
    int64_t first_s = now_s;
    ck_assert_uint_eq(until_owed(&c, 1, 2 * DAY), 1);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_REPEAT);
    /* In the next morning's letter, and nobody is woken for it. */
    ck_assert_int_eq(hour_of_day(), 6);
    ck_assert(engine.owed[0].folded);
    ck_assert_int_lt(now_s - first_s, DAY);
    engine.notices[0].acknowledged_s = now_s;
    ck_assert_uint_eq(until_owed(&c, 1, 5 * DAY), 0);
    /* More of the same is news, and repeats begin anew. */
    struct notice_condition two[] = {
        c, condition(FEED_NOTICE_SILENT_STATION, "north", "N-2", NOTICE_PROMPT)};
    ck_assert_uint_eq(until_owed(two, 2, DAY), 1);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_MORE);
    ck_assert_int_eq(engine.notices[0].acknowledged_s, 0);
}
END_TEST

START_TEST(what_cannot_be_judged_stays_as_it_is)
{
    struct notice_condition c =
        condition(FEED_NOTICE_SILENT_STATION, "north", "N-1", NOTICE_PROMPT);
    struct notice_condition unknown = c;
    unknown.presence = NOTICE_UNKNOWN;
    now_s += 10 * HOUR;
    ck_assert_uint_eq(until_owed(&unknown, 1, DAY), 0);
    ck_assert_uint_eq(engine.watch_count, 0);
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    repeat_s = 0;
    ck_assert_uint_eq(until_owed(&unknown, 1, 3 * DAY), 0);
    ck_assert_uint_eq(until_owed(NULL, 0, DAY), 1);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_CLOSING);
}
END_TEST

START_TEST(a_flicker_closes_nothing)
{
    struct notice_condition c =
        condition(FEED_NOTICE_SILENT_STATION, "north", "N-1", NOTICE_PROMPT);
    now_s += 10 * HOUR;
    repeat_s = 0;
    until_owed(&c, 1, DAY);
    for (int i = 0; i < 200; i++)
        ck_assert_uint_eq(step(&c, i % 3 == 0 ? 0 : 1), 0);
    ck_assert_uint_eq(engine.notice_count, 1);
}
END_TEST

/* What got worse after it was told does not call twice on the same day. */
START_TEST(worse_waits_for_the_morning)
{
    struct notice_condition c = condition(FEED_NOTICE_VISIT, "north", "N-1", NOTICE_LETTER);
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    c.pace = NOTICE_PROMPT;
    ck_assert_uint_eq(until_owed(&c, 1, DAY + HOUR), 1);
    ck_assert_int_eq(hour_of_day(), 6);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_MORE);
}
END_TEST

/* Told, worse, cured, worse again: it may call again by day, as what is new may. */
START_TEST(worse_that_went_away_is_worse_when_it_comes_back)
{
    struct notice_condition c = condition(FEED_NOTICE_VISIT, "north", "N-1", NOTICE_LETTER);
    ck_assert_uint_eq(until_owed(&c, 1, DAY), 1);
    c.pace = NOTICE_PROMPT;
    ck_assert_uint_eq(step(&c, 1), 0);
    ck_assert_int_eq(engine.watches[0].state, NOTICE_WORSE);
    ck_assert_uint_eq(step(NULL, 0), 0);
    ck_assert_int_eq(engine.watches[0].state, NOTICE_FALLING);
    ck_assert_uint_eq(step(&c, 1), 0);
    ck_assert_uint_eq(until_owed(&c, 1, DAY + HOUR), 1); /* once, and in the morning */
    ck_assert_int_eq(hour_of_day(), 6);
}
END_TEST

/* Said to be absent is as good as not said; not known keeps what was known. */
START_TEST(absent_and_unknown)
{
    struct notice_condition c = condition(FEED_NOTICE_COLLECTOR, "site", "disk", NOTICE_URGENT);
    ck_assert_uint_eq(until_owed(&c, 1, HOUR), 1);
    c.presence = NOTICE_UNKNOWN;
    ck_assert_uint_eq(until_owed(&c, 1, 6 * HOUR), 0);
    ck_assert_uint_eq(engine.notice_count, 1);
    c.presence = NOTICE_ABSENT;
    ck_assert_uint_eq(until_owed(&c, 1, HOUR), 1);
    ck_assert_int_eq(engine.owed[0].phase, NOTICE_CLOSING);
    struct notice_condition other = condition(FEED_NOTICE_DATA, "site", "rows", NOTICE_PROMPT);
    other.presence = NOTICE_UNKNOWN; /* never known: nothing begins */
    ck_assert_uint_eq(until_owed(&other, 1, DAY), 0);
}
END_TEST

/* What a notice holds now, for who asks between two messages. */
START_TEST(a_notice_lists_what_it_holds)
{
    struct notice_condition c[] = {condition(FEED_NOTICE_VISIT, "north", "N-1", NOTICE_LETTER),
                                   condition(FEED_NOTICE_VISIT, "north", "N-2", NOTICE_LETTER),
                                   condition(FEED_NOTICE_VISIT, "south", "S-1", NOTICE_LETTER)};
    struct notice_owed listed = {.phase = NOTICE_REPEAT};
    ck_assert_uint_eq(until_owed(c, 3, DAY), 2);
    int64_t north = engine.notices[engine.owed[0].notice].id;
    ck_assert_uint_eq(step(c, 3), 0);
    ck_assert_int_eq(notice_engine_list(&engine, north, &listed), 0);
    ck_assert_uint_eq(listed.item_count, 2);
    ck_assert_str_eq(engine.items[listed.first_item].item, "N-1");
    ck_assert_str_eq(engine.items[listed.first_item + 1].item, "N-2");
    ck_assert_int_eq(notice_engine_list(&engine, 4711, &listed), 0);
    ck_assert_uint_eq(listed.item_count, 0);
}
END_TEST

/* Two days of a site on which much happens; what went wrong, or 0. */
static int busy_days(void)
{
    struct notice_condition c[40];
    struct notice_owed listed;
    int rc = 0;
    for (int i = 0; i < 40; i++) {
        char item[8], subject[8];
        snprintf(item, sizeof item, "N-%02d", i);
        snprintf(subject, sizeof subject, "b%d", i % 20);
        c[i] = condition(FEED_NOTICE_VISIT, subject, item, NOTICE_LETTER);
    }
    now_s = 100 * DAY;
    for (int i = 0; i < 2 * 96 && rc == 0; i++, now_s += STEP) {
        struct notice_time time = time_at(now_s);
        notice_engine_settle(&engine);
        rc = notice_engine_step(&engine, c, i < 120 ? 40 : 20, &time);
        if (rc == 0 && engine.notice_count > 0)
            rc = notice_engine_list(&engine, engine.notices[0].id, &listed);
    }
    return rc;
}

/* No memory at any one place: it is said, so that nobody takes half a step for a whole one, and all is let go. */
START_TEST(no_memory_is_never_passed_over)
{
    unsigned nth = 0;
    do {
        teardown();
        setup();
        memory_left = ++nth;
        memory_struck = false;
        int rc = busy_days();
        memory_left = 0;
        ck_assert_int_eq(rc, memory_struck ? -ENOMEM : 0);
    } while (memory_struck);
    ck_assert_uint_gt(nth, 6);
    ck_assert_uint_lt(nth, 200);
}
END_TEST

enum { SUBJECTS = 3, ITEMS = 4, LIVES = 45, LIFE_STEPS = 96 * 20 };

static uint64_t seed;

static double uniform(void)
{
    seed = seed * 6364136223846793005u + 1442695040888963407u;
    return (double)(seed >> 11) / 9007199254740992.0;
}

/* What is really so, and what people were told, kept apart from the engine. */
struct truth {
    enum feed_notice_kind kind;
    enum notice_pace pace;
    bool present, unknown;
    int64_t since_s;
    bool believed; /* people believe it is so: told, and not closed since */
};

static struct truth truths[SUBJECTS][ITEMS];

static void tell(const struct notice_owed *owed)
{
    const struct notice *notice = &engine.notices[owed->notice];
    int subject = notice->subject[0] - 'a';
    for (size_t i = 0; i < owed->item_count; i++)
        truths[subject][engine.items[owed->first_item + i].item[0] - '0'].believed = true;
    for (int i = 0; i < ITEMS && owed->phase == NOTICE_CLOSING; i++)
        truths[subject][i].believed = false;
}

/* Told at least once: after the hold time, the quiet hours and the pause between messages of one
 * notice; the slow ones after the next morning. */
static void check_told(int life)
{
    static const int64_t patience_s[] = {DAY + HOUR, 12 * HOUR, HOUR};
    for (int s = 0; s < SUBJECTS; s++)
        for (int i = 0; i < ITEMS; i++) {
            const struct truth *t = &truths[s][i];
            int64_t held_s = now_s - STEP - t->since_s;
            ck_assert_msg(t->unknown || !t->present || held_s <= patience_s[t->pace] || t->believed,
                          "life %d: %c%d present for %ld s and not told", life, 'a' + s, i,
                          (long)held_s);
        }
}

/* All of a subject cured for long: nobody believes otherwise. */
static void check_closed(int life)
{
    for (int s = 0; s < SUBJECTS; s++) {
        bool cured = true, believed = false;
        for (int i = 0; i < ITEMS; i++) {
            const struct truth *t = &truths[s][i];
            /* What was done waits for the letter. */
            int64_t patience_s = t->kind == FEED_NOTICE_COLLECTOR ? 12 * HOUR : DAY + 2 * HOUR;
            cured &= !t->present && !t->unknown && now_s - STEP - t->since_s > patience_s;
            believed |= t->believed;
        }
        ck_assert_msg(!cured || !believed, "life %d: the closing of %c was never told", life,
                      'a' + s);
    }
}

/* No message tells of what was cured while it was held. */
static void check_message(const struct notice_owed *owed, int life)
{
    const struct notice *notice = &engine.notices[owed->notice];
    int subject = notice->subject[0] - 'a';
    ck_assert(owed->item_count > 0 || owed->phase == NOTICE_CLOSING);
    for (size_t i = 0; i < owed->item_count && owed->phase != NOTICE_CLOSING; i++) {
        const struct truth *t = &truths[subject][engine.items[owed->first_item + i].item[0] - '0'];
        int64_t away_s = now_s - STEP - t->since_s;
        ck_assert_msg(t->present || t->unknown || away_s < notice_hold_off_s(notice->kind) + STEP,
                      "life %d: told of %c%zu, cured for %ld s", life, 'a' + subject, i,
                      (long)away_s);
    }
}

/* State goes through a copy, as through the store. */
static void restart(void)
{
    struct notice_engine copy;
    notice_engine_settle(&engine);
    notice_engine_init(&copy);
    for (size_t i = 0; i < engine.watch_count; i++)
        ck_assert_int_eq(notice_engine_add_watch(&copy, &engine.watches[i]), 0);
    for (size_t i = 0; i < engine.notice_count; i++)
        ck_assert_int_eq(notice_engine_add_notice(&copy, &engine.notices[i]), 0);
    copy.next_id = engine.next_id;
    notice_engine_free(&engine);
    engine = copy;
}

static void change_truths(double rate)
{
    for (int s = 0; s < SUBJECTS; s++)
        for (int i = 0; i < ITEMS; i++) {
            struct truth *t = &truths[s][i];
            if (uniform() < rate / 10) {
                t->unknown = !t->unknown;
                t->since_s = now_s;
            }
            if (t->unknown || uniform() >= rate)
                continue;
            t->present = !t->present;
            t->since_s = now_s;
        }
}

static size_t conditions_of_truths(struct notice_condition *list)
{
    size_t count = 0;
    for (int s = 0; s < SUBJECTS; s++)
        for (int i = 0; i < ITEMS; i++) {
            const struct truth *t = &truths[s][i];
            char subject[] = {(char)('a' + s), 0}, item[] = {(char)('0' + i), 0};
            if (!t->present && !t->unknown)
                continue;
            list[count] = condition(t->kind, subject, item, t->pace);
            list[count++].presence = t->unknown ? NOTICE_UNKNOWN : NOTICE_PRESENT;
        }
    return count;
}

static void begin_life(int life)
{
    static const enum feed_notice_kind kinds[] = {FEED_NOTICE_VISIT, FEED_NOTICE_SILENT_STATION,
                                                  FEED_NOTICE_COLLECTOR};
    static const enum notice_pace paces[] = {NOTICE_LETTER, NOTICE_PROMPT, NOTICE_URGENT};
    teardown();
    setup();
    seed = (uint64_t)life * 7919 + 1;
    for (int s = 0; s < SUBJECTS; s++)
        for (int i = 0; i < ITEMS; i++)
            truths[s][i] = (struct truth){.kind = kinds[s], .pace = paces[s], .since_s = now_s};
}

START_TEST(random_lives_keep_their_promises)
{
    static const double rates[] = {0.3, 0.03, 0.004};
    size_t messages = 0, closings = 0;
    for (int life = 0; life < LIVES; life++) {
        begin_life(life);
        for (int n = 0; n < LIFE_STEPS; n++) {
            struct notice_condition list[SUBJECTS * ITEMS];
            change_truths(n < LIFE_STEPS - 192 ? rates[life % 3] : 0);
            step(list, conditions_of_truths(list));
            for (size_t k = 0; k < engine.owed_count; k++) {
                check_message(&engine.owed[k], life);
                tell(&engine.owed[k]);
                messages++;
                closings += engine.owed[k].phase == NOTICE_CLOSING;
            }
            check_told(life);
            check_closed(life);
            if (uniform() < 0.05)
                restart();
        }
    }
    printf("%d lives of 20 days: %zu messages, %zu of them closings\n", LIVES, messages, closings);
    ck_assert_uint_gt(closings, 100);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("notice_engine");
    TCase *tests = tcase_create("all");
    tcase_set_timeout(tests, 200);
    tcase_add_checked_fixture(tests, setup, teardown);
    tcase_add_test(tests, visits_wait_for_the_morning);
    tcase_add_test(tests, prompt_ones_come_by_day_and_not_at_night);
    tcase_add_test(tests, urgent_ones_come_at_night);
    tcase_add_test(tests, cured_while_held_nothing_is_owed);
    tcase_add_test(tests, shorter_than_its_hold_time_is_nothing);
    tcase_add_test(tests, once_sent_the_closing_is_owed);
    tcase_add_test(tests, a_call_is_called_off_at_once);
    tcase_add_test(tests, cured_it_waits_for_the_letter);
    tcase_add_test(tests, the_letter_tells_what_was_done);
    tcase_add_test(tests, it_is_repeated_until_acknowledged);
    tcase_add_test(tests, what_cannot_be_judged_stays_as_it_is);
    tcase_add_test(tests, a_flicker_closes_nothing);
    tcase_add_test(tests, worse_waits_for_the_morning);
    tcase_add_test(tests, worse_that_went_away_is_worse_when_it_comes_back);
    tcase_add_test(tests, absent_and_unknown);
    tcase_add_test(tests, a_notice_lists_what_it_holds);
    tcase_add_test(tests, no_memory_is_never_passed_over);
    tcase_add_test(tests, random_lives_keep_their_promises);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
