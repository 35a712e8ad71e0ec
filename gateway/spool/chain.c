#include "gateway/spool/chain.h"

#include <assert.h>
#include <string.h>

#include <mbedtls/md.h>

#include "gateway/spool/record.h"

void chain_extend(uint8_t hash[CHAIN_BYTES], const uint8_t *bytes, size_t len)
{
    uint8_t input[CHAIN_BYTES + RECORD_MAX];
    uint8_t digest[32];
    assert(len <= RECORD_MAX);
    memcpy(input, hash, CHAIN_BYTES);
    memcpy(input + CHAIN_BYTES, bytes, len);
    /* The md interface is the one that reads the same in mbedTLS 2.28 and 3.6. */
    int error =
        mbedtls_md(mbedtls_md_info_from_type(MBEDTLS_MD_SHA256), input, CHAIN_BYTES + len, digest);
    assert(error == 0);
    memcpy(hash, digest, CHAIN_BYTES);
}

void chain_text(const uint8_t hash[CHAIN_BYTES], char text[FEED_HASH_SIZE])
{
    static const char digits[] = "0123456789abcdef";
    for (int i = 0; i < CHAIN_BYTES; i++) {
        text[2 * i] = digits[hash[i] >> 4];
        text[2 * i + 1] = digits[hash[i] & 15];
    }
    text[2 * CHAIN_BYTES] = '\0';
}
