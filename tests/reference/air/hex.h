/* Hex text to bytes, for published vectors. */
#ifndef EDGEROW_TEST_HEX_H
#define EDGEROW_TEST_HEX_H

#include <stddef.h>
#include <stdint.h>

/* Blanks are skipped. Stops the test program on anything that is not hex or does not fit. */
size_t hex_read(const char *text, uint8_t *bytes, size_t capacity);

#endif
