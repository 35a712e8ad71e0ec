#include <check.h>
#include <string.h>

#include "protocol/air/frame.h"
#include "tests/suite.h"

static struct air_keys keys;

static void setup(void)
{
    uint8_t nwk[16], app[16];
    for (int i = 0; i < 16; i++) {
        nwk[i] = (uint8_t)(i * 17);
        app[i] = (uint8_t)(255 - i * 3);
    }
    ck_assert_int_eq(air_keys_init(&keys, nwk, app), 0);
}

static void teardown(void)
{
    air_keys_free(&keys);
}

static struct air_frame report_frame(void)
{
    struct air_frame f = {.type = AIR_UPLINK, .devaddr = 0x01020304, .fport = AIR_PORT_REPORT};
    f.payload_len = 21;
    memset(f.payload, 0x5A, f.payload_len);
    return f;
}

static size_t build(const struct air_frame *f, uint32_t fcnt32, uint8_t bytes[AIR_FRAME_MAX])
{
    size_t len = 0;
    ck_assert_int_eq(air_frame_build(f, &keys, fcnt32, bytes, AIR_FRAME_MAX, &len), 0);
    return len;
}

START_TEST(every_length_and_option_length)
{
    for (unsigned fopts = 0; fopts <= AIR_FOPTS_MAX; fopts++) {
        for (unsigned len = 0; len + fopts <= AIR_PAYLOAD_MAX; len += 7) {
            struct air_frame f = report_frame(), back;
            f.fopts_len = (uint8_t)fopts;
            f.payload_len = (uint8_t)len;
            memset(f.payload, 0xC3, len);
            uint8_t bytes[AIR_FRAME_MAX];
            size_t frame_len = build(&f, 77, bytes);
            ck_assert_uint_eq(frame_len, AIR_FRAME_MIN + fopts + 1 + len);
            ck_assert_int_eq(air_frame_parse(bytes, frame_len, &back), 0);
            ck_assert(air_frame_verify(bytes, frame_len, &keys, 77));
            air_frame_crypt(&back, &keys, 77);
            ck_assert_uint_eq(back.fopts_len, fopts);
            ck_assert_uint_eq(back.payload_len, len);
            ck_assert_mem_eq(back.payload, f.payload, len);
        }
    }
}
END_TEST

START_TEST(too_short_and_too_long)
{
    uint8_t bytes[AIR_FRAME_MAX + 1] = {0x40};
    struct air_frame f = {.devaddr = 42};
    for (size_t len = 0; len < AIR_FRAME_MIN; len++)
        ck_assert_int_eq(air_frame_parse(bytes, len, &f), AIR_SHORT);
    ck_assert_int_eq(air_frame_parse(bytes, AIR_FRAME_MAX + 1, &f), AIR_LONG);
    /* Options that run past the end. */
    for (unsigned fopts = 1; fopts <= AIR_FOPTS_MAX; fopts++) {
        bytes[5] = (uint8_t)fopts;
        ck_assert_int_eq(air_frame_parse(bytes, AIR_FRAME_MIN + fopts - 1u, &f), AIR_SHORT);
    }
    ck_assert_uint_eq(f.devaddr, 42); /* untouched by failures */
    ck_assert_int_eq(air_frame_parse(bytes, AIR_FRAME_MIN + AIR_FOPTS_MAX, &f), AIR_OK);
    ck_assert_int_eq(f.fport, -1);
}
END_TEST

/* LoRaWAN 1.0.2 section 4.3.1.6: with FPort 0 there must be no options. */
START_TEST(options_and_port_0)
{
    uint8_t bytes[AIR_FRAME_MIN + 3] = {0x40, 1, 2, 3, 4, 1, 0, 0, 0xAA, 0, 0x55};
    struct air_frame f = report_frame();
    ck_assert_int_eq(air_frame_parse(bytes, sizeof bytes, &f), AIR_FOPTS);
    f.fport = 0;
    f.fopts_len = 1;
    size_t len = 0;
    ck_assert_int_eq(air_frame_build(&f, &keys, 1, bytes, sizeof bytes, &len), AIR_FOPTS);
}
END_TEST

START_TEST(verify_needs_every_bit)
{
    struct air_frame f = report_frame();
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len = build(&f, 0x00012345, bytes);
    ck_assert(air_frame_verify(bytes, len, &keys, 0x00012345));
    ck_assert(!air_frame_verify(bytes, len, &keys, 0x00022345));
    ck_assert(!air_frame_verify(bytes, len, &keys, 0x00012346));
    ck_assert(!air_frame_verify(bytes, len - 1, &keys, 0x00012345));
    for (size_t bit = 0; bit < len * 8; bit++) {
        bytes[bit / 8] ^= (uint8_t)(1 << bit % 8);
        ck_assert_msg(!air_frame_verify(bytes, len, &keys, 0x00012345), "bit %zu", bit);
        bytes[bit / 8] ^= (uint8_t)(1 << bit % 8);
    }
}
END_TEST

/* Port 0 is encrypted with NwkSKey, the others with AppSKey: LoRaWAN 1.0.2 section 4.3.3. */
START_TEST(port_0_has_the_other_key)
{
    struct air_frame f = report_frame();
    uint8_t ten[AIR_FRAME_MAX], zero[AIR_FRAME_MAX];
    size_t len = build(&f, 9, ten);
    f.fport = 0;
    ck_assert_uint_eq(build(&f, 9, zero), len);
    ck_assert_mem_ne(ten + 9, zero + 9, f.payload_len);
}
END_TEST

START_TEST(build_refuses)
{
    struct air_frame good = report_frame(), f;
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len = 4711;
#define REFUSED(change, error)                                                                     \
    f = good;                                                                                      \
    change;                                                                                        \
    ck_assert_int_eq(air_frame_build(&f, &keys, 1, bytes, sizeof bytes, &len), error)
    REFUSED(f.fport = -2, AIR_RANGE);
    REFUSED(f.fport = 256, AIR_RANGE);
    REFUSED(f.fport = -1, AIR_RANGE); /* a payload needs a port */
    REFUSED(f.fopts_len = 16, AIR_RANGE);
    REFUSED(f.payload_len = AIR_PAYLOAD_MAX + 1, AIR_RANGE);
    REFUSED(f.type = (enum air_frame_type)4, AIR_RANGE);
    REFUSED(f.payload_len = AIR_PAYLOAD_MAX; f.fopts_len = 1, AIR_LONG);
#undef REFUSED
    size_t needed = AIR_FRAME_MIN + 1u + good.payload_len;
    for (size_t capacity = 0; capacity < needed; capacity++)
        ck_assert_int_eq(air_frame_build(&good, &keys, 1, bytes, capacity, &len), AIR_CAPACITY);
    ck_assert_uint_eq(len, 4711);
    ck_assert_int_eq(air_frame_build(&good, &keys, 1, bytes, needed, &len), AIR_OK);
}
END_TEST

START_TEST(flags_belong_to_their_direction)
{
    for (int type = AIR_UPLINK; type <= AIR_CONFIRMED_DOWNLINK; type++) {
        struct air_frame f = report_frame(), back;
        f.type = (enum air_frame_type)type;
        f.adr = f.ack = f.adr_ack_req = f.pending = true;
        uint8_t bytes[AIR_FRAME_MAX];
        size_t len = build(&f, 3, bytes);
        ck_assert_int_eq(air_frame_parse(bytes, len, &back), 0);
        ck_assert(back.adr && back.ack);
        ck_assert_int_eq(back.adr_ack_req, air_frame_is_uplink(&f));
        ck_assert_int_eq(back.pending, !air_frame_is_uplink(&f));
    }
}
END_TEST

START_TEST(candidates_with_state)
{
    uint32_t c[AIR_FCNT_CANDIDATES], last = 0x0002FFF0;
    ck_assert_uint_eq(air_fcnt_candidates(5, &last, c), 4);
    ck_assert_uint_eq(c[0], 0x00020005);
    ck_assert_uint_eq(c[1], 0x00030005);
    ck_assert_uint_eq(c[2], 0x00000005); /* started again */
    ck_assert_uint_eq(c[3], 0x00010005);
    last = 7;
    ck_assert_uint_eq(air_fcnt_candidates(5, &last, c), 2);
    ck_assert_uint_eq(c[0], 5);
    ck_assert_uint_eq(c[1], 0x00010005);
    last = 0xFFFF0001; /* the last high half has no next one */
    ck_assert_uint_eq(air_fcnt_candidates(5, &last, c), AIR_FCNT_CANDIDATES);
    ck_assert_uint_eq(c[0], 0xFFFF0005);
    ck_assert_uint_eq(c[1], 5);
}
END_TEST

START_TEST(candidates_are_distinct)
{
    for (uint32_t high = 0; high < 40; high++) {
        uint32_t c[AIR_FCNT_CANDIDATES], last = high << 16 | 0x8000;
        size_t count = air_fcnt_candidates(0x1234, high == 39 ? NULL : &last, c);
        ck_assert_uint_le(count, AIR_FCNT_CANDIDATES);
        for (size_t i = 0; i < count; i++)
            for (size_t j = 0; j < i; j++)
                ck_assert_uint_ne(c[i], c[j]);
    }
}
END_TEST

static void expect_found(uint32_t sent, const uint32_t *last, bool want)
{
    struct air_frame f = report_frame();
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len = build(&f, sent, bytes);
    uint32_t found = 0xDEADBEEF;
    ck_assert_int_eq(air_frame_find_fcnt(bytes, len, &keys, last, &found), want);
    ck_assert_uint_eq(found, want ? sent : 0xDEADBEEF);
}

START_TEST(finds_the_full_counter)
{
    uint32_t last = 0x0001FFFF;
    expect_found(0x00020000, &last, true); /* the next one, over the edge */
    expect_found(0x0002FFFE, &last, true); /* as far as the next high half goes */
    expect_found(0x0001FFFF, &last, true); /* a repeat */
    expect_found(0x0001FFFE, &last, true); /* a replay */
    expect_found(3, &last, true);          /* started again */
    expect_found(0x00030000, &last, false);
    expect_found(0x000F0001, NULL, true);
    expect_found(0x00100001, NULL, false);
}
END_TEST

START_TEST(key_check_names_the_pair)
{
    uint8_t nwk[16] = {1}, app[16] = {2};
    struct air_keys one, other;
    ck_assert_int_eq(air_keys_init(&one, nwk, app), 0);
    app[15] ^= 1;
    ck_assert_int_eq(air_keys_init(&other, nwk, app), 0);
    ck_assert_uint_ne(one.key_check, other.key_check);
    air_keys_free(&other);
    app[15] ^= 1;
    nwk[0] ^= 1;
    ck_assert_int_eq(air_keys_init(&other, nwk, app), 0);
    ck_assert_uint_ne(one.key_check, other.key_check);
    /* The first four bytes of the CMAC, first byte highest. */
    uint8_t mac[16];
    air_key_cmac(&one.nwk, app, 16, NULL, 0, mac);
    ck_assert_uint_eq(one.key_check, (uint32_t)mac[0] << 24 | (uint32_t)mac[1] << 16 |
                                         (uint32_t)mac[2] << 8 | mac[3]);
    air_keys_free(&one);
    air_keys_free(&other);
}
END_TEST

START_TEST(freeing_wipes)
{
    static const struct air_keys zero;
    struct air_keys gone;
    uint8_t key[16] = {0x77};
    ck_assert_int_eq(air_keys_init(&gone, key, key), 0);
    air_keys_free(&gone);
    ck_assert_mem_eq(&gone.nwk, &zero.nwk, sizeof gone.nwk);
    ck_assert_mem_eq(&gone.app, &zero.app, sizeof gone.app);
    ck_assert_uint_eq(gone.key_check, 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("air frame");
    TCase *tc = tcase_create("frame");
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, every_length_and_option_length);
    tcase_add_test(tc, too_short_and_too_long);
    tcase_add_test(tc, options_and_port_0);
    tcase_add_test(tc, verify_needs_every_bit);
    tcase_add_test(tc, port_0_has_the_other_key);
    tcase_add_test(tc, build_refuses);
    tcase_add_test(tc, flags_belong_to_their_direction);
    tcase_add_test(tc, candidates_with_state);
    tcase_add_test(tc, candidates_are_distinct);
    tcase_add_test(tc, finds_the_full_counter);
    tcase_add_test(tc, key_check_names_the_pair);
    tcase_add_test(tc, freeing_wipes);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
