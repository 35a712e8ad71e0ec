#include "protocol/air/keys.h"

#include <mbedtls/platform_util.h>

#include "protocol/air/error.h"

enum { BLOCK = 16 };

void air_key_encrypt_block(const struct air_key *key, const uint8_t in[BLOCK], uint8_t out[BLOCK])
{
    /* The library asks for a mutable context and does not change it. It fails only on a context
     * that was never given a key. */
    mbedtls_aes_context *aes = (mbedtls_aes_context *)&key->aes;
    (void)mbedtls_aes_crypt_ecb(aes, MBEDTLS_AES_ENCRYPT, in, out);
}

/* RFC 4493 section 2.3: multiplication by x in GF(2^128). */
static void double_block(const uint8_t in[BLOCK], uint8_t out[BLOCK])
{
    uint8_t carry = in[0] & 0x80 ? 0x87 : 0;
    for (int i = 0; i < BLOCK - 1; i++)
        out[i] = (uint8_t)(in[i] << 1 | in[i + 1] >> 7);
    out[BLOCK - 1] = (uint8_t)(in[BLOCK - 1] << 1 ^ carry);
}

int air_key_init(struct air_key *key, const uint8_t bytes[BLOCK])
{
    mbedtls_aes_init(&key->aes);
    if (mbedtls_aes_setkey_enc(&key->aes, bytes, 128) != 0)
        return AIR_RANGE;
    uint8_t l[BLOCK] = {0};
    air_key_encrypt_block(key, l, l);
    double_block(l, key->k1);
    double_block(key->k1, key->k2);
    mbedtls_platform_zeroize(l, sizeof l);
    return AIR_OK;
}

void air_key_free(struct air_key *key)
{
    mbedtls_aes_free(&key->aes);
    mbedtls_platform_zeroize(key, sizeof *key);
}

struct cmac {
    const struct air_key *key;
    uint8_t x[BLOCK];
    unsigned held; /* bytes of the open block already in x; the last block stays open */
};

static void cmac_absorb(struct cmac *c, const uint8_t *bytes, size_t len)
{
    for (size_t i = 0; i < len; i++) {
        if (c->held == BLOCK) {
            air_key_encrypt_block(c->key, c->x, c->x);
            c->held = 0;
        }
        c->x[c->held++] ^= bytes[i];
    }
}

static void cmac_finish(struct cmac *c, uint8_t mac[BLOCK])
{
    const uint8_t *subkey = c->key->k1;
    if (c->held < BLOCK) {
        c->x[c->held] ^= 0x80;
        subkey = c->key->k2;
    }
    for (int i = 0; i < BLOCK; i++)
        c->x[i] ^= subkey[i];
    air_key_encrypt_block(c->key, c->x, mac);
}

void air_key_cmac(const struct air_key *key, const uint8_t *head, size_t head_len,
                  const uint8_t *body, size_t body_len, uint8_t mac[BLOCK])
{
    struct cmac c = {.key = key};
    cmac_absorb(&c, head, head_len);
    cmac_absorb(&c, body, body_len);
    cmac_finish(&c, mac);
}

int air_keys_init(struct air_keys *keys, const uint8_t nwk_skey[BLOCK],
                  const uint8_t app_skey[BLOCK])
{
    int error = air_key_init(&keys->nwk, nwk_skey);
    if (error == AIR_OK)
        error = air_key_init(&keys->app, app_skey);
    if (error != AIR_OK)
        return error;
    uint8_t mac[BLOCK];
    air_key_cmac(&keys->nwk, app_skey, BLOCK, NULL, 0, mac);
    keys->key_check =
        (uint32_t)mac[0] << 24 | (uint32_t)mac[1] << 16 | (uint32_t)mac[2] << 8 | mac[3];
    return AIR_OK;
}

void air_keys_free(struct air_keys *keys)
{
    air_key_free(&keys->nwk);
    air_key_free(&keys->app);
    keys->key_check = 0;
}
