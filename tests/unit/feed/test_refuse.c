/* What is not a message is refused with the place and the reason, and touches nothing. */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/suite.h"
#include "tests/unit/feed/golden.h"
#include "tests/unit/feed/samples.h"

static union message_value value;
static char text[2 * FEED_MESSAGE_MAX];

/* The golden with the first occurrence of `from` replaced. */
static void edit(const char *golden, const char *from, const char *to)
{
    size_t len = 0;
    const char *whole = golden_read(golden, &len);
    ck_assert_msg(whole != NULL, "golden/%s.json is not there", golden);
    const char *at = strstr(whole, from);
    ck_assert_msg(at != NULL, "%s has no %s", golden, from);
    snprintf(text, sizeof text, "%.*s%s%s", (int)(at - whole), whole, to, at + strlen(from));
}

static const struct {
    const char *golden, *from, *to;
    int error;
    const char *where;
} cases[] = {
    /* the whole message */
    {"mark", "}", "", FEED_NOT_JSON, ""},
    {"mark", "}", "} x", FEED_NOT_JSON, ""},
    {"mark", "\"n\":4711", "\"n\":4711,\"n\":4711", FEED_NOT_JSON, ""},
    {"mark", "\"n\":4711", "\"n\":99999999999999999999", FEED_NOT_JSON, ""},
    {"mark", "\"n\":4711", "\"n\":1e400", FEED_NOT_JSON, ""},
    {"notice-visit", "north", "nor\xffth", FEED_NOT_JSON, ""},
    {"notice-visit", "Block", "Bl\\u0000ck", FEED_NOT_JSON, ""},
    {"notice-visit", "Block", "Bl\\ud800ck", FEED_NOT_JSON, ""},
    /* versions */
    {"mark", "\"version\":1", "\"version\":2", FEED_VERSION, "version"},
    {"mark", "\"version\":1", "\"version\":0", FEED_RANGE, "version"},
    {"mark", "\"version\":1", "\"version\":\"1\"", FEED_TYPE, "version"},
    {"mark", "\"version\":1,", "", FEED_MISSING, "version"},
    /* a key of each type: missing, of another type, out of range */
    {"mark", ",\"n\":4711", "", FEED_MISSING, "n"},
    {"mark", "4711", "\"4711\"", FEED_TYPE, "n"},
    {"mark", "4711", "null", FEED_TYPE, "n"},
    {"mark", "4711", "4711.5", FEED_TYPE, "n"},
    {"mark", "4711", "-1", FEED_RANGE, "n"},
    {"mark", "4711", "9007199254740992", FEED_RANGE, "n"},
    {"mark", "c0ffee0012345678", "c0ffee001234567", FEED_RANGE, "store"},
    {"mark", "c0ffee0012345678", "c0ffee00123456789", FEED_RANGE, "store"},
    {"mark", "c0ffee0012345678", "C0FFEE0012345678", FEED_RANGE, "store"},
    {"mark", "\"c0ffee0012345678\"", "17", FEED_TYPE, "store"},
    {"presence-online", "true", "1", FEED_TYPE, "online"},
    {"presence-online", "\"0.1.0\"", "null", FEED_TYPE, "software"},
    {"presence-online", "0.1.0", "0123456789012345678901234567890123", FEED_RANGE, "software"},
    {"presence-online", "Z\"", "\"", FEED_RANGE, "started_at"},
    {"presence-online", "-07-", "-13-", FEED_RANGE, "started_at"},
    {"row-regular", "\"frame\",", "\"frames\",", FEED_RANGE, "kind"},
    {"row-regular", "\"kind\":\"frame\"", "\"kind\":\"clock\"", FEED_MISSING, "clock"},
    {"row-regular", "\"kind\":\"frame\"", "\"kind\":null", FEED_TYPE, "kind"},
    {"row-regular", "\"oldest\":4200", "\"oldest\":4712", FEED_RANGE, "oldest"},
    {"row-regular", "\"n\":4711", "\"n\":0", FEED_RANGE, "n"},
    {"row-regular", "00a1b2c3", "04000000", FEED_RANGE, "frame.devaddr"},
    {"row-regular", "00a1b2c3", "0a1b2c3", FEED_RANGE, "frame.devaddr"},
    {"row-regular", "00a1b2c3", "00a1b2cg", FEED_RANGE, "frame.devaddr"},
    {"row-regular", "70012", "4294967296", FEED_RANGE, "frame.fcnt"},
    {"row-regular", "\"fport\":10", "\"fport\":256", FEED_RANGE, "frame.fport"},
    {"row-regular", "\"payload\":\"1", "\"payload\":\"", FEED_RANGE, "frame.payload"},
    {"row-regular", "\"payload\":\"1", "\"payload\":\"x", FEED_RANGE, "frame.payload"},
    {"row-regular", "-104.25", "-1e9", FEED_RANGE, "frame.rssi_dbm"},
    {"row-regular", "-104.25", "1e300", FEED_RANGE, "frame.rssi_dbm"},
    {"row-regular", "-104.25", "\"low\"", FEED_TYPE, "frame.rssi_dbm"},
    {"row-regular", "\"report\":{", "\"report\":[],\"x\":{", FEED_TYPE, "frame.report"},
    {"row-regular", "\"regular\"", "\"hourly\"", FEED_RANGE, "frame.report.kind"},
    {"row-regular", "\"regular\"", "\"daily\"", FEED_MISSING, "frame.report.exits"},
    {"row-regular", "61.25", "250.25", FEED_RANGE, "frame.report.level_mm"},
    {"row-regular", "\"interval_min\":15", "\"interval_min\":0", FEED_RANGE,
     "frame.report.interval_min"},
    {"row-regular", "\"tick_age_s\":31.640625", "\"tick_age_s\":900", FEED_RANGE,
     "frame.report.tick_age_s"},
    {"row-regular", "\"tick_age_s\":31.640625", "\"tick_age_s\":-1", FEED_RANGE,
     "frame.report.tick_age_s"},
    {"row-regular", "[4,2,0,254,null,1,0]", "[4,2,0,254,null,1,0,0]", FEED_RANGE,
     "frame.report.recent"},
    {"row-regular", "[4,2,0,254,null,1,0]", "[255]", FEED_RANGE, "frame.report.recent"},
    {"row-regular", "[4,2,0,254,null,1,0]", "[true]", FEED_TYPE, "frame.report.recent"},
    {"row-loss", "\"last\":4460", "\"last\":4200", FEED_RANGE, "loss.last"},
    {"row-loss", "\"count\":198", "\"count\":261", FEED_RANGE, "loss.count"},
    {"row-loss", "\"loss\":{", "\"loss\":null,\"x\":{", FEED_TYPE, "loss"},
    {"gateway-health", "\"radios\":[", "\"radios\":[1,", FEED_TYPE, "radios.0."},
    {"gateway-health", "\"frames\":0", "\"frames\":-3", FEED_RANGE, "radios.1.frames"},
    {"gateway-health-bare", "[]", "[{},{},{},{},{}]", FEED_RANGE, "radios"},
    {"gateway-health-bare", "[]", "{}", FEED_TYPE, "radios"},
    {"row-regular", "\"00a1b2c3\"", "17", FEED_TYPE, "frame.devaddr"},
    {"row-regular", "\"payload\":\"", "\"payload\":1,\"x\":\"", FEED_TYPE, "frame.payload"},
    {"row-regular", "[4,2,0,254,null,1,0]", "\"4,2\"", FEED_TYPE, "frame.report.recent"},
    {"row-regular", "[4,2,0,254,null,1,0]", "[-1]", FEED_RANGE, "frame.report.recent"},
    {"row-regular", "[4,2,0,254,null,1,0]", "[256]", FEED_RANGE, "frame.report.recent"},
    {"presence-online", "\"started_at\":\"", "\"started_at\":1,\"x\":\"", FEED_TYPE, "started_at"},
    {"trap-due", "\"condition\":\"due\"", "\"condition\":7", FEED_TYPE, "condition"},
    {"mark", "4711", "-9007199254740992", FEED_RANGE, "n"},
    {"gateway-health-bare", "\"radios\":[]", "\"radiators\":[]", FEED_MISSING, "radios"},
    /* leases and orders that nobody could follow */
    {"lease", "\"barn\"", "\"b/rn\"", FEED_NAME, "gateway"},
    {"lease", "\"first\":128", "\"first\":4294967295", FEED_RANGE, "count"},
    {"lease", "\"first\":128", "\"first\":4294967296", FEED_RANGE, "first"},
    {"order-interval", "\"interval_min\":30", "\"interval_min\":0", FEED_RANGE, "interval_min"},
    {"order-channel", "\"spreading_factor\":9", "\"spreading_factor\":13", FEED_RANGE,
     "spreading_factor"},
    {"order-marks", "\"full_mark_mm\":90,\"low_mark_mm\":0",
     "\"full_mark_mm\":9,\"low_mark_mm\":90", FEED_RANGE, "order"},
    {"trap-due", "N-012", "N/012", FEED_RANGE, "trap"},
    {"trap-due", "N-012", "", FEED_RANGE, "trap"},
    {"trap-due", "41.25", "1e9", FEED_RANGE, "level_mm"},
    {"trap-due", "41.25", "true", FEED_TYPE, "level_mm"},
    {"trap-due", "\"condition\":\"due\"", "\"condition\":\"late\"", FEED_RANGE, "condition"},
};

START_TEST(refused_with_place_and_reason)
{
    struct feed_fault fault = {.error = 1};
    union message_value before;
    edit(cases[_i].golden, cases[_i].from, cases[_i].to);
    const struct message *message = NULL;
    for (unsigned i = 0; i < sample_count; i++)
        if (strcmp(samples[i].file, cases[_i].golden) == 0)
            message = message_named(samples[i].message);
    ck_assert_ptr_nonnull(message);
    memset(&value, 0x5A, sizeof value);
    memset(&before, 0x5A, sizeof before);
    int rc = message->decode(text, strlen(text), &value, &fault);
    ck_assert_msg(rc == cases[_i].error, "%s -> %s: %s, not %s", cases[_i].from, cases[_i].to,
                  feed_error_text(rc), feed_error_text(cases[_i].error));
    ck_assert_int_eq(fault.error, rc);
    ck_assert_str_eq(fault.where, cases[_i].where);
    ck_assert_mem_eq(&value, &before, sizeof value);
    ck_assert_int_eq(message->decode(text, strlen(text), &value, NULL), rc);
}
END_TEST

/* What a later version may add, and what JSON allows in other words. */
static const struct {
    const char *golden, *from, *to;
} same[] = {
    {"mark", "{\"version\"", "{\"added_later\":{\"n\":[1,2,{}]},\"version\""},
    {"mark", "\"n\":4711", " \"n\" : 4711.0 "},
    {"mark", "\"n\":4711", "\"\\u006e\":4711"},
    {"mark", "\"n\":4711", "\"n\":4.711e3"},
};

START_TEST(accepted_in_other_words)
{
    edit(same[_i].golden, same[_i].from, same[_i].to);
    ck_assert_int_eq(feed_mark_decode(text, strlen(text), &value.mark, NULL), FEED_OK);
    ck_assert_uint_eq(value.mark.n, 4711);
}
END_TEST

START_TEST(any_cut_is_refused)
{
    const struct sample *sample = &samples[_i];
    size_t len = 0;
    const char *golden = golden_read(sample->file, &len);
    ck_assert_ptr_nonnull(golden);
    for (size_t cut = 0; cut < len; cut++) {
        char *exact = malloc(cut == 0 ? 1 : cut); /* no NUL behind it */
        ck_assert_ptr_nonnull(exact);
        memcpy(exact, golden, cut);
        int rc = message_named(sample->message)->decode(exact, cut, &value, NULL);
        free(exact);
        ck_assert_int_eq(rc, FEED_NOT_JSON);
    }
}
END_TEST

START_TEST(no_objects)
{
    static const char *const wrong[] = {"", " ", "null", "1", "\"x\"", "[]", "[{}]", "nul", "{]"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        ck_assert_int_eq(messages[_i].decode(wrong[i], strlen(wrong[i]), &value, NULL),
                         FEED_NOT_JSON);
    memset(text, '[', sizeof text);
    ck_assert_int_eq(messages[_i].decode(text, FEED_MESSAGE_MAX, &value, NULL), FEED_NOT_JSON);
    ck_assert_int_eq(messages[_i].decode("{}", 2, &value, NULL), FEED_MISSING);
}
END_TEST

START_TEST(too_large_is_refused_unread)
{
    size_t len = 0;
    const char *golden = golden_read("mark", &len);
    memset(text, ' ', sizeof text);
    memcpy(text, golden, len);
    ck_assert_int_eq(feed_mark_decode(text, FEED_MESSAGE_MAX, &value.mark, NULL), FEED_OK);
    ck_assert_int_eq(feed_mark_decode(text, FEED_MESSAGE_MAX + 1, &value.mark, NULL),
                     FEED_NOT_JSON);
}
END_TEST

/* A value the schema refuses is never written. */
START_TEST(encoders_refuse)
{
    char out[FEED_MESSAGE_MAX + 1] = "untouched length";
    size_t len = 4;
    struct feed_mark mark = {.store = "C0FFEE0012345678"};
    ck_assert_int_eq(feed_mark_encode(&mark, out, sizeof out, &len), FEED_RANGE);
    samples[0].fill(&value);
    value.row.n = UINT64_C(1) << 53;
    ck_assert_int_eq(feed_row_encode(&value.row, out, sizeof out, &len), FEED_RANGE);
    value.row.n = UINT64_MAX;
    ck_assert_int_eq(feed_row_encode(&value.row, out, sizeof out, &len), FEED_RANGE);
    value.row.n = value.row.oldest - 1;
    ck_assert_int_eq(feed_row_encode(&value.row, out, sizeof out, &len), FEED_RANGE);
    samples[0].fill(&value);
    value.row.kind = (enum feed_row_kind)3;
    ck_assert_int_eq(feed_row_encode(&value.row, out, sizeof out, &len), FEED_RANGE);
    samples[0].fill(&value);
    value.row.frame.payload_len = FEED_PAYLOAD_MAX + 1;
    ck_assert_int_eq(feed_row_encode(&value.row, out, sizeof out, &len), FEED_RANGE);
    samples[0].fill(&value);
    value.row.frame.heard_ms = -1;
    ck_assert_int_eq(feed_row_encode(&value.row, out, sizeof out, &len), FEED_RANGE);
    struct feed_lease lease = {.term = 1, .first = UINT32_MAX, .count = 2};
    ck_assert_int_eq(feed_lease_encode(&lease, out, sizeof out, &len), FEED_RANGE);
    lease = (struct feed_lease){.term = 1, .gateway = "b/rn"};
    ck_assert_int_eq(feed_lease_encode(&lease, out, sizeof out, &len), FEED_RANGE);
    struct feed_order order = {.devaddr = 1, .order = {.kind = AIR_ORDER_INTERVAL}};
    ck_assert_int_eq(feed_order_encode(&order, out, sizeof out, &len), FEED_RANGE);
    struct feed_gateway_health health = {.radio_count = FEED_RADIOS_MAX + 1};
    ck_assert_int_eq(feed_gateway_health_encode(&health, out, sizeof out, &len), FEED_RANGE);
    struct feed_trap_state trap = {.at_ms = 1, .trap = "a b", .block = "north"};
    ck_assert_int_eq(feed_trap_state_encode(&trap, out, sizeof out, &len), FEED_NAME);
    memcpy(trap.trap, "a", 2);
    trap.level_mm = INFINITY;
    ck_assert_int_eq(feed_trap_state_encode(&trap, out, sizeof out, &len), FEED_RANGE);
    ck_assert_uint_eq(len, 4);
}
END_TEST

/* A title cut in the middle of a letter must not silence the notice. */
START_TEST(bytes_that_are_no_text_are_marked)
{
    char out[FEED_MESSAGE_MAX + 1];
    size_t len = 0;
    struct feed_presence p = {.online = true, .software = "a\xc3\xa4 b\xc3 c\xed\xa0\x80 \xf0\x9f"};
    ck_assert_int_eq(feed_presence_encode(&p, out, sizeof out, &len), FEED_OK);
    ck_assert_int_eq(feed_presence_decode(out, len, &p, NULL), FEED_OK);
    ck_assert_str_eq(p.software, "a\xc3\xa4 b? c??? ??");
}
END_TEST

START_TEST(a_full_notice_fits)
{
    char out[FEED_MESSAGE_MAX + 1];
    size_t len = 0;
    struct feed_notice_state *notice = &value.notice_state;
    for (unsigned i = 0; i < sample_count; i++)
        if (strcmp(samples[i].file, "notice-visit") == 0)
            samples[i].fill(&value);
    memset(notice->title, '"', sizeof notice->title - 1);
    memset(notice->text, '\n', sizeof notice->text - 1);
    ck_assert_int_eq(feed_notice_state_encode(notice, out, sizeof out, &len), FEED_OK);
    ck_assert_int_eq(feed_notice_state_decode(out, len, notice, NULL), FEED_OK);
    memset(notice->text, '\x01', sizeof notice->text - 1);
    ck_assert_int_eq(feed_notice_state_encode(notice, out, sizeof out, &len), FEED_CAPACITY);
}
END_TEST

START_TEST(orders_have_words)
{
    for (int kind = AIR_ORDER_INTERVAL; feed_order_kind_text((enum air_order_kind)kind); kind++)
        ck_assert_int_eq(feed_order_kind(feed_order_kind_text((enum air_order_kind)kind)), kind);
    ck_assert_int_eq(feed_order_kind("interval"), AIR_ORDER_INTERVAL);
    ck_assert_int_eq(feed_order_kind("sing"), 0);
    ck_assert_ptr_null(feed_order_kind_text((enum air_order_kind)99));
}
END_TEST

START_TEST(every_error_has_a_text)
{
    for (int error = FEED_CAPACITY; error <= FEED_OK; error++)
        ck_assert_str_ne(feed_error_text(error), "unknown error");
    ck_assert_str_eq(feed_error_text(-99), "unknown error");
    ck_assert_str_eq(feed_visit_reason_text(FEED_REASON_LOW_LEVEL), "low level");
    ck_assert_str_eq(feed_trap_condition_text(FEED_TRAP_DUE), "due");
    ck_assert_str_eq(feed_notice_kind_text(FEED_NOTICE_SILENT_GATEWAY), "silent gateway");
    ck_assert_str_eq(feed_notice_kind_text((enum feed_notice_kind)99), "unknown");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("feed refuse");
    TCase *all = tcase_create("refuse");
    tcase_add_loop_test(all, refused_with_place_and_reason, 0, sizeof cases / sizeof cases[0]);
    tcase_add_loop_test(all, accepted_in_other_words, 0, sizeof same / sizeof same[0]);
    tcase_add_loop_test(all, any_cut_is_refused, 0, (int)sample_count);
    tcase_add_loop_test(all, no_objects, 0, MESSAGES);
    tcase_add_test(all, too_large_is_refused_unread);
    tcase_add_test(all, encoders_refuse);
    tcase_add_test(all, bytes_that_are_no_text_are_marked);
    tcase_add_test(all, a_full_notice_fits);
    tcase_add_test(all, every_error_has_a_text);
    tcase_add_test(all, orders_have_words);
    suite_add_tcase(suite, all);
    return suite_run(suite);
}
