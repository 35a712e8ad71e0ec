/* protocol/air against published vectors; the source stands beside each. */
#include <check.h>
#include <stdio.h>
#include <string.h>

#include "protocol/air/airtime.h"
#include "protocol/air/frame.h"
#include "tests/reference/air/hex.h"
#include "tests/suite.h"

static void check_bytes(const uint8_t *got, const char *want_hex, size_t len)
{
    uint8_t want[256];
    ck_assert_uint_eq(hex_read(want_hex, want, sizeof want), len);
    ck_assert_mem_eq(got, want, len);
}

/* The key and message of RFC 4493 section 4 and of NIST SP 800-38A appendix F. */
static const char *const nist_key = "2b7e151628aed2a6abf7158809cf4f3c";
static const char *const nist_message =
    "6bc1bee22e409f96e93d7e117393172aae2d8a571e03ac9c9eb76fac45af8e51"
    "30c81c46a35ce411e5fbc1191a0a52eff69f2445df4f9b17ad2b417be66c3710";

static void nist_key_init(struct air_key *key)
{
    uint8_t bytes[16];
    hex_read(nist_key, bytes, sizeof bytes);
    ck_assert_int_eq(air_key_init(key, bytes), 0);
}

/* RFC 4493 section 4, "Subkey Generation". */
START_TEST(rfc4493_subkeys)
{
    struct air_key key;
    nist_key_init(&key);
    uint8_t l[16] = {0};
    air_key_encrypt_block(&key, l, l);
    check_bytes(l, "7df76b0c1ab899b33e42f047b91b546f", 16);
    check_bytes(key.k1, "fbeed618357133667c85e08f7236a8de", 16);
    check_bytes(key.k2, "f7ddac306ae266ccf90bc11ee46d513b", 16);
    air_key_free(&key);
}
END_TEST

/* RFC 4493 section 4, examples 1 to 4; each also with the message cut in two at every place. */
static const struct {
    size_t len;
    const char *mac;
} rfc4493_examples[] = {{0, "bb1d6929e95937287fa37d129b756746"},
                        {16, "070a16b46b4d4144f79bdd9dd04a287c"},
                        {40, "dfa66747de9ae63030ca32611497c827"},
                        {64, "51f0bebf7e3b9d92fc49741779363cfe"}};

START_TEST(rfc4493_macs)
{
    struct air_key key;
    nist_key_init(&key);
    uint8_t message[64], mac[16];
    hex_read(nist_message, message, sizeof message);
    size_t len = rfc4493_examples[_i].len;
    for (size_t cut = 0; cut <= len; cut++) {
        air_key_cmac(&key, message, cut, message + cut, len - cut, mac);
        check_bytes(mac, rfc4493_examples[_i].mac, 16);
    }
    air_key_free(&key);
}
END_TEST

/* NIST SP 800-38A section F.1.1, ECB-AES128.Encrypt. */
START_TEST(sp800_38a_blocks)
{
    static const char *const cipher =
        "3ad77bb40d7a3660a89ecaf32466ef97f5d3d58503b9699de785895a96fdbaaf"
        "43b1cd7f598ece23881b00e3ed0306887b0c785e27e8ad3f8223207104725dd4";
    struct air_key key;
    nist_key_init(&key);
    uint8_t text[64];
    hex_read(nist_message, text, sizeof text);
    for (size_t i = 0; i < sizeof text; i += 16)
        air_key_encrypt_block(&key, text + i, text + i);
    check_bytes(text, cipher, sizeof text);
    air_key_free(&key);
}
END_TEST

/* NIST SP 800-38A section F.5.1, CTR-AES128.Encrypt: counter mode made of the same block cipher. */
START_TEST(sp800_38a_counter_mode)
{
    static const char *const cipher =
        "874d6191b620e3261bef6864990db6ce9806f66b7970fdff8617187bb9fffdff"
        "5ae4df3edbd5d35e5b4f09020db03eab1e031dda2fbe03d1792170a0f3009cee";
    struct air_key key;
    nist_key_init(&key);
    uint8_t text[64], counter[16], stream[16];
    hex_read(nist_message, text, sizeof text);
    hex_read("f0f1f2f3f4f5f6f7f8f9fafbfcfdfeff", counter, sizeof counter);
    for (size_t i = 0; i < sizeof text; i++) {
        if (i % 16 == 0) {
            air_key_encrypt_block(&key, counter, stream);
            counter[15]++;
            counter[14] = (uint8_t)(counter[14] + (counter[15] == 0));
        }
        text[i] ^= stream[i % 16];
    }
    check_bytes(text, cipher, sizeof text);
    air_key_free(&key);
}
END_TEST

/* Frames from the tests and the README of the npm library lora-packet 0.9.3, whose layouts are
 * those of LoRaWAN 1.0.2 sections 4.1 to 4.4. */
static const char *const lp_nwk = "44024241ed4ce9a68c6a8bc055233fd3";
static const char *const lp_app = "ec925802ae430ca77fd3dd73cb2cc588";

struct published_frame {
    const char *nwk, *app, *hex;
    enum air_frame_type type;
    uint32_t devaddr, fcnt;
    int fport;
    bool ack;
    const char *payload; /* clear, in hex */
};

static const struct published_frame published_frames[] = {
    {"44024241ed4ce9a68c6a8bc055233fd3", "ec925802ae430ca77fd3dd73cb2cc588",
     "40f17dbe4900020001954378762b11ff0d", AIR_UPLINK, 0x49be7df1, 2, 1, false, "74657374"},
    {"44024241ed4ce9a68c6a8bc055233fd3", "ec925802ae430ca77fd3dd73cb2cc588",
     "40f17dbe490004000155332de41a11adc072553544429ce7787707d1c316e027e7e5e334263376affb8aa17ad3007"
     "5"
     "293f28dea8a20af3c5e7",
     AIR_UPLINK, 0x49be7df1, 4, 1, false,
     "54686520717569636b2062726f776e20666f78206a756d7073206f76657220746865206c617a7920646f672e"},
    {"44024241ed4ce9a68c6a8bc055233fd3", "ec925802ae430ca77fd3dd73cb2cc588",
     "60f17dbe4920020001f9d65d27", AIR_DOWNLINK, 0x49be7df1, 2, 1, true, ""},
    {"581c4d08ef04cda30b1fef7a8b2c74b8", "00000000000000000000000000000000",
     "4006dc00fcc07400000244925050", AIR_UPLINK, 0xfc00dc06, 0x74, 0, false, NULL},
    /* Made with the same library from the same keys. */
    {"44024241ed4ce9a68c6a8bc055233fd3", "ec925802ae430ca77fd3dd73cb2cc588",
     "60f17dbe490007000a153e4c7696a1c45b", AIR_DOWNLINK, 0x49be7df1, 7, 10, false, "01020304"},
};
enum { PUBLISHED_FRAMES = sizeof published_frames / sizeof published_frames[0] };

static void keys_from_hex(struct air_keys *keys, const char *nwk_hex, const char *app_hex)
{
    uint8_t nwk[16], app[16];
    hex_read(nwk_hex, nwk, sizeof nwk);
    hex_read(app_hex, app, sizeof app);
    ck_assert_int_eq(air_keys_init(keys, nwk, app), 0);
}

START_TEST(published_frames_read)
{
    const struct published_frame *f = &published_frames[_i];
    struct air_keys keys;
    keys_from_hex(&keys, f->nwk, f->app);
    uint8_t bytes[AIR_FRAME_MAX];
    size_t len = hex_read(f->hex, bytes, sizeof bytes);
    struct air_frame frame;
    ck_assert_int_eq(air_frame_parse(bytes, len, &frame), 0);
    ck_assert_int_eq(frame.type, f->type);
    ck_assert_uint_eq(frame.devaddr, f->devaddr);
    ck_assert_uint_eq(frame.fcnt, f->fcnt);
    ck_assert_int_eq(frame.fport, f->fport);
    ck_assert_int_eq(frame.ack, f->ack);
    ck_assert(air_frame_verify(bytes, len, &keys, f->fcnt));
    if (f->payload) {
        air_frame_crypt(&frame, &keys, f->fcnt);
        check_bytes(frame.payload, f->payload, frame.payload_len);
    }
    air_keys_free(&keys);
}
END_TEST

START_TEST(published_frames_built)
{
    const struct published_frame *f = &published_frames[_i];
    struct air_keys keys;
    keys_from_hex(&keys, f->nwk, f->app);
    uint8_t bytes[AIR_FRAME_MAX], built[AIR_FRAME_MAX];
    size_t len = hex_read(f->hex, bytes, sizeof bytes), built_len = 0;
    struct air_frame frame;
    ck_assert_int_eq(air_frame_parse(bytes, len, &frame), 0);
    air_frame_crypt(&frame, &keys, f->fcnt);
    ck_assert_int_eq(air_frame_build(&frame, &keys, f->fcnt, built, sizeof built, &built_len), 0);
    ck_assert_uint_eq(built_len, len);
    ck_assert_mem_eq(built, bytes, len);
    air_keys_free(&keys);
}
END_TEST

/* The same tests' negative cases: a changed key, a changed payload byte, a changed last byte. */
START_TEST(published_negative_cases)
{
    struct air_keys keys, other;
    keys_from_hex(&keys, lp_nwk, lp_app);
    keys_from_hex(&other, lp_nwk, "ec925802ae430ca77fd3dd73cb2cc580");
    uint8_t bytes[32];
    struct air_frame frame;
    size_t len = hex_read("40f17dbe4900020001954378762b11ff0d", bytes, sizeof bytes);
    ck_assert_int_eq(air_frame_parse(bytes, len, &frame), 0);
    air_frame_crypt(&frame, &other, 2);
    check_bytes(frame.payload, "5999fc3f", 4);

    len = hex_read("40f17dbe4900020001954478762b11ff0d", bytes, sizeof bytes);
    ck_assert_int_eq(air_frame_parse(bytes, len, &frame), 0);
    air_frame_crypt(&frame, &keys, 2);
    check_bytes(frame.payload, "74627374", 4);
    ck_assert(!air_frame_verify(bytes, len, &keys, 2));

    len = hex_read("40f17dbe4900020001954378762b11ff0e", bytes, sizeof bytes);
    ck_assert(!air_frame_verify(bytes, len, &keys, 2));
    air_keys_free(&keys);
    air_keys_free(&other);
}
END_TEST

/* A join request and a join accept of the same tests: data frames only are ours. */
START_TEST(published_join_frames_refused)
{
    static const char *const joins[] = {"0039363463336913aa05693574323831330489c65b1304",
                                        "20e3de108795f776b8037610ef7869b5b3"};
    for (size_t i = 0; i < 2; i++) {
        uint8_t bytes[32];
        struct air_frame frame;
        size_t len = hex_read(joins[i], bytes, sizeof bytes);
        ck_assert_int_eq(air_frame_parse(bytes, len, &frame), AIR_NOT_DATA);
    }
}
END_TEST

/* Every field of MHDR, LoRaWAN 1.0.2 section 4.2. */
START_TEST(message_types)
{
    for (unsigned mhdr = 0; mhdr < 256; mhdr++) {
        uint8_t bytes[12] = {(uint8_t)mhdr};
        struct air_frame frame;
        unsigned mtype = mhdr >> 5, major = mhdr & 3;
        int want = mtype < 2 || mtype > 5 ? AIR_NOT_DATA : major != 0 ? AIR_MAJOR : AIR_OK;
        ck_assert_int_eq(air_frame_parse(bytes, sizeof bytes, &frame), want);
        if (want != AIR_OK)
            continue;
        ck_assert_int_eq(air_frame_is_uplink(&frame), mtype == 2 || mtype == 4);
        ck_assert_int_eq(air_frame_is_confirmed(&frame), mtype >= 4);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("air against published values");
    TCase *tc = tcase_create("vectors");
    tcase_add_test(tc, rfc4493_subkeys);
    tcase_add_loop_test(tc, rfc4493_macs, 0, 4);
    tcase_add_test(tc, sp800_38a_blocks);
    tcase_add_test(tc, sp800_38a_counter_mode);
    tcase_add_loop_test(tc, published_frames_read, 0, PUBLISHED_FRAMES);
    tcase_add_loop_test(tc, published_frames_built, 0, PUBLISHED_FRAMES);
    tcase_add_test(tc, published_negative_cases);
    tcase_add_test(tc, published_join_frames_refused);
    tcase_add_test(tc, message_types);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
