#include "tests/reference/air/hex.h"

#include <assert.h>
#include <ctype.h>
#include <stdlib.h>

static int hex_digit(char c)
{
    assert(isxdigit((unsigned char)c));
    return isdigit((unsigned char)c) ? c - '0' : tolower(c) - 'a' + 10;
}

size_t hex_read(const char *text, uint8_t *bytes, size_t capacity)
{
    size_t len = 0;
    while (*text) {
        if (*text == ' ') {
            text++;
            continue;
        }
        assert(len < capacity);
        bytes[len++] = (uint8_t)(hex_digit(text[0]) << 4 | hex_digit(text[1]));
        text += 2;
    }
    return len;
}
