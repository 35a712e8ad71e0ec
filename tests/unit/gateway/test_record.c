#include <check.h>
#include <errno.h>
#include <string.h>

#include <mbedtls/md.h>

#include "gateway/spool/chain.h"
#include "gateway/spool/record.h"
#include "tests/suite.h"

static struct record sample(void)
{
    struct record record = {.kind = FEED_ROW_FRAME, .mic = 0x89ABCDEF};
    struct feed_frame *f = &record.frame;
    *f = (struct feed_frame){
        .devaddr = 0x01BE7DF1,
        .key_check = 0xFFFFFFFE,
        .fcnt = 0xFFFF0001,
        .confirmed = true,
        .fport = 223,
        .payload_len = FEED_PAYLOAD_MAX,
        .heard_ms = INT64_C(253402300799999),
        .synchronised = true,
        .boot = "0123456789abcdef",
        .boot_ms = INT64_C(1) << 40,
        .radio = 3,
        .frequency_hz = 915000000,
        .bandwidth_hz = 500000,
        .spreading_factor = 12,
        .rssi_cdbm = -13725,
        .snr_cdb = -2025,
    };
    for (int i = 0; i < FEED_PAYLOAD_MAX; i++)
        f->payload[i] = (uint8_t)i;
    return record;
}

static struct record round_trip(const struct record *record)
{
    uint8_t bytes[RECORD_MAX];
    size_t len;
    struct record back;
    record_pack(record, bytes, &len);
    ck_assert_int_eq(record_unpack(bytes, len, &back), 0);
    for (size_t cut = 0; cut < len; cut++)
        ck_assert_int_lt(record_unpack(bytes, cut, &back), 0);
    ck_assert_int_eq(record_unpack(bytes, len, &back), 0);
    return back;
}

START_TEST(a_frame_comes_back_as_it_was)
{
    struct record record = sample();
    struct record back = round_trip(&record);
    ck_assert_uint_eq(back.mic, record.mic);
    ck_assert_mem_eq(back.frame.payload, record.frame.payload, FEED_PAYLOAD_MAX);
    ck_assert_uint_eq(back.frame.devaddr, record.frame.devaddr);
    ck_assert_uint_eq(back.frame.key_check, record.frame.key_check);
    ck_assert_uint_eq(back.frame.fcnt, record.frame.fcnt);
    ck_assert(back.frame.confirmed && back.frame.synchronised);
    ck_assert_int_eq(back.frame.fport, 223);
    ck_assert_int_eq(back.frame.heard_ms, record.frame.heard_ms);
    ck_assert_str_eq(back.frame.boot, record.frame.boot);
    ck_assert_int_eq(back.frame.boot_ms, record.frame.boot_ms);
    ck_assert_int_eq(back.frame.radio, 3);
    ck_assert_uint_eq(back.frame.frequency_hz, 915000000);
    ck_assert_uint_eq(back.frame.bandwidth_hz, 500000);
    ck_assert_int_eq(back.frame.spreading_factor, 12);
    ck_assert_int_eq(back.frame.rssi_cdbm, -13725);
    ck_assert_int_eq(back.frame.snr_cdb, -2025);
    ck_assert(!back.frame.has_report);
}
END_TEST

START_TEST(no_port_and_a_report)
{
    struct record record = sample();
    record.frame.fport = -1;
    record.frame.payload_len = 0;
    ck_assert_int_eq(round_trip(&record).frame.fport, -1);
    struct air_report report = {
        .kind = AIR_REGULAR, .epoch = 7, .entries = 1234, .interval_min = 15, .battery_mv = 3300};
    size_t len;
    ck_assert_int_eq(air_report_encode(&report, record.frame.payload, &len), 0);
    record.frame.fport = 10;
    record.frame.payload_len = (uint8_t)len;
    struct record back = round_trip(&record);
    ck_assert(back.frame.has_report);
    ck_assert_uint_eq(back.frame.report.entries, 1234);
    record.frame.fport = 0; /* never a report */
    ck_assert(!round_trip(&record).frame.has_report);
}
END_TEST

START_TEST(the_other_kinds)
{
    struct record record = {.kind = FEED_ROW_CLOCK,
                            .clock = {.boot = "00000000ffffffff", .offset_ms = -86400123}};
    struct record back = round_trip(&record);
    ck_assert_str_eq(back.clock.boot, "00000000ffffffff");
    ck_assert_int_eq(back.clock.offset_ms, -86400123);
    record = (struct record){
        .kind = FEED_ROW_LOSS,
        .loss = {.first = 5, .last = UINT64_C(1) << 50, .count = 9, .why = "disk full"}};
    back = round_trip(&record);
    ck_assert_uint_eq(back.loss.first, 5);
    ck_assert_uint_eq(back.loss.last, UINT64_C(1) << 50);
    ck_assert_uint_eq(back.loss.count, 9);
    ck_assert_str_eq(back.loss.why, "disk full");
}
END_TEST

/* Seals bytes as record_pack does. */
static void seal(uint8_t *bytes, size_t len)
{
    uint8_t digest[32];
    ck_assert_int_eq(
        mbedtls_md(mbedtls_md_info_from_type(MBEDTLS_MD_SHA256), bytes, len - 4, digest), 0);
    memcpy(bytes + len - 4, digest, 4);
}

START_TEST(bytes_that_are_no_record)
{
    struct record record = sample(), back;
    uint8_t bytes[RECORD_MAX + 1] = {0};
    size_t len;
    record_pack(&record, bytes, &len);
    ck_assert_int_eq(record_unpack(bytes, len + 1, &back), -EBADMSG);
    ck_assert_int_eq(record_unpack(bytes, 0, &back), -EBADMSG);
    bytes[1] = 9;
    seal(bytes, len);
    ck_assert_int_eq(record_unpack(bytes, len, &back), -EBADMSG);
    bytes[0] = 0;
    seal(bytes, len);
    ck_assert_int_eq(record_unpack(bytes, len, &back), -EBADMSG);
    bytes[0] = 3;
    seal(bytes, len);
    ck_assert_int_eq(record_unpack(bytes, len, &back), -ENOTSUP);
}
END_TEST

/* Any one bit: it is never taken for what was written, and the row says that it is lost. */
START_TEST(a_bit_that_the_card_forgot)
{
    struct record record = sample(), back;
    uint8_t bytes[RECORD_MAX];
    size_t len;
    record_pack(&record, bytes, &len);
    for (size_t bit = 0; bit < 8 * len; bit++) {
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        ck_assert_int_eq(record_unpack(bytes, len, &back), -EBADMSG);
        ck_assert_int_eq(record_of_row(77, bytes, len, &back), 1);
        ck_assert_int_eq(back.kind, FEED_ROW_LOSS);
        ck_assert_uint_eq(back.loss.first, 77);
        ck_assert_uint_eq(back.loss.last, 77);
        ck_assert_uint_eq(back.loss.count, 1);
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
    ck_assert_int_eq(record_of_row(77, bytes, len, &back), 0);
    ck_assert_int_eq(back.kind, FEED_ROW_FRAME);
}
END_TEST

/* Rows as the first layout had them, in spools that are older than the check. */
START_TEST(a_row_without_a_check_is_still_read)
{
    struct record record = sample(), back;
    uint8_t bytes[RECORD_MAX];
    size_t len;
    record_pack(&record, bytes, &len);
    bytes[0] = 1;
    ck_assert_int_eq(record_unpack(bytes, len - 4, &back), 0);
    ck_assert_uint_eq(back.frame.fcnt, record.frame.fcnt);
    ck_assert_mem_eq(back.frame.payload, record.frame.payload, FEED_PAYLOAD_MAX);
    ck_assert_int_eq(record_unpack(bytes, len, &back), -EBADMSG);
}
END_TEST

/* SHA-256 of 16 zero bytes then "abc", computed with OpenSSL 3.0: the chain is what its header says. */
START_TEST(the_chain_is_sha_256)
{
    uint8_t hash[CHAIN_BYTES] = {0};
    char text[FEED_HASH_SIZE];
    chain_extend(hash, (const uint8_t *)"abc", 3);
    chain_text(hash, text);
    ck_assert_str_eq(text, "277e7ff6d232b9763f4a66e8d05d210d");
    chain_extend(hash, (const uint8_t *)"abc", 3);
    chain_text(hash, text);
    ck_assert_str_eq(text, "6c2cbf6511a9f063fbb8c3e40b2e52ac");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("record");
    TCase *tests = tcase_create("record");
    tcase_add_test(tests, a_frame_comes_back_as_it_was);
    tcase_add_test(tests, no_port_and_a_report);
    tcase_add_test(tests, the_other_kinds);
    tcase_add_test(tests, bytes_that_are_no_record);
    tcase_add_test(tests, a_bit_that_the_card_forgot);
    tcase_add_test(tests, a_row_without_a_check_is_still_read);
    tcase_add_test(tests, the_chain_is_sha_256);
    suite_add_tcase(suite, tests);
    return suite_run(suite);
}
