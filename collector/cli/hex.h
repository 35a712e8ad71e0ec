/* Hexadecimal digits as a person types them: either case, blanks and colons between bytes. */
#ifndef EDGEROW_CLI_HEX_H
#define EDGEROW_CLI_HEX_H

#include <stddef.h>
#include <stdint.h>

/* 0 and *len, or -EINVAL (not hex, half a byte) or -ENOSPC. */
int hex_parse(const char *text, uint8_t *bytes, size_t capacity, size_t *len);
/* text holds 2 * len + 1. */
void hex_format(const uint8_t *bytes, size_t len, char *text);

#endif
