/*
 * The chain that names every row before it: hash(n) is the first 16 bytes of SHA-256 (FIPS 180-4)
 * over hash(n - 1) and the bytes of row n; hash(0) is zero.
 */
#ifndef EDGEROW_SPOOL_CHAIN_H
#define EDGEROW_SPOOL_CHAIN_H

#include <stddef.h>
#include <stdint.h>

#include "protocol/feed/row.h"

enum { CHAIN_BYTES = 16 };

/* hash: in, of the row before; out, of this row. len is at most RECORD_MAX. */
void chain_extend(uint8_t hash[CHAIN_BYTES], const uint8_t *bytes, size_t len);
void chain_text(const uint8_t hash[CHAIN_BYTES], char text[FEED_HASH_SIZE]);

#endif
