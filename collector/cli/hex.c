#include "collector/cli/hex.h"

#include <ctype.h>
#include <errno.h>
#include <string.h>

static const char digits[] = "0123456789abcdef";

static int digit_value(char c)
{
    const char *found = c ? strchr(digits, tolower((unsigned char)c)) : NULL;
    return found ? (int)(found - digits) : -1;
}

int hex_parse(const char *text, uint8_t *bytes, size_t capacity, size_t *len)
{
    size_t count = 0;
    while (*text) {
        if (*text == ' ' || *text == ':' || *text == '\t' || *text == '\r' || *text == '\n') {
            text++;
            continue;
        }
        int high = digit_value(text[0]), low = digit_value(text[1]);
        if (high < 0 || low < 0)
            return -EINVAL;
        if (count == capacity)
            return -ENOSPC;
        bytes[count++] = (uint8_t)(high << 4 | low);
        text += 2;
    }
    *len = count;
    return 0;
}

void hex_format(const uint8_t *bytes, size_t len, char *text)
{
    for (size_t i = 0; i < len; i++) {
        text[2 * i] = digits[bytes[i] >> 4];
        text[2 * i + 1] = digits[bytes[i] & 15];
    }
    text[2 * len] = '\0';
}
