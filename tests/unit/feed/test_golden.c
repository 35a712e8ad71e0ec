/* The golden messages: written byte for byte, and read back. */
#include <check.h>
#include <string.h>

#include "tests/suite.h"
#include "tests/unit/feed/golden.h"
#include "tests/unit/feed/samples.h"

static union message_value value, found;
static char text[FEED_MESSAGE_MAX + 1], again[FEED_MESSAGE_MAX + 1];

START_TEST(written_byte_for_byte)
{
    const struct sample *sample = &samples[_i];
    const struct message *message = message_named(sample->message);
    size_t len = 0, golden_len = 0;
    const char *golden = golden_read(sample->file, &golden_len);
    ck_assert_msg(golden != NULL, "golden/%s.json is not there", sample->file);
    memset(&value, 0, sizeof value);
    sample->fill(&value);
    ck_assert_int_eq(message->encode(&value, text, sizeof text, &len), FEED_OK);
    ck_assert_str_eq(text, golden);
    ck_assert_uint_eq(len, golden_len);
}
END_TEST

START_TEST(read_back)
{
    const struct sample *sample = &samples[_i];
    const struct message *message = message_named(sample->message);
    struct feed_fault fault = {0};
    size_t len = 0, again_len = 0;
    const char *golden = golden_read(sample->file, &len);
    memset(&found, 0, sizeof found);
    int rc = message->decode(golden, len, &found, &fault);
    ck_assert_msg(rc == FEED_OK, "%s: %s at \"%s\"", sample->file, feed_error_text(rc),
                  fault.where);
    ck_assert_int_eq(message->encode(&found, again, sizeof again, &again_len), FEED_OK);
    ck_assert_str_eq(again, golden);
}
END_TEST

/* The decoded report of a golden row says what its payload says. */
START_TEST(report_is_the_payload)
{
    static const char *const rows[] = {"row-regular", "row-daily", "row-unknowns"};
    struct air_report report;
    size_t len = 0;
    const char *golden = golden_read(rows[_i], &len);
    ck_assert_int_eq(feed_row_decode(golden, len, &found.row, NULL), FEED_OK);
    ck_assert_int_eq(
        air_report_decode(found.row.frame.payload, found.row.frame.payload_len, &report), AIR_OK);
    ck_assert(found.row.frame.has_report);
    ck_assert_mem_eq(&report, &found.row.frame.report, sizeof report);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("feed golden");
    TCase *all = tcase_create("golden");
    tcase_add_loop_test(all, written_byte_for_byte, 0, (int)sample_count);
    tcase_add_loop_test(all, read_back, 0, (int)sample_count);
    tcase_add_loop_test(all, report_is_the_payload, 0, 3);
    suite_add_tcase(suite, all);
    return suite_run(suite);
}
