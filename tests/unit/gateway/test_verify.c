/* Verdicts on frames. The keys and the first frame are a published worked example (lora-packet's tests,
 * npm 0.9.3), with its address moved into the range personalised units may use. */
#include <check.h>
#include <string.h>

#include "gateway/verify/verify.h"
#include "tests/suite.h"

static const uint8_t nwk[16] = {0x44, 0x02, 0x42, 0x41, 0xed, 0x4c, 0xe9, 0xa6,
                                0x8c, 0x6a, 0x8b, 0xc0, 0x55, 0x23, 0x3f, 0xd3};
static const uint8_t app[16] = {0xec, 0x92, 0x58, 0x02, 0xae, 0x43, 0x0c, 0xa7,
                                0x7f, 0xd3, 0xdd, 0x73, 0xcb, 0x2c, 0xc5, 0x88};
static const uint8_t other[16] = {1, 2, 3};

enum { UNIT = 0x01BE7DF1 };

#define SECOND INT64_C(1000000)

static struct verify_table *table;
static struct air_keys keys, wrong_keys;

static void setup(void)
{
    struct verify_secret secrets[2] = {{.devaddr = UNIT}, {.devaddr = UNIT + 1}};
    for (int i = 0; i < 2; i++) {
        memcpy(secrets[i].nwk_skey, nwk, 16);
        memcpy(secrets[i].app_skey, app, 16);
    }
    ck_assert_int_eq(verify_table_new(secrets, 2, &table), 0);
    ck_assert_int_eq(air_keys_init(&keys, nwk, app), 0);
    ck_assert_int_eq(air_keys_init(&wrong_keys, other, app), 0);
}

static void teardown(void)
{
    verify_table_free(table);
    air_keys_free(&keys);
    air_keys_free(&wrong_keys);
}

struct packet {
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len;
};

static struct packet build(uint32_t fcnt, char first, const struct air_keys *with)
{
    struct air_frame frame = {.type = AIR_UPLINK, .devaddr = UNIT, .fport = 10, .payload_len = 4};
    memcpy(frame.payload, "test", 4);
    frame.payload[0] = (uint8_t)first;
    struct packet packet;
    ck_assert_int_eq(
        air_frame_build(&frame, with, fcnt, packet.bytes, sizeof packet.bytes, &packet.len), 0);
    return packet;
}

static struct verify_result judge(const struct packet *packet, int64_t now_us)
{
    struct verify_result result;
    verify_judge(table, packet->bytes, packet->len, now_us, &result);
    if (result.verdict == VERIFY_ACCEPTED)
        verify_accept(&result, now_us);
    return result;
}

static enum verify_verdict hear(uint32_t fcnt, char first, int64_t now_us)
{
    struct packet packet = build(fcnt, first, &keys);
    return judge(&packet, now_us).verdict;
}

START_TEST(accepts_and_decrypts)
{
    struct packet packet = build(2, 't', &keys);
    struct verify_result result = judge(&packet, 0);
    ck_assert_int_eq(result.verdict, VERIFY_ACCEPTED);
    ck_assert_uint_eq(result.fcnt, 2);
    ck_assert_uint_eq(result.devaddr, UNIT);
    ck_assert_mem_eq(result.frame.payload, "test", 4);
}
END_TEST

START_TEST(a_repeat_is_not_a_replay)
{
    ck_assert_int_eq(hear(7, 't', 0), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(7, 't', 60 * SECOND), VERIFY_REPEATED);
    ck_assert_int_eq(hear(7, 't', 60 * SECOND + 1), VERIFY_REPLAYED);
    /* also when a later frame came between */
    ck_assert_int_eq(hear(8, 't', 61 * SECOND), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(7, 't', 62 * SECOND), VERIFY_REPLAYED);
    ck_assert_int_eq(hear(8, 't', 62 * SECOND), VERIFY_REPEATED);
}
END_TEST

START_TEST(a_repeat_is_decrypted_too)
{
    struct packet packet = build(7, 't', &keys);
    judge(&packet, 0);
    struct verify_result result = judge(&packet, SECOND);
    ck_assert_int_eq(result.verdict, VERIFY_REPEATED);
    ck_assert_mem_eq(result.frame.payload, "test", 4);
}
END_TEST

START_TEST(same_counter_other_bytes_is_a_restart)
{
    ck_assert_int_eq(hear(7, 't', 0), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(7, 'u', SECOND), VERIFY_RESTARTED);
}
END_TEST

START_TEST(a_lower_counter_is_a_restart)
{
    ck_assert_int_eq(hear(5000, 't', 0), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(0, 't', 3600 * SECOND), VERIFY_RESTARTED);
    ck_assert_int_eq(hear(1, 't', 4500 * SECOND), VERIFY_RESTARTED);
    ck_assert_int_eq(hear(5001, 't', 5000 * SECOND), VERIFY_ACCEPTED);
}
END_TEST

START_TEST(a_restart_after_many_halves_is_no_forgery)
{
    ck_assert_int_eq(hear(0x00020005, 't', 0), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(0, 't', 3600 * SECOND), VERIFY_RESTARTED);
    ck_assert_int_eq(hear(0x0001FFFF, 't', 7200 * SECOND), VERIFY_RESTARTED);
}
END_TEST

START_TEST(two_radios_may_hand_over_out_of_order)
{
    ck_assert_int_eq(hear(5, 't', 0), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(8, 't', 10 * SECOND), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(6, 't', 11 * SECOND), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(6, 't', 12 * SECOND), VERIFY_REPEATED);
    ck_assert_int_eq(hear(7, 't', 80 * SECOND), VERIFY_RESTARTED);
    ck_assert_uint_eq(verify_table_find(table, UNIT)->counter.highest, 8);
}
END_TEST

START_TEST(the_gap_has_no_limit)
{
    ck_assert_int_eq(hear(10, 't', 0), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(65535, 't', SECOND), VERIFY_ACCEPTED); /* the same half, far ahead */
    ck_assert_int_eq(hear(65536, 't', SECOND), VERIFY_ACCEPTED); /* rolls over */
    ck_assert_int_eq(hear(0x1FFFF, 't', SECOND), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(0x2FFFE, 't', SECOND), VERIFY_ACCEPTED); /* the next half, far ahead */
}
END_TEST

START_TEST(without_a_state_high_halves_are_found)
{
    struct packet packet = build(0x003F1234, 't', &keys);
    struct verify_result result = judge(&packet, 0);
    ck_assert_int_eq(result.verdict, VERIFY_ACCEPTED);
    ck_assert_uint_eq(result.fcnt, 0x003F1234);
}
END_TEST

START_TEST(the_last_half_does_not_wrap)
{
    struct verify_heard heard = {.fcnt = 0xFFFF0005};
    verify_counter_note(&verify_table_find(table, UNIT)->counter, &heard);
    ck_assert_int_eq(hear(0xFFFF0006, 't', 0), VERIFY_ACCEPTED);
    ck_assert_int_eq(hear(3, 't', 0),
                     VERIFY_FORGED); /* far below: out of reach, and not accepted */
}
END_TEST

START_TEST(forged_unknown_unusable)
{
    struct packet packet = build(3, 't', &wrong_keys);
    ck_assert_int_eq(judge(&packet, 0).verdict, VERIFY_FORGED);
    packet = build(3, 't', &keys);
    packet.bytes[4] ^= 2; /* another address */
    ck_assert_int_eq(judge(&packet, 0).verdict, VERIFY_UNKNOWN);
    packet = build(3, 't', &keys);
    for (size_t len = 0; len < AIR_FRAME_MIN; len++) {
        packet.len = len;
        ck_assert_int_eq(judge(&packet, 0).verdict, VERIFY_UNUSABLE);
    }
    packet = build(3, 't', &keys);
    packet.bytes[0] = 0x60; /* a downlink of ours, heard by another gateway */
    ck_assert_int_eq(judge(&packet, 0).verdict, VERIFY_UNUSABLE);
    packet.bytes[0] = 0x00; /* a join request */
    ck_assert_int_eq(judge(&packet, 0).verdict, VERIFY_UNUSABLE);
}
END_TEST

START_TEST(every_flipped_bit_is_noticed)
{
    struct packet good = build(3, 't', &keys);
    for (size_t bit = 0; bit < good.len * 8; bit++) {
        struct packet packet = good;
        packet.bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        enum verify_verdict verdict = judge(&packet, 0).verdict;
        ck_assert_int_ne(verdict, VERIFY_ACCEPTED);
        ck_assert_int_ne(verdict, VERIFY_REPEATED);
    }
    ck_assert_int_eq(judge(&good, 0).verdict, VERIFY_ACCEPTED);
}
END_TEST

START_TEST(options_are_skipped)
{
    struct air_frame frame = {.type = AIR_CONFIRMED_UPLINK,
                              .devaddr = UNIT,
                              .fopts_len = 3,
                              .fopts = {2, 3, 4},
                              .fport = 10,
                              .payload_len = 1,
                              .payload = {9}};
    struct packet packet;
    ck_assert_int_eq(
        air_frame_build(&frame, &keys, 4, packet.bytes, sizeof packet.bytes, &packet.len), 0);
    struct verify_result result = judge(&packet, 0);
    ck_assert_int_eq(result.verdict, VERIFY_ACCEPTED);
    ck_assert_int_eq(result.frame.payload[0], 9);
}
END_TEST

START_TEST(a_new_table_inherits_counters_of_unchanged_keys)
{
    ck_assert_int_eq(hear(9, 't', 0), VERIFY_ACCEPTED);
    struct verify_secret secrets[2] = {{.devaddr = UNIT}, {.devaddr = UNIT + 1}};
    memcpy(secrets[0].nwk_skey, nwk, 16);
    memcpy(secrets[0].app_skey, app, 16);
    memcpy(secrets[1].nwk_skey, other, 16);
    struct verify_table *next;
    ck_assert_int_eq(verify_table_new(secrets, 2, &next), 0);
    verify_table_find(table, UNIT + 1)->counter.known = true;
    verify_table_inherit(next, table);
    ck_assert(verify_table_find(next, UNIT)->counter.known);
    ck_assert_uint_eq(verify_table_find(next, UNIT)->counter.highest, 9);
    ck_assert(!verify_table_find(next, UNIT + 1)->counter.known);
    verify_table_free(next);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("verify");
    TCase *verdicts = tcase_create("verdicts");
    tcase_add_checked_fixture(verdicts, setup, teardown);
    tcase_add_test(verdicts, accepts_and_decrypts);
    tcase_add_test(verdicts, a_repeat_is_not_a_replay);
    tcase_add_test(verdicts, a_repeat_is_decrypted_too);
    tcase_add_test(verdicts, same_counter_other_bytes_is_a_restart);
    tcase_add_test(verdicts, a_lower_counter_is_a_restart);
    tcase_add_test(verdicts, a_restart_after_many_halves_is_no_forgery);
    tcase_add_test(verdicts, two_radios_may_hand_over_out_of_order);
    tcase_add_test(verdicts, the_gap_has_no_limit);
    tcase_add_test(verdicts, without_a_state_high_halves_are_found);
    tcase_add_test(verdicts, the_last_half_does_not_wrap);
    tcase_add_test(verdicts, forged_unknown_unusable);
    tcase_add_test(verdicts, every_flipped_bit_is_noticed);
    tcase_add_test(verdicts, options_are_skipped);
    tcase_add_test(verdicts, a_new_table_inherits_counters_of_unchanged_keys);
    suite_add_tcase(suite, verdicts);
    return suite_run(suite);
}
