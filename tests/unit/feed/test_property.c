/* What is written can be read, and what was read is written again in the same bytes. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/suite.h"
#include "tests/unit/feed/message.h"

enum { ROUNDS = 10000 };
#define SEED UINT64_C(0x45646765726F7731)

static char first[FEED_MESSAGE_MAX + 1], second[FEED_MESSAGE_MAX + 1];
static union message_value value, found;

static void round_trip(const struct message *m, struct random *r, unsigned round)
{
    size_t first_len = 0, second_len = 0;
    struct feed_fault fault = {0};
    memset(&value, 0, sizeof value);
    memset(&found, 0, sizeof found);
    m->random(r, &value);
    ck_assert_msg(m->encode(&value, first, sizeof first, &first_len) == FEED_OK,
                  "%s, round %u: not written", m->name, round);
    ck_assert_uint_eq(strlen(first), first_len);
    int rc = m->decode(first, first_len, &found, &fault);
    ck_assert_msg(rc == FEED_OK, "%s, round %u: %s at \"%s\" in %s", m->name, round,
                  feed_error_text(rc), fault.where, first);
    ck_assert_int_eq(m->encode(&found, second, sizeof second, &second_len), FEED_OK);
    ck_assert_str_eq(first, second);
}

START_TEST(encode_decode_encode_is_identity)
{
    struct random r = {SEED + (uint64_t)_i};
    for (unsigned round = 0; round < ROUNDS; round++)
        round_trip(&messages[_i], &r, round);
}
END_TEST

/* Messages without rounded numbers come back bit for bit: no member of the structure is forgotten. */
static const struct {
    const char *name;
    size_t size;
} unrounded[] = {
    {"mark", sizeof(struct feed_mark)},
    {"presence", sizeof(struct feed_presence)},
    {"gateway-health", sizeof(struct feed_gateway_health)},
    {"collector-health", sizeof(struct feed_collector_health)},
    {"notice-state", sizeof(struct feed_notice_state)},
};

START_TEST(nothing_is_forgotten)
{
    const struct message *m = message_named(unrounded[_i].name);
    struct random r = {SEED};
    for (unsigned round = 0; round < 1000; round++) {
        size_t len = 0;
        memset(&value, 0, sizeof value);
        memset(&found, 0, sizeof found);
        m->random(&r, &value);
        ck_assert_int_eq(m->encode(&value, first, sizeof first, &len), FEED_OK);
        ck_assert_int_eq(m->decode(first, len, &found, NULL), FEED_OK);
        ck_assert_msg(memcmp(&value, &found, unrounded[_i].size) == 0, "%s: %s", m->name, first);
    }
}
END_TEST

/* Rows hold no rounded numbers: the structure itself comes back. */
START_TEST(a_row_comes_back_whole)
{
    struct random r = {SEED};
    for (unsigned round = 0; round < ROUNDS; round++) {
        size_t len;
        memset(&value, 0, sizeof value);
        memset(&found, 0, sizeof found);
        random_row(&r, &value);
        ck_assert_int_eq(feed_row_encode(&value.row, first, sizeof first, &len), FEED_OK);
        ck_assert_int_eq(feed_row_decode(first, len, &found.row, NULL), FEED_OK);
        if (value.row.kind == FEED_ROW_FRAME && value.row.frame.has_report) {
            struct air_report *report = &found.row.frame.report, again;
            ck_assert_int_eq(
                air_report_decode(found.row.frame.payload, found.row.frame.payload_len, &again),
                AIR_OK);
            ck_assert_mem_eq(report, &again, sizeof again);
        }
        ck_assert_uint_eq(found.row.n, value.row.n);
        ck_assert_int_eq(found.row.kind, value.row.kind);
        if (value.row.kind != FEED_ROW_FRAME)
            continue;
        ck_assert_uint_eq(found.row.frame.payload_len, value.row.frame.payload_len);
        ck_assert_mem_eq(found.row.frame.payload, value.row.frame.payload,
                         value.row.frame.payload_len);
        ck_assert_int_eq(found.row.frame.heard_ms, value.row.frame.heard_ms);
        ck_assert_int_eq(found.row.frame.rssi_cdbm, value.row.frame.rssi_cdbm);
        ck_assert_int_eq(found.row.frame.snr_cdb, value.row.frame.snr_cdb);
    }
}
END_TEST

/* A buffer one byte too small is refused and not overrun; the exact size is enough. */
START_TEST(capacity_is_exact)
{
    struct random r = {SEED};
    for (unsigned round = 0; round < 200; round++) {
        size_t len, again = 77;
        memset(&value, 0, sizeof value);
        messages[_i].random(&r, &value);
        ck_assert_int_eq(messages[_i].encode(&value, first, sizeof first, &len), FEED_OK);
        char *exact = malloc(len + 1);
        ck_assert_ptr_nonnull(exact);
        ck_assert_int_eq(messages[_i].encode(&value, exact, len, &again), FEED_CAPACITY);
        ck_assert_uint_eq(again, 77);
        ck_assert_int_eq(messages[_i].encode(&value, exact, 0, &again), FEED_CAPACITY);
        int rc = messages[_i].encode(&value, exact, len + 1, &again);
        ck_assert_msg(rc == FEED_OK, "%s of %zu bytes: %s", messages[_i].name, len,
                      feed_error_text(rc));
        ck_assert_str_eq(first, exact);
        free(exact);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("feed property");
    TCase *all = tcase_create("all messages");
    tcase_set_timeout(all, 60);
    tcase_add_loop_test(all, encode_decode_encode_is_identity, 0, MESSAGES);
    tcase_add_loop_test(all, capacity_is_exact, 0, MESSAGES);
    tcase_add_loop_test(all, nothing_is_forgotten, 0, sizeof unrounded / sizeof unrounded[0]);
    tcase_add_test(all, a_row_comes_back_whole);
    suite_add_tcase(suite, all);
    return suite_run(suite);
}
