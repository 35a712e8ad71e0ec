#include "protocol/feed/utf8.h"

#include <stdbool.h>
#include <stdint.h>

/* RFC 3629 section 4: the lead byte gives the length and bounds the second byte. */
static const struct {
    uint8_t lead_low, lead_top, len, second_low, second_top;
} forms[] = {
    {0x00, 0x7F, 1, 0x00, 0x00}, {0xC2, 0xDF, 2, 0x80, 0xBF}, {0xE0, 0xE0, 3, 0xA0, 0xBF},
    {0xE1, 0xEC, 3, 0x80, 0xBF}, {0xED, 0xED, 3, 0x80, 0x9F}, {0xEE, 0xEF, 3, 0x80, 0xBF},
    {0xF0, 0xF0, 4, 0x90, 0xBF}, {0xF1, 0xF3, 4, 0x80, 0xBF}, {0xF4, 0xF4, 4, 0x80, 0x8F},
};

static bool tail_valid(const uint8_t *bytes, size_t len, uint8_t low, uint8_t top)
{
    for (size_t i = 1; i < len; i++) {
        uint8_t least = i == 1 ? low : 0x80, most = i == 1 ? top : 0xBF;
        if (bytes[i] < least || bytes[i] > most)
            return false;
    }
    return true;
}

size_t feed_utf8_letter(const char *text, size_t len)
{
    const uint8_t *bytes = (const uint8_t *)text;
    for (size_t i = 0; i < sizeof forms / sizeof forms[0] && len > 0; i++) {
        if (bytes[0] < forms[i].lead_low || bytes[0] > forms[i].lead_top)
            continue;
        bool whole = forms[i].len <= len &&
                     tail_valid(bytes, forms[i].len, forms[i].second_low, forms[i].second_top);
        return whole ? forms[i].len : 0;
    }
    return 0;
}
