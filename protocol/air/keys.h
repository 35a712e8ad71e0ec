/*
 * The two keys of a unit, expanded once.
 * AES-128 from mbedTLS; CMAC as in RFC 4493 over it, because the library's own CMAC allocates and
 * expands the key again for every message.
 *
 * Never copy or move an initialised key or pair of keys: mbedTLS 2.28 keeps a pointer into its own
 * context. Hand pointers about instead. An initialised key is only read, so threads may share it.
 */
#ifndef EDGEROW_AIR_KEYS_H
#define EDGEROW_AIR_KEYS_H

#include <stddef.h>
#include <stdint.h>

#include <mbedtls/aes.h>

struct air_key {
    mbedtls_aes_context aes;
    uint8_t k1[16], k2[16]; /* CMAC subkeys, RFC 4493 section 2.3 */
};

struct air_keys {
    struct air_key nwk; /* NwkSKey: MIC, and payload on FPort 0 */
    struct air_key app; /* AppSKey: payload on FPort 1 to 223 */
    uint32_t key_check; /* first four bytes, big-endian, of CMAC(NwkSKey, AppSKey): names a key pair
                           without revealing it */
};

/* Expands the keys. 0, or AIR_RANGE where the cipher refuses (never with 128-bit keys). */
int air_keys_init(struct air_keys *keys, const uint8_t nwk_skey[16], const uint8_t app_skey[16]);
/* Wipes the expanded keys. */
void air_keys_free(struct air_keys *keys);

int air_key_init(struct air_key *key, const uint8_t bytes[16]);
void air_key_free(struct air_key *key);
void air_key_encrypt_block(const struct air_key *key, const uint8_t in[16], uint8_t out[16]);
/* CMAC over head then body (either may be empty), RFC 4493. */
void air_key_cmac(const struct air_key *key, const uint8_t *head, size_t head_len,
                  const uint8_t *body, size_t body_len, uint8_t mac[16]);

#endif
